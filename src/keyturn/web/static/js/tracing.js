// Photos or a scan go up one by one, then the trace runs as a job that can be watched and stopped.

import { Refused, Unreachable, ask, car, inWords, onLive, say } from "./core.js";
import { store } from "./drafts.js";
import { fault, form } from "./form.js";

const id = (name) => document.getElementById(name);
const POLL = 500;
const NEEDED = ["thickness", "dpi", "check_long", "check_short"];

export function pictures({ name, arrived }) {
  const box = id("progress"), state = { count: 0, job: box.dataset.job, where: name() };
  let timer = 0;
  const sheet = form("trace", { drafts: "make", after: ready, act: async (said) => {
    state.where = name();
    watch((await ask("POST", `/api/car/${car}/make/${state.where}/trace`, { said, scanned: scanned() })).job);
  } });
  const scanned = () => id("from-scan").checked, most = () => (scanned() ? 1 : 5);

  /** Only what belongs to the kind of picture is shown, and only that is sent. */
  function kind() {
    const other = scanned() ? "photos" : "scan";
    for (const part of sheet.box.querySelectorAll("[data-only]")) {
      part.hidden = part.dataset.only === other;
      for (const field of part.querySelectorAll("[name]")) field.disabled = part.hidden || (field.name === "thickness" && id("trace-level").checked);
    }
    id("choose").multiple = !scanned();
    ready();
  }
  sheet.box.addEventListener("input", () => { store("make.scanned", scanned() ? { at: Date.now() } : null); kind(); });
  id("name")?.addEventListener("input", ready);

  /** The numbers that no picture can tell come first. */
  function missing() {
    const rows = NEEDED.map((key) => id(`trace-${key}`)).filter((field) => !field.disabled && !field.value.trim());
    return [...(name() ? [] : ["a name"]), ...rows.map((field) => field.labels[0].textContent.toLowerCase())];
  }

  function ready() {
    const wants = missing();
    for (const key of ["take", "choose"]) id(key).disabled = id(`${key}-open`).disabled = wants.length > 0;
    sheet.box.querySelector("button.main").disabled = wants.length > 0 || !(state.count || state.before) || Boolean(state.job);
    id("first").textContent = wants.length ? `Still to be typed: ${wants.join(", ")}.` : state.count ? `${state.count} of at most ${most()} with the build.` : "";
  }

  async function send(input) {
    sheet.clear();
    if (scanned()) { state.count = 0; id("photos").replaceChildren(); }
    for (const file of [...input.files]) {
      if (state.count >= most()) { fault("trace", `At most ${most()} photos are taken together.`); break; }
      const row = document.createElement("li"), picture = document.createElement("img"), words = document.createElement("span");
      words.className = "state draft";
      words.textContent = "on its way";
      picture.alt = `${scanned() ? "scan" : "photo"} ${state.count + 1}`;
      picture.src = URL.createObjectURL(file);
      row.append(picture, words);
      id("photos").append(row);
      try {
        const made = await upload(file, state.count + 1);
        state.count = made.photos;
        state.where = made.part;
        words.className = "state kept";
        words.textContent = "with the build";
      } catch (refused) { row.remove(); sheet.refuse(refused); break; }
    }
    input.value = "";
    ready();
  }

  async function upload(file, number) {
    let answer;
    try { answer = await fetch(`/api/car/${car}/make/${encodeURIComponent(name())}/upload?number=${number}`, { method: "POST", body: file, headers: { "content-type": file.type || "application/octet-stream" }, credentials: "same-origin" }); }
    catch { throw new Unreachable("The picture did not arrive: no connection, or it is too large. It is still on your device; choose it again."); }
    const row = await answer.json().catch(() => null);
    if (!answer.ok) throw new Refused(answer.status, row?.error ?? { problem: `refused (${answer.status})` });
    return row;
  }

  for (const key of ["take", "choose"]) {
    id(`${key}-open`).addEventListener("click", () => id(key).click());
    id(key).addEventListener("change", () => send(id(key)));
  }

  function watch(number) {
    state.job = number;
    box.hidden = !number;
    ready();
    clearTimeout(timer);
    if (number) { box.scrollIntoView({ block: "nearest" }); poll(); }
  }

  function shown(row) {
    const bar = id("bar");
    if (row.of > 0) { bar.max = row.of; bar.value = row.done; } else bar.removeAttribute("value");
    if (row.words !== undefined) id("progress-words").textContent = row.state === "waiting" ? "waits for its turn" : row.words || "reading the pictures";
  }

  async function poll() {
    clearTimeout(timer);
    const number = state.job;
    if (!number) return;
    let row;
    try { row = await ask("GET", `/api/car/${car}/jobs/${number}`); }
    catch (refused) {
      if (refused instanceof Refused && refused.status === 404) { say("The server was started anew: the trace was lost."); return watch(""); }
      timer = setTimeout(poll, 3 * POLL);
      return;
    }
    if (state.job !== number) return;    // the live channel told it first: once is enough
    shown(row);
    if (row.state === "waiting" || row.state === "running") { timer = setTimeout(poll, POLL); return; }
    watch("");
    if (row.state === "done") {
      say("Traced. Look at every edge.");
      arrived(await ask("GET", `/api/car/${car}/make/${row.result.part}`), row.result.part);
    } else if (row.state === "stopped") say("Stopped. The outline before stays.");
    else sheet.refuse({ row: row.error ?? { problem: "The trace failed." } });
  }

  id("stop").addEventListener("click", async () => {
    try { await ask("DELETE", `/api/car/${car}/jobs/${state.job}`); poll(); } catch (refused) { say(inWords(refused)); }
  });
  onLive("job", (row) => { if (row.word === "trace" && row.id === state.job) { shown(row); if (row.state !== "running" && row.state !== "waiting") poll(); } });

  state.before = JSON.parse(id("view").textContent)?.photos ?? 0;
  if (state.before) id("photos").append(Object.assign(document.createElement("li"), { className: "small", textContent: `${state.before} from before ${state.before === 1 ? "is" : "are"} still there; a new first one begins a new set.` }));
  id("from-scan").checked = localStorage.getItem(`draft:${car}:make.scanned`) !== null;
  kind();
  if (state.job) watch(state.job);
}
