// One log: its columns until they are confirmed, then traces and corridor tied together, findings, and
// the readings that are taken from it.

import { Refused, ask, car, inWords, onLive, say } from "./core.js";
import { columns } from "./logs_columns.js";
import { fault, follower } from "./logs_job.js";
import { traces } from "./traces.js";
import { corridor } from "./traces_corridor.js";
import { paint } from "./units.js";

const id = (name) => document.getElementById(name);
const log = id("log"), { at } = log.dataset, address = `/api/car/${car}/drive/logs/${at}`;
const taken = log.dataset.taken === "yes";
const empty = { findings: [], stretches: [], points: { time: [], flow: [], across: [], pull: [] }, band: null };
let data = empty, plot = null, drawn = null, retry = null;

const row = (fault_) => (fault_ instanceof Refused ? fault_.row : { problem: `${fault_.message}: nothing was written`, do: "try again when the connection is back" });
function failed(refused, again) {
  fault(id("fault"), row(refused));
  retry = again;
  id("retry").hidden = !again;
}
id("retry").addEventListener("click", () => { fault(id("fault"), null); id("retry").hidden = true; retry?.(); });

const jobs = follower({
  over(done) {
    if (done.state === "stopped") { say("Stopped."); failed(new Refused(0, { problem: "It was stopped" }), task); return; }
    if (done.state === "failed") {
      if (taken && !data.band) id("verdict").textContent = "The log is there; it could not be judged.";
      failed(new Refused(0, done.error), task);
      return;
    }
    if (!taken) { location.reload(); return; }
    if ("stored" in done.result) say(`${done.result.stored} readings in the journal${done.result.again ? `, ${done.result.again} were there before` : ""}. Find and Check reckon with them.`);
    refresh();
  },
  lost() { failed(new Refused(0, { problem: "The server was started anew; this was lost" }), task); },
});

let task = null;
async function start(what, body) {
  task = () => start(what, body);
  try { jobs.follow((await ask("POST", `${address}/${what}`, body)).job); } catch (refused) { failed(refused, task); }
}

// --- columns ---------------------------------------------------------------------------------------
const form = columns({
  address,
  store: `columns:${car}:${at}`,
  confirmed() { location.reload(); },
  refused(refused) {
    if (refused instanceof Refused && refused.status === 409 && refused.row.kind !== "stale" && !taken) {
      id("columns").replaceChildren(Object.assign(document.createElement("p"), { textContent: "The original is in this build, but it was not read yet, or its table was thrown away." }));
      id("confirm").textContent = "Read it";
      id("confirm").disabled = false;
      id("confirm").onclick = () => { id("confirm").disabled = true; start("read"); };
      return;
    }
    failed(refused, () => form.load());
  },
});
if (!taken) form.load();
else id("columns-more").addEventListener("toggle", () => { if (id("columns-more").open) form.load(); });

// --- traces, corridor, findings: what is chosen in one is marked in all ------------------------------
function choose(spans, words, button) {
  const off = button?.getAttribute("aria-pressed") === "true";
  for (const one of document.querySelectorAll("[data-span], [data-finding]")) one.setAttribute("aria-pressed", String(one === button && !off));
  const now = off ? [] : spans;
  plot.mark(now);
  drawn?.mark(now, words);
  if (now.length) plot.show(Math.min(...now.map((one) => one.start)), Math.max(...now.map((one) => one.end)));
}
const span = (button) => { const [start, end] = button.dataset.span.split(" ").map(Number); return { start, end }; };
const buttonOf = (start, end) => [...document.querySelectorAll("[data-span]")].find((one) => { const own = span(one); return own.start === start && own.end === end; });

/** The stretch at a time, or the quarter second around it where there is none. */
function at_(time) {
  const one = data.stretches.find((row_) => time >= row_.start && time <= row_.end);
  return one ? { start: one.start, end: one.end, words: one.kind } : { start: time - 0.25, end: time + 0.25, words: "this point" };
}

document.addEventListener("click", (event) => {
  const button = event.target.closest("[data-span], [data-finding]");
  if (!button) return;
  if (button.dataset.finding) { const one = data.findings[Number(button.dataset.finding)]; choose(one.spans, one.kind, button); }
  else choose([span(button)], button.dataset.of ? data.findings[button.dataset.of - 1].kind : button.dataset.words ?? "this place", button);
});
document.addEventListener("picked", (event) => {
  const { start, end } = event.detail;
  const button = buttonOf(start, end);
  if (button?.getAttribute("aria-pressed") === "true") return;
  choose([{ start, end }], button?.textContent ?? "this stretch", button);
});

function parse() {
  const source = id("judged-data");
  data = source ? JSON.parse(source.textContent) : empty;
}

function fill() {
  drawn = null;
  if (!data.band) return;
  drawn = corridor({
    canvas: id("corridor"), points: data.points, band: data.band,
    picked(time) { const one = at_(time); choose([one], one.words, buttonOf(one.start, one.end)); plot.move(time); },
  });
  paint(id("judged"));
}

async function refresh() {
  try {
    const [answer, piece] = await Promise.all([
      ask("GET", address),
      fetch(`/car/${car}/drive/logs/${at}/judged`, { credentials: "same-origin" }),
    ]);
    if (!piece.ok) return;
    const made = new DOMParser().parseFromString(await piece.text(), "text/html").body;
    const focus = document.activeElement?.id;
    id("judged").replaceChildren(...made.childNodes);
    id("judged").removeAttribute("aria-busy");
    id("verdict").textContent = answer.judged.verdict;
    parse();
    fill();
    plot.mark([]);
    plot.relist(answer);
    if (focus) id(focus)?.focus({ preventScroll: true });
  } catch (refused) { failed(refused, refresh); }
}

if (taken) {
  parse();
  plot = traces({ traced: JSON.parse(id("traced").textContent), at, found: () => data });
  fill(); // while the server answers
  document.addEventListener("click", (event) => {
    if (event.target.id !== "take") return;
    const chosen = [...document.querySelectorAll("[name=take]:checked:not(:disabled)")].map((one) => one.value);
    if (!chosen.length) { say("No stretch is chosen."); return; }
    event.target.disabled = true;
    start("readings", { chosen });
  });
  if (log.dataset.job) { task = refresh; jobs.follow(log.dataset.job); } else if (log.dataset.known === "no") start("judge");
  let last = Number(log.dataset.last);
  onLive("journal", (journal) => {
    if (journal.last === last) return; // the stream begins with how it stands
    last = journal.last;
    if (!jobs.running() && data.band) refresh();
  });
} else if (log.dataset.job) { jobs.follow(log.dataset.job); }
onLive("build", (build) => {
  if (taken && !jobs.running() && document.body.dataset.revision !== build.revision) { document.body.dataset.revision = build.revision; start("judge"); }
});
