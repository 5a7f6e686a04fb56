// The logs of a build: one is chosen and sent, a job reads it, the list follows. What was chosen stays
// chosen when the connection is lost, and the page says that nothing of it has arrived.

import { ask, car, inWords, onLive, say } from "./core.js";
import { fault, follower } from "./logs_job.js";

const id = (name) => document.getElementById(name);
const address = `/api/car/${car}/drive/logs`;
const most = Number(id("bring").dataset.most);
const mega = (bytes) => (bytes / 1e6).toFixed(1);
let sending = null;

const jobs = follower({
  over(row) {
    if (row.state === "done") { location.assign(`/car/${car}/drive/logs/${encodeURIComponent(row.result.log)}`); return; }
    if (row.state === "stopped") say("Stopped. Nothing of it was taken.");
    else fault(id("bring-fault"), row.error);
    again(Boolean(id("file").files[0]));
    list();
  },
  lost() { fault(id("bring-fault"), { problem: "The server was started anew; what was sent is lost", do: "send it again" }); again(Boolean(id("file").files[0])); list(); },
});

function again(on) { id("again").hidden = !on; }

function send() {
  const file = id("file").files[0];
  if (!file || sending || jobs.running()) return;
  fault(id("bring-fault"), null);
  again(false);
  id("chosen").hidden = false;
  id("chosen").textContent = `${file.name}, ${mega(file.size)} MB: chosen on this device`;
  if (file.size > most) { fault(id("bring-fault"), { problem: `The file is larger than the ${Math.round(most / 1048576)} MiB that the server takes`, do: "cut the log into drives and give them one by one" }); return; }
  const request = sending = new XMLHttpRequest();
  request.open("POST", `${address}?file=${encodeURIComponent(file.name.slice(-290) || "log")}`);
  request.setRequestHeader("content-type", "application/octet-stream");
  id("progress").hidden = false;
  const told = (done) => {
    id("bar").max = Math.max(file.size, 1);
    id("bar").value = done;
    id("progress-words").textContent = `sent ${mega(done)} of ${mega(file.size)} MB`;
  };
  told(0);
  request.upload.onprogress = (event) => told(event.loaded);
  const ended = (row) => {
    sending = null;
    id("progress").hidden = true;
    if (row) { fault(id("bring-fault"), row); again(true); }
  };
  request.onload = () => {
    let row = null;
    try { row = JSON.parse(request.responseText); } catch { /* not ours */ }
    if (request.status === 200 && row?.job) { ended(null); jobs.follow(row.job); }
    else ended(row?.error ?? { problem: `refused (${request.status})` });
  };
  const lost = () => ended({ problem: "The connection was lost while it was sent; nothing of it is in the build", do: "it is still chosen on this device: send it again when the connection is back" });
  request.onerror = lost;
  request.ontimeout = lost;
  request.onabort = () => { ended(null); again(true); say("Stopped. Nothing of it is in the build; it is still chosen."); };
  request.send(file);
}

async function list() {
  try {
    const answer = await fetch(`/car/${car}/drive/logs-list`, { credentials: "same-origin" });
    if (!answer.ok) return;
    const made = new DOMParser().parseFromString(await answer.text(), "text/html").body;
    id("list").replaceChildren(...made.childNodes);
  } catch { /* no connection: what is shown stays */ }
}

id("choose").addEventListener("click", () => id("file").click());
id("file").addEventListener("change", send);
id("again").addEventListener("click", send);
id("stop").addEventListener("click", () => sending?.abort());
document.addEventListener("click", async (event) => {
  const drop = event.target.closest("[data-drop]");
  if (!drop) return;
  try {
    const row = await ask("DELETE", `${address}/${encodeURIComponent(drop.dataset.drop)}/made`);
    say(`${mega(row.freed)} MB are free; the original stays.`);
    await list();
  } catch (refused) { say(inWords(refused)); }
});
onLive("job", (row) => { if (row.word === "log" && row.id !== jobs.running() && !["running", "waiting"].includes(row.state)) list(); });
onLive("journal", list);
const known = id("progress").dataset.job;
if (known) jobs.follow(known);
