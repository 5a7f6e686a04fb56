// Photos go up one by one, then the trace runs as a job that can be watched and stopped.

import { Refused, Unreachable, ask, car, inWords, onLive, say } from "./core.js";
import { bind } from "./drafts.js";

const id = (name) => document.getElementById(name);
const POLL = 500, MOST = 5;
const NEEDED = ["thickness", "check_long", "check_short"];

export function photos({ name, arrived }) {
  const box = id("progress"), state = { count: 0, job: box.dataset.job, where: name() };
  let timer = 0;

  for (const key of [...NEEDED, "hole_size", "hole_name"]) bind(id(key), `make.${key}`);
  for (const key of [...NEEDED, "name"]) id(key)?.addEventListener("input", ready);
  id("level").addEventListener("change", () => { id("thickness").disabled = id("level").checked; ready(); });

  /** The numbers that no photo can tell come first. */
  function missing() {
    const rows = NEEDED.filter((key) => !(key === "thickness" && id("level").checked) && !id(key).value.trim());
    const words = { thickness: "the height of the face", check_long: "the long check line", check_short: "the short check line" };
    return [...(name() ? [] : ["a name"]), ...rows.map((key) => words[key])];
  }

  function ready() {
    const wants = missing();
    for (const key of ["take", "choose"]) id(key).disabled = id(`${key}-open`).disabled = wants.length > 0;
    id("trace").disabled = wants.length > 0 || !(state.count || state.before) || Boolean(state.job);
    id("first").textContent = wants.length ? `Still to be typed: ${wants.join(", ")}.` : state.count ? `${state.count} of at most ${MOST} photos are with the build.` : "";
  }

  function fault(words, key) {
    id("trace-fault").textContent = words;
    id("trace-fault").hidden = !words;
    for (const one of NEEDED) id(one).removeAttribute("aria-invalid");
    if (key && id(key)) { id(key).setAttribute("aria-invalid", "true"); id(key).focus(); }
  }

  async function send(input) {
    fault("");
    for (const file of [...input.files]) {
      if (state.count >= MOST) { fault(`At most ${MOST} photos are taken together.`); break; }
      const row = document.createElement("li"), picture = document.createElement("img"), words = document.createElement("span");
      words.className = "state draft";
      words.textContent = "on its way";
      picture.alt = `photo ${state.count + 1}`;
      picture.src = URL.createObjectURL(file);
      row.append(picture, words);
      id("photos").append(row);
      try {
        const made = await upload(file, state.count + 1);
        state.count = made.photos;
        state.where = made.part;
        words.className = "state kept";
        words.textContent = "with the build";
      } catch (refused) { row.remove(); fault(inWords(refused)); break; }
    }
    input.value = "";
    ready();
  }

  async function upload(file, number) {
    let answer;
    try { answer = await fetch(`/api/car/${car}/make/${encodeURIComponent(name())}/upload?number=${number}`, { method: "POST", body: file, headers: { "content-type": file.type || "application/octet-stream" }, credentials: "same-origin" }); }
    catch { throw new Unreachable("The photo did not arrive: no connection, or it is too large. It is still on your device; choose it again."); }
    const row = await answer.json().catch(() => null);
    if (!answer.ok) throw new Refused(answer.status, row?.error ?? { problem: `refused (${answer.status})` });
    return row;
  }

  for (const key of ["take", "choose"]) {
    id(`${key}-open`).addEventListener("click", () => id(key).click());
    id(key).addEventListener("change", () => send(id(key)));
  }

  id("trace-form").addEventListener("submit", async (event) => {
    event.preventDefault();
    fault("");
    const said = Object.fromEntries([...NEEDED, "hole_size", "hole_name"].map((key) => [key, id(key).value.trim()]));
    if (id("level").checked) said.thickness = "";
    for (const key of ["level", "snap", "mirror"]) said[key] = id(key).checked;
    state.where = name();
    try { watch((await ask("POST", `/api/car/${car}/make/${state.where}/trace`, said)).job); }
    catch (refused) { fault(inWords(refused), refused.row?.where?.key); }
  });

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
    if (row.words !== undefined) id("progress-words").textContent = row.state === "waiting" ? "waits for its turn" : row.words || "reading the photos";
  }

  async function poll() {
    clearTimeout(timer);
    if (!state.job) return;
    let row;
    try { row = await ask("GET", `/api/car/${car}/jobs/${state.job}`); }
    catch (refused) {
      if (refused instanceof Refused && refused.status === 404) { say("The server was started anew: the trace was lost."); return watch(""); }
      timer = setTimeout(poll, 3 * POLL);
      return;
    }
    shown(row);
    if (row.state === "waiting" || row.state === "running") { timer = setTimeout(poll, POLL); return; }
    watch("");
    if (row.state === "done") {
      say("Traced. Look at every edge.");
      arrived(await ask("GET", `/api/car/${car}/make/${row.result.part}`), row.result.part);
    } else if (row.state === "stopped") say("Stopped. The outline before stays.");
    else fault([row.error?.problem, row.error?.accepted && `accepted: ${row.error.accepted}`, ...(row.error?.missing ?? []), row.error?.do].filter(Boolean).join("; "), row.error?.where?.key);
  }

  id("stop").addEventListener("click", async () => {
    try { await ask("DELETE", `/api/car/${car}/jobs/${state.job}`); poll(); } catch (refused) { say(inWords(refused)); }
  });
  onLive("job", (row) => { if (row.word === "trace" && row.id === state.job) { shown(row); if (row.state !== "running" && row.state !== "waiting") poll(); } });

  state.before = JSON.parse(id("view").textContent)?.photos ?? 0;
  if (state.before) id("photos").append(Object.assign(document.createElement("li"), { className: "small", textContent: `${state.before} from before are still there; a new first photo begins a new set.` }));
  ready();
  if (state.job) watch(state.job);
}
