// The build sheet: what is typed is tried while typing, sent on Enter or on leaving the field, and
// kept on this device until the build has it. After a reload or a lost connection nothing is sent
// by itself: a bar says what waits here, and the user sends or drops it.

import { ask, car, inWords, onLive, Refused, say, Unreachable } from "./core.js";
import { bind } from "./drafts.js";
import "./units.js";
import { tabled } from "./curve.js";

const TRY_AFTER = 250;               // ms the hand rests before what is typed is tried
const at = `/api/car/${car}/parts`;
const id = (name) => document.getElementById(name);
const fields = new Map();
let revision = document.body.dataset.revision;

// --- fields --------------------------------------------------------------------------------------
class Field {
  constructor(box) {
    this.box = box;
    this.key = box.dataset.key;
    this.at = this.key.replaceAll(" ", "-"); // of its elements
    this.seen = box.dataset.seen;
    this.group = box.closest(".table");
    this.held = {};
    this.waits = false;              // a draft from before: sent by the user only
    this.torn = false;               // the build says something else by now: the user chooses
    const own = box.querySelector(".value");
    const extra = { grade: ".grade", spread: ".spread", source: ".source" };
    this.add("value", own, id(`s-${this.at}`));
    for (const [name, where] of Object.entries(extra)) {
      const input = box.querySelector(where);
      if (input) this.add(name, input, document.createElement("span"));
    }
    if (box.dataset.kind === "curve") this.table = tabled(own, this.key);
    this.paint();
  }
  add(name, input, chip) {
    const held = bind(input, name === "value" ? this.key : `${this.key}/${name}`, {
      chip, stamp: this.seen, onRestore: () => { this.waits = true; },
    });
    if (held.stamp !== undefined && held.isDraft) this.seen = held.stamp;
    this.held[name] = held;
    input.addEventListener("input", () => { this.torn = false; this.paint(); tryLater(); });
    input.addEventListener("change", () => { this.paint(); this.send(); });
  }
  get drafts() { return Object.entries(this.held).filter(([, held]) => held.isDraft); }
  /** A table with a row that is not typed out yet: kept here, neither tried nor sent. */
  get half() { return Boolean(this.table?.half()); }
  get isDraft() { return this.drafts.length > 0; }
  edit(confirmed = false) {
    const row = { key: this.key, value: this.held.value.get(), seen: this.seen, entry: this.group.dataset.title };
    if (!row.value.trim()) row.value = null;
    for (const name of ["grade", "spread", "source"]) {
      if (this.held[name]?.isDraft) row[name] = this.held[name].get();
    }
    return confirmed ? { ...row, confirmed } : row;
  }
  saw(text) {
    this.seen = text;
    for (const held of Object.values(this.held)) held.stamp = text;
  }
  paint() {
    this.box.classList.toggle("changed", this.isDraft);
    bar();
  }
  async send(confirmed = false) {
    if (!this.isDraft || this.half) return this.fault(null);
    this.waits = this.torn = false;
    await deliver([this], confirmed);
  }
  /** The build has what was sent; what was typed on meanwhile stays a draft. */
  kept(sent) {
    for (const [name, text] of sent) this.held[name].kept(text);
    this.fault(null);
    this.paint();
  }
  drop() {
    for (const [, held] of this.drafts) held.drop();
    this.table?.show();
    this.fault(null);
    this.paint();
  }
  fault(row) {
    const line = id(`e-${this.at}`), input = this.held.value.input;
    line.hidden = !row;
    line.replaceChildren();
    input.toggleAttribute("aria-invalid", Boolean(row));
    if (row) input.setAttribute("aria-invalid", "true");
    this.table?.invalid(Boolean(row));
    if (!row) return;
    const spread = this.held.spread?.input;
    const inSpread = Boolean(spread?.value) && (row.typed === spread.value || row.where?.key?.endsWith(".spread"));
    if (inSpread) spread.closest("details").open = true;
    const words = [row.problem, inSpread && `spread: ${spread.value}`,
      row.accepted && `accepted: ${row.accepted}`].filter(Boolean);
    const advice = row.do?.includes("confirmed = true") ? "" : row.do;
    line.append([...words, advice].filter(Boolean).join("; "));
    if (row.do?.includes("confirmed = true")) line.append(" ", press("It is really so", () => this.send(true)));
  }
  /** What the build says now, where nothing is being typed. */
  refresh(row) {
    if (this.isDraft) return;
    this.saw(row.seen);
    if (this.box.contains(document.activeElement)) return;
    set(this.held.value, row.text);
    if (this.held.grade) set(this.held.grade, row.given && row.grade_said ? row.grade : "");
    if (this.held.spread) set(this.held.spread, row.spread);
    if (this.held.source) set(this.held.source, row.source);
    const assumed = this.box.querySelector(".assumed");
    assumed.hidden = row.given || !row.default;
    this.table?.show();
  }
}

function set(held, text) {
  held.seen = text;
  held.put(text);
}

function press(words, act) {
  const button = document.createElement("button");
  button.type = "button";
  button.textContent = words;
  button.addEventListener("click", act);
  return button;
}

