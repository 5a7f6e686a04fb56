// Check: what is tried, asked of the server, and painted. Middle values while the hand moves, bands
// once it rests. A turn is one state of the bench; an answer of an older turn than the one that
// stands on the page is never painted, and of one turn the bands stand over the middle values.
import { ask, car, inWords, onLive, say, Unreachable } from "./core.js";
import { envelope } from "./envelope.js";
import { pinned } from "./pin.js";
import * as bench from "./bench.js";

const REST = 70; // [ms] without a change after which the hand rests
const PATIENCE = 160; // [ms] after which a newer state no longer waits for an older answer
const at = (id) => document.getElementById(id);
const root = at("check");
let revision = root.dataset.seenRevision;
const asker = Array.from(crypto.getRandomValues(new Uint32Array(3)), (n) => n.toString(36)).join("");
let turn = 0;
const painted = { turn: -1, bands: false };
const shown = new Map(); // figure -> is it in sight?
let stale = new Set(); // figures that show an older turn
let judged = ""; // what the verdict on the page is about
let middle = null; // the question for middle values that is on its way: {turn, at, stop}
let bands = null;
let waiting = 0;

const width = () => Math.max(320, Math.min(720, Math.floor(at("map").clientWidth)));
const names = () => [...shown.keys()];
const seen = () => names().filter((name) => shown.get(name));

const asked = () => `${revision} ${bench.query()}`;

function address(whole, figures) {
  const query = bench.query();
  query.set("width", width());
  query.set("figures", figures.join(","));
  if (whole) query.set("bands", "1");
  if (whole) query.set("asker", asker);
  if (whole || envelope.open()) query.set("points", "1");
  return `/api/car/${car}/check/view?${query}`;
}

/** The bench was moved: middle values at once, bands when the hand rests. */
function moved({ rests = false, same = false } = {}) {
  turn += 1;
  stale = new Set(names());
  bands?.stop.abort();
  bands = null;
  bench.keep();
  showTried();
  if (!same) unjudged("bands follow", "Being worked out.");
  clearTimeout(waiting);
  waiting = 0;
  askMiddle();
  if (rests) askBands();
}

async function askMiddle() {
  if (middle) {
    const left = middle.at + PATIENCE - performance.now();
    if (left > 0) { middle.again ??= setTimeout(askMiddle, left); return; }
    middle.stop.abort();
  }
  const mine = middle = { turn, at: performance.now(), stop: new AbortController() };
  await question(mine, false, seen());
  clearTimeout(mine.again);
  if (middle !== mine) return;
  middle = null;
  if (mine.turn < turn) askMiddle();
  else if (!bands && !painted.bands) waiting = setTimeout(askBands, REST);
}

async function askBands() {
  clearTimeout(waiting);
  bands?.stop.abort();
  const mine = bands = { turn, stop: new AbortController() };
  await question(mine, true, names());
  if (bands === mine) bands = null;
}

async function question(mine, whole, figures) {
  try {
    const row = await ask("GET", address(whole, figures), undefined, { signal: mine.stop.signal });
    paint(row, mine.turn);
  } catch (fault) {
    if (fault.name === "AbortError" || mine.turn < turn) return;
    trouble(fault);
  }
}

function paint(row, of) {
  const whole = row.level === "bands";
  if (of < painted.turn || (of === painted.turn && painted.bands && !whole)) return;
  painted.turn = of;
  painted.bands = whole;
  at("trouble").hidden = true;
  if (whole && of === turn && row.revision !== revision) changedOutside(row.revision);
  for (const [name, drawing] of Object.entries(row.figures)) {
    document.querySelector(`#${name} .drawing`).innerHTML = drawing; // drawn and escaped by the server
    if (of === turn) stale.delete(name);
  }
  for (const name of names()) at(name).classList.toggle("stale", stale.has(name));
  if (whole || judged !== asked()) verdict(row, whole && of === turn);
  if (row.map) envelope.data(row);
  if (whole && of === turn) {
    inWordsToo(row);
    pinned.live(bench.variant());
  }
}

/** No verdict stands on the page before the bands of what is set now are there. */
function verdict(row, whole) {
  put(at("headline"), row.headline);
  judged = whole ? asked() : "";
  if (!whole) { unjudged("bands follow", "Middle values only, bands follow."); return; }
  at("stamp").className = `stamp ${row.verdict.replace(" ", "-")}`;
  put(at("stamp"), row.verdict);
  put(at("chance"), `chance that it holds ${row.chance}`);
  put(at("limits"), row.limits);
}

/** At once, before any answer: the verdict that stood there was about something else. */
function unjudged(words, note) {
  judged = "";
  const stamp = at("stamp");
  stamp.className = "stamp waits";
  put(stamp, words);
  put(at("chance"), "");
  put(at("limits"), note);
}

