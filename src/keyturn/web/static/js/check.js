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
let revision = root.dataset.seenRevision; // of the answer that stands here
let known = revision; // of the values on the sliders
const asker = Array.from(crypto.getRandomValues(new Uint32Array(3)), (n) => n.toString(36)).join("");
let turn = 0;
const painted = { turn: -1, bands: false };
const shown = new Map(); // figure -> is it in sight?
let stale = new Set(); // figures that show an older turn
let judged = ""; // what the verdict on the page is about
let middle = null; // the question for middle values that is on its way: {turn, at, stop}
let bands = null;
let waiting = 0;
let last = ""; // what was asked for last

const width = () => Math.max(320, Math.min(720, Math.floor(at("map").clientWidth)));
const names = () => [...shown.keys()];
const seen = () => names().filter((name) => shown.get(name));

const asked = () => `${revision} ${bench.query()}`;

function address(whole, figures, points) {
  const query = bench.query();
  query.set("width", width());
  query.set("figures", figures.join(","));
  if (whole) query.set("bands", "1");
  if (whole) query.set("asker", asker);
  if (points) query.set("points", "1");
  return `/api/car/${car}/check/view?${query}`;
}

/** The bench was moved: middle values at once, bands when the hand rests. */
function moved({ rests = false, same = false } = {}) {
  turn += 1;
  last = asked();
  stale = new Set(names());
  bands?.stop.abort();
  bands = null;
  envelope.older();
  bench.keep();
  showTried();
  if (!same) unjudged("bands follow", "Being worked out.");
  clearTimeout(waiting);
  waiting = 0;
  askMiddle();
  if (rests) askBands();
}

/** The hand let go of what was asked for already: only the bands are wanting. */
function rested() {
  if (last !== asked() || !at("trouble").hidden) { moved({ rests: true }); return; }
  if (!bands && !(painted.turn === turn && painted.bands)) askBands();
}

async function askMiddle() {
  if (middle) {
    const left = middle.at + PATIENCE - performance.now();
    if (left > 0) { middle.again ??= setTimeout(askMiddle, left); return; }
    middle.stop.abort();
  }
  const mine = middle = { turn, at: performance.now(), stop: new AbortController() };
  await question(mine, false, seen(), envelope.open());
  clearTimeout(mine.again);
  if (middle !== mine) return;
  middle = null;
  if (mine.turn < turn) askMiddle();
  else if (!bands && (!painted.bands || stale.size)) waiting = setTimeout(askBands, REST);
}

async function askBands() {
  clearTimeout(waiting);
  bands?.stop.abort();
  const mine = bands = { turn, stop: new AbortController() };
  // what is in sight first: the verdict need not wait for drawings that nobody looks at
  await question(mine, true, seen(), envelope.open());
  if (bands === mine && painted.turn === mine.turn && painted.bands) {
    await question(mine, true, names().filter((name) => stale.has(name)), true);
  }
  if (bands === mine) bands = null;
}

async function question(mine, whole, figures, points) {
  try {
    const row = await ask("GET", address(whole, figures, points), undefined, { signal: mine.stop.signal });
    paint(row, mine.turn);
  } catch (fault) {
    if (fault.name === "AbortError" || mine.turn < turn) return;
    trouble(fault);
  }
}

function paint(row, of) {
  const whole = row.level === "bands";
  if (of < painted.turn || (of === painted.turn && painted.bands && !whole)) return;
  const first = of !== painted.turn || !painted.bands;
  painted.turn = of;
  painted.bands = whole;
  at("trouble").hidden = true;
  if (whole && of === turn && row.revision !== revision) changedOutside(row.revision);
  for (const [name, drawing] of Object.entries(row.figures)) {
    document.querySelector(`#${name} .drawing`).innerHTML = drawing; // drawn and escaped by the server
    if (of === turn) stale.delete(name);
  }
  for (const name of names()) at(name).classList.toggle("stale", stale.has(name));
  if ((whole && first) || judged !== asked()) verdict(row, whole && of === turn);
  if (row.map) envelope.data(row);
  if (whole && first && of === turn) {
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
    if (one.now) {
      const mine = Object.assign(document.createElement("button"), { type: "button", className: "plain gone", textContent: "keep mine" });
      mine.setAttribute("aria-label", `keep mine: ${one.words}`);
      mine.addEventListener("click", () => { one.mine(); showTried(); });
      line.append(Object.assign(document.createElement("p"), { className: "fault", textContent: one.now }), mine);
    }
    return line;
  }));
}

async function apply() {
  const button = at("apply");
  button.disabled = true;
  try {
    const variant = bench.variant();
    const row = await ask("POST", `/api/car/${car}/check/apply`, { ...variant, seen: bench.seen(), revision: known });
    revision = row.revision;
    bench.forget();
    sessionStorage.setItem(`applied:${car}`, `Written into the build: ${row.written.length} keys. Undo is on Parts.`);
    location.reload();
  } catch (fault) {
    if (fault.row?.kind === "stale") await renewed();
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
  renewed();
}

/** The sliders as the build stands now; what is tried here is kept, and marked where both changed. */
async function renewed() {
  try {
    const row = await ask("GET", `/api/car/${car}/check/tries`);
    if (row.revision === known) return;
    const other = bench.renew(row);
    known = row.revision;
    showTried();
    say(`The build was changed elsewhere; this is the answer for it.${other ? " Reload to see all that can be tried now." : ""}`, 12);
  } catch (fault) { if (!(fault instanceof Unreachable)) say(inWords(fault), 12); }
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
// on a phone the verdict stays above what is set, and goes with it
new IntersectionObserver(([row]) => root.classList.toggle("past", !row.isIntersecting && row.boundingClientRect.top < 0), { rootMargin: "-150px 0px 0px" }).observe(at("bench"));

bench.start((rests) => (rests ? rested() : moved()));
document.addEventListener("units", () => { showTried(); pinned.live(bench.variant()); });
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