const drafts = () => [...fields.values()].filter((field) => field.isDraft);

// --- sending -------------------------------------------------------------------------------------
let queue = Promise.resolve();
/** One after the other: an edit is judged on the build that the one before it left. */
function deliver(some, confirmed = false) {
  queue = queue.then(() => delivered(some.filter((field) => field.isDraft && !field.half), confirmed)).catch((fault) => {
    say(inWords(fault));
  });
  return queue;
}

async function delivered(some, confirmed) {
  if (!some.length) return;
  const edits = some.map((field) => field.edit(confirmed));
  const sent = some.map((field) => field.drafts.map(([name, held]) => [name, held.get()]));
  try {
    const answer = await ask("POST", at, { edits, revision });
    some.forEach((field, n) => field.kept(sent[n]));
    if (some.some((field) => field.held.value.input.hasAttribute("data-part"))) return again();
    accept(answer, some);
  } catch (fault) {
    if (fault instanceof Unreachable) {
      for (const field of some) field.waits = true;
      bar();
      say("No connection: what you typed is kept on this device.");
    } else if (fault instanceof Refused && fault.status === 409) {
      stale(fault.row, some);
    } else if (fault instanceof Refused) {
      const mates = drafts().filter((field) => field.group === some[0].group && !field.waits && !field.half);
      if (some.length === 1 && mates.length > 1) return delivered(mates, confirmed);
      faulty(fault.row.faults ?? [fault.row], some);
    } else throw fault;
  }
}

/** Faults at their fields; what belongs to no field that is shown goes to the first one sent. */
function faulty(rows, some) {
  some = some.filter((field) => !field.torn);
  for (const field of some) field.fault(null);
  const [first] = some;
  for (const row of rows) {
    const key = row.where?.key ?? "";
    const home = fields.get(key) ?? fields.get(key.replace(/\.(spread|grade|source)$/, ""));
    if (home?.torn) continue;
    if (home && home.isDraft) home.fault(row);
    else first?.fault({ ...row, problem: key && key !== first.key ? `${key}: ${row.problem}` : row.problem });
  }
}

function stale(row, some) {
  const field = fields.get(row.where?.key) ?? some[0];
  field.torn = true;
  const line = id(`e-${field.at}`);
  line.hidden = false;
  line.replaceChildren();
  const box = document.createElement("span");
  box.className = "choice";
  const now = row.now || "left out";
  const mine = field.held.value.get() || "left out";
  box.append(`Changed meanwhile. In the build now: ${now}. Typed here: ${mine}. `);
  box.append(press("Keep what is in the build", async () => { field.drop(); await again(); }), " ");
  box.append(press("Write what I typed", () => {
    field.saw(row.now ?? "");
    revision = row.revision;
    field.send();
  }));
  line.append(box);
  line.scrollIntoView({ block: "center" });
}

/** Take in an answer: revision, every field that is not being typed in, drawing, undo. */
function accept(answer, sent = []) {
  if (leaving) return;
  if (shape(answer) !== drawnShape()) return again();
  revision = answer.revision;
  document.body.dataset.revision = revision;
  for (const section of answer.sections) {
    for (const group of section.groups) {
      for (const row of group.entries) {
        const field = fields.get(row.key);
        if (!field) continue;
        if (sent.includes(field)) field.saw(row.seen);
        field.refresh(row);
      }
    }
  }
  turns(answer);
  if (!drafts().length) draw(answer.drawings);
  id("broken").hidden = !answer.faults.length;
  id("faults").replaceChildren(...answer.faults.map((row) => {
    const item = document.createElement("li");
    item.textContent = [row.where?.key, row.problem, row.do].filter(Boolean).join(": ");
    return item;
  }));
  gists();
}

/** Which tables there are: when that changes the page is made anew. */
const shape = (answer) => answer.sections.flatMap(
  (section) => section.groups.filter((group) => group.base && group.entries.length).map((group) => `${group.base}:${group.title}`)).sort().join();
const drawnShape = () => [...document.querySelectorAll(".table")].filter((box) => box.dataset.base)
  .map((box) => `${box.dataset.base}:${box.dataset.title}`).sort().join();

/** The page once more, where it was; what is typed comes back as drafts. */
let leaving = false;
function again() {
  if (leaving) return;
  leaving = true;
  sessionStorage.setItem("parts-open", JSON.stringify({
    y: scrollY, open: [...document.querySelectorAll(".table[open]")].map((box) => box.id) }));
  location.reload();
}

// --- trying while typing ---------------------------------------------------------------------------
let timer = 0, running = null;
function tryLater() {
  clearTimeout(timer);
  timer = setTimeout(tryNow, TRY_AFTER);
}
async function tryNow() {
  const some = drafts().filter((field) => !field.half);
  for (const field of drafts()) if (field.half) field.fault(null);
  running?.abort();
  running = new AbortController();
  try {
    const edits = some.map((field) => field.edit());
    const answer = await ask("POST", `${at}?try=1`, { edits, revision }, { signal: running.signal });
    draw(answer.drawings);
    faulty(answer.faults, some);
  } catch (fault) {
    if (fault.name !== "AbortError" && !(fault instanceof Unreachable)) say(inWords(fault));
  }
}

