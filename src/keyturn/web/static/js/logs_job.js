// A job of the logs followed until it is over: shown as it goes, stopped when that is wanted.

import { Refused, ask, car, inWords, onLive, say } from "./core.js";

const POLL = 400; // [ms]; the live channel is quicker where it is there
const id = (name) => document.getElementById(name);

/** What a refusal says: the problem, what is accepted, what to record or do. */
export function refusal(row) {
  const box = document.createDocumentFragment(), first = document.createElement("p");
  first.textContent = [row.problem, row.accepted && `accepted: ${row.accepted}`, row.do].filter(Boolean).join("; ");
  box.append(first);
  if (row.missing?.length) {
    const list = document.createElement("ul");
    for (const words of row.missing) list.append(Object.assign(document.createElement("li"), { textContent: words }));
    box.append(list);
  }
  return box;
}

export function fault(place, row) {
  place.replaceChildren(...(row ? [refusal(row)] : []));
  place.hidden = !row;
}

/** `over(row)` is called once with the last state of a job; `lost()` when the server forgot it. */
export function follower({ over, lost }) {
  let job = "", timer = 0;
  const box = id("progress"), words = id("progress-words"), bar = id("bar");

  function shown(row) {
    if (row.of > 0) { bar.max = row.of; bar.value = row.done; } else bar.removeAttribute("value");
    if (row.words !== undefined) words.textContent = row.state === "waiting" ? "waits for its turn" : row.words || "begins";
  }

  async function look() {
    clearTimeout(timer);
    const mine = job;
    if (!mine) return;
    let row;
    try { row = await ask("GET", `/api/car/${car}/jobs/${mine}`); }
    catch (refused) {
      if (mine !== job) return;
      if (refused instanceof Refused && refused.status === 404) { follow(""); lost?.(); return; }
      words.textContent = "no connection: it goes on by itself, and is looked at again";
      timer = setTimeout(look, 3 * POLL);
      return;
    }
    if (mine !== job) return;
    shown(row);
    if (row.state === "waiting" || row.state === "running") { timer = setTimeout(look, POLL); return; }
    follow("");
    over(row);
  }

  function follow(number) {
    clearTimeout(timer);
    job = number;
    box.hidden = !number;
    if (number) { words.textContent = "begins"; bar.removeAttribute("value"); look(); }
  }

  id("stop").addEventListener("click", async () => {
    if (!job) return;
    try { await ask("DELETE", `/api/car/${car}/jobs/${job}`); look(); } catch (refused) { say(inWords(refused)); }
  });
  onLive("job", (row) => { if (row.id && row.id === job) { shown(row); if (row.state !== "running" && row.state !== "waiting") look(); } });
  return { follow, running: () => job };
}
