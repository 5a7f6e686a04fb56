// Choose: start, watch and stop the search; a finished answer stays, marked when it is out of date.

import { Refused, ask, car, inWords, onLive, say } from "./core.js";
import { bind } from "./drafts.js";

const id = (name) => document.getElementById(name);
const POLL = 700; // [ms] where the live channel is silent
const box = id("progress");
let job = box?.dataset.job ?? "", timer = 0;

async function again() {
  try {
    const answer = await fetch(`/car/${car}/choose/answer`, { credentials: "same-origin" });
    if (!answer.ok) return;
    const made = new DOMParser().parseFromString(await answer.text(), "text/html").body;
    id("answer").replaceChildren(...made.childNodes);
  } catch { /* no connection: what is shown stays */ }
}

function watch(number) {
  job = number;
  box.hidden = !job;
  id("start").disabled = Boolean(job);
  clearTimeout(timer);
  if (job) poll();
}

function progress(row) {
  const bar = id("bar");
  if (row.of > 0) { bar.max = row.of; bar.value = row.done; } else bar.removeAttribute("value");
  id("progress-words").textContent = row.state === "waiting" ? "waits for its turn" : row.of > 0 ? `${row.done} of ${row.of} combinations` : "reading the build and the readings";
}

async function poll() {
  clearTimeout(timer);
  if (!job) return;
  let row;
  try { row = await ask("GET", `/api/car/${car}/jobs/${job}`); }
  catch (fault) {
    if (fault instanceof Refused && fault.status === 404) { say("The server was started anew: the search was lost."); return watch(""); }
    timer = setTimeout(poll, 3 * POLL);
    return;
  }
  progress(row);
  if (row.state === "waiting" || row.state === "running") { timer = setTimeout(poll, POLL); return; }
  watch("");
  if (row.state === "done") { await again(); say("Worked out."); id("answer").scrollIntoView({ block: "nearest" }); }
  else if (row.state === "stopped") say("Stopped. The last finished answer stays.");
  else fault([row.error?.problem, ...(row.error?.missing ?? []), row.error?.do].filter(Boolean).join("; "));
}

function fault(words) {
  id("power-fault").textContent = words;
  id("power-fault").hidden = !words;
}

if (box) {
  const power = id("power");
  bind(power, "choose.power", { chip: id("power-state") });
  id("ask").addEventListener("submit", async (event) => {
    event.preventDefault();
    fault("");
    power.removeAttribute("aria-invalid");
    id("start").disabled = true;
    try { watch((await ask("POST", `/api/car/${car}/choose`, { power: power.value.trim() || null })).job); }
    catch (refused) {
      id("start").disabled = false;
      fault(inWords(refused));
      if (refused.row?.where?.key?.includes("power")) { power.setAttribute("aria-invalid", "true"); power.focus(); }
    }
  });
  id("stop").addEventListener("click", async () => {
    try { await ask("DELETE", `/api/car/${car}/jobs/${job}`); poll(); } catch (refused) { say(inWords(refused)); }
  });
  onLive("job", (row) => {
    if (row.word !== "choose") return;
    if (!job && (row.state === "running" || row.state === "waiting")) return watch(row.id); // begun on another device
    if (row.id === job) { progress(row); if (row.state !== "running" && row.state !== "waiting") poll(); }
  });
  onLive("journal", again);
  onLive("build", again);
  if (job) watch(job);
}