// --- drawing -------------------------------------------------------------------------------------
function draw(drawings) {
  id("drawing-wide").innerHTML = drawings.wide;
  id("drawing-narrow").innerHTML = drawings.narrow;
}
function go(base) {
  const box = id(`t-${base}`);
  if (!box) return;
  box.open = true;
  box.scrollIntoView({ block: "start" });
  box.querySelector("summary").focus({ preventScroll: true });
}
document.getElementById("main").addEventListener("click", (event) => {
  const spot = event.target.closest("[data-to]");
  const link = event.target.closest("a[href^='#t-']");
  if (!spot && !link) return;
  event.preventDefault();
  go(spot ? spot.dataset.to : decodeURIComponent(link.getAttribute("href").slice(3)));
});

/** The first typed numbers of a table beside its title, and its number in the drawing. */
function gists() {
  for (const box of document.querySelectorAll(".table")) {
    const typed = [...box.querySelectorAll(".field .value")]
      .filter((input) => input.value && !input.dataset.part && !/\.(part|label)$/.test(input.id));
    box.querySelector(".gist").textContent = typed.slice(0, 3)
      .map((input) => input.value.split("\n")[0].slice(0, 40)).join(", ");
    const link = document.querySelector(`.numbers a[href="#t-${CSS.escape(box.dataset.base)}"] b`);
    box.querySelector(".no").textContent = link?.textContent ?? "";
  }
}

// --- undo, redo, lists -----------------------------------------------------------------------------
function turns(answer) {
  for (const act of ["undo", "redo"]) {
    const button = id(act), row = answer[act];
    button.disabled = !row;
    button.dataset.id = row?.id ?? "";
    button.textContent = (act === "undo" ? "Undo" : "Redo") + (row ? `: ${row.words}` : "");
  }
  bar();
}
for (const act of ["undo", "redo"]) {
  id(act).addEventListener("click", async () => {
    try {
      const answer = await ask("POST", `${at}/${act}`, { id: Number(id(act).dataset.id) || null });
      say(`${act === "undo" ? "Taken back" : "Made again"}: ${answer.turned}`);
      accept(answer);
    } catch (fault) { say(inWords(fault), 12); }
  });
}
document.querySelector(".sheet").addEventListener("click", async (event) => {
  const button = event.target.closest("[data-act]");
  if (!button) return;
  const box = button.closest(".table"), act = button.dataset.act;
  const name = button.dataset.list ?? box.dataset.base.split(".")[0];
  if (drafts().some((field) => field.key.startsWith(`${name}.`))) {
    return say("Send or drop what is typed in this list first.");
  }
  const count = document.querySelectorAll(`[data-section="${name}"] .table`).length;
  const number = Number(box?.dataset.base.split(".")[1] ?? 0);
  const row = { operation: "move", key: box?.dataset.base ?? `${name}.${count + 1}`, revision };
  if (act === "up") row.to = number - 1;
  if (act === "down") row.to = number + 1;
  if (row.to === 0 || row.to > count) return say("It stands at the end already.");
  if (act === "take") row.operation = "take";
  if (act === "add") {
    row.operation = "add";
    const part = document.querySelector(`[data-add="${name}"]`);
    if (part) row.part = part.value;
  }
  try {
    await ask("POST", `${at}/list`, row);
    again();
  } catch (fault) { say(inWords(fault), 12); }
});

// --- what waits on this device --------------------------------------------------------------------
function bar() {
  const waiting = [...fields.values()].filter((field) => field.isDraft && field.waits);
  const line = id("unsent");
  line.hidden = !waiting.length;
  id("send").hidden = id("forget").hidden = !waiting.length;
  line.textContent = waiting.length
    ? `On this device only, not in the build: ${waiting.map((field) => field.key).join(", ")}` : "";
  id("bar").hidden = !waiting.length && id("undo").disabled && id("redo").disabled;
}
id("send").addEventListener("click", async () => {
  for (const field of drafts().filter((one) => one.waits)) await field.send();
});
id("forget").addEventListener("click", () => {
  for (const field of drafts().filter((one) => one.waits)) field.drop();
  tryNow();
});

// --- start -----------------------------------------------------------------------------------------
for (const box of document.querySelectorAll(".field")) {
  if (box.dataset.kind === "foreign") continue;
  const field = new Field(box);
  fields.set(field.key, field);
}
gists();
bar();
for (const field of drafts()) field.group.open = true;
const before = JSON.parse(sessionStorage.getItem("parts-open") ?? "null");
sessionStorage.removeItem("parts-open");
if (before) {
  for (const name of before.open) { const box = id(name); if (box) box.open = true; }
  scrollTo(0, before.y);
} else if (location.hash.startsWith("#t-")) go(decodeURIComponent(location.hash.slice(3)));
if (drafts().length) tryNow();
onLive("build", async (news) => {
  if (news.revision === revision) return;
  try { accept(await ask("GET", at)); } catch { /* the next event tells again */ }
});
document.body.dataset.ready = "yes";