function put(node, words) { if (node.textContent !== words) node.textContent = words; }

function list(node, items) {
  node.replaceChildren(...items.map((words) => Object.assign(document.createElement("li"), { textContent: words })));
}

function inWordsToo(row) {
  list(at("steps"), row.steps);
  list(at("reasons"), row.reasons);
  list(at("assumptions"), row.assumptions);
  list(at("headroom-words"), row.headroom.map((one) =>
    `${one.part}, ${one.verdict}: ${one.times}; chance that it holds ${one.chance}; worst at ${one.at}`));
  const { head, rows } = row.states;
  const table = document.createElement("table");
  const cell = (kind, words, scope) => {
    const made = document.createElement(kind);
    made.textContent = words;
    if (scope) made.scope = scope;
    return made;
  };
  table.createTHead().insertRow().append(...head.map((words) => cell("th", words, "col")));
  const body = table.createTBody();
  for (const line of rows) {
    body.insertRow().append(...line.map((words, n) => (n ? cell("td", words) : cell("th", words, "row"))));
  }
  at("states").replaceChildren(table);
}

function trouble(fault) {
  const box = at("trouble");
  box.hidden = false;
  box.textContent = fault instanceof Unreachable
    ? "No connection: what you tried is kept on this device, and asked again when there is one."
    : `This cannot be tried: ${inWords(fault)}`;
  unjudged("no verdict", "The figures below are older than what is set.");
  put(at("headline"), "No answer for what is set now.");
  for (const name of names()) at(name).classList.add("stale");
}

// --- tried, applied, discarded ------------------------------------------------------------------
function showTried() {
  const changes = bench.changes();
  at("tried").hidden = changes.length === 0;
  at("tried-list").replaceChildren(...changes.map((one) => {
    const line = document.createElement("li");
    const back = Object.assign(document.createElement("button"), { type: "button", className: "plain gone", textContent: "take back" });
    back.setAttribute("aria-label", `take back: ${one.words}`);
    back.addEventListener("click", () => { one.back(); moved({ rests: true }); });
    line.append(`${one.words} `, back);
    return line;
  }));
}

async function apply() {
  const button = at("apply");
  button.disabled = true;
  try {
    const variant = bench.variant();
    const row = await ask("POST", `/api/car/${car}/check/apply`, { ...variant, seen: bench.seen(), revision });
    revision = row.revision;
    bench.forget();
    sessionStorage.setItem(`applied:${car}`, `Written into the build: ${row.written.length} keys. Undo is on Parts.`);
    location.reload();
  } catch (fault) {
    if (fault.row?.revision) revision = fault.row.revision;
    const box = at("trouble");
    box.hidden = false;
    box.textContent = `Not written: ${inWords(fault)}`;
    box.scrollIntoView({ block: "nearest" });
  } finally {
    button.disabled = false;
  }
}

function discard() {
  bench.reset();
  moved({ rests: true });
  say("Discarded; the build was not changed.");
  at("bench").querySelector("summary").focus();
}

function changedOutside(now) {
  revision = now;
  say("The build was changed elsewhere; this is the answer for it. Reload to see its values on the sliders.", 12);
}

// --- begin ---------------------------------------------------------------------------------------
for (const section of document.querySelectorAll(".figure")) {
  if (section.querySelector(".drawing")) shown.set(section.id, section.id === "envelope");
}
const eye = new IntersectionObserver((rows) => {
  for (const row of rows) shown.set(row.target.id, row.isIntersecting);
  if (painted.turn >= 0 && !bands && seen().some((name) => stale.has(name))) askMiddle();
});
for (const name of names()) eye.observe(at(name));

bench.start((rests) => moved({ rests }));
envelope.start({ map: at("map"), cross: at("cross"), title: at("point-title"), words: at("point-words"), rows: at("point-rows") });
pinned.start({ variant: bench.variant, words: bench.words, set: (variant) => { bench.set(variant); moved({ rests: true }); } });
at("apply").addEventListener("click", apply);
at("discard").addEventListener("click", discard);
at("pin").addEventListener("click", () => { pinned.pin(bench.variant()); });
let before = width();
new ResizeObserver(() => {
  if (Math.abs(width() - before) < 8) return;
  before = width();
  moved({ rests: true, same: true });
}).observe(at("map"));
onLive("build", (row) => { if (row.revision !== revision) moved({ rests: true }); });
document.addEventListener("linked", () => { if (!at("trouble").hidden) moved({ rests: true }); });
const note = sessionStorage.getItem(`applied:${car}`);
if (note) { say(note); sessionStorage.removeItem(`applied:${car}`); }
if (matchMedia("(max-width: 820px)").matches) at("bench").open = bench.changes().length > 0;
moved({ rests: true });
