// The entry of a reading: what and in which state -> number pad -> done. What is asked beside the
// number comes from data (#sheet); what is typed is kept on this device until it is in the outbox.

import { Refused, ask, car, inWords, say } from "./core.js";
import * as outbox from "./outbox.js";

const id = (name) => document.getElementById(name);
const sheet = JSON.parse(id("sheet").textContent);
const dialog = id("entry"), value = id("value"), done = id("entry-done");
const MORE = [...id("entry-more").querySelectorAll("input")];
const FIRST = 8; // buttons before "More kinds"
const KEYS = ["1", "2", "3", "4", "5", "6", "7", "8", "9", ".", "0", "⌫"];
let now = null; // {kind, state, said, unit, text, asks, correct}
let active = value, more = false, sending = false, asked = 0;

export function node(tag, words = "", said = {}) {
  const made = document.createElement(tag);
  if (words) made.textContent = words;
  for (const [name, text] of Object.entries(said)) made.setAttribute(name, text);
  if (tag === "button" && !said.type) made.type = "button";
  return made;
}
const remembered = {
  get(name) { try { return localStorage.getItem(name); } catch { return null; } },
  set(name, text) {
    try { if (text === null) localStorage.removeItem(name); else localStorage.setItem(name, text); return true; }
    catch { return false; }
  },
};

// One draft per tab, so that two tabs never write over each other; a closed tab's is offered too.
const DRAFTS = `entry:${car}:`;
const MINE = DRAFTS + tab();
function tab() {
  try { return sessionStorage.tab ??= String(Date.now()); } catch { return "page"; }
}
function drafts() {
  let names = [];
  try { names = Object.keys(localStorage).filter((name) => name.startsWith(DRAFTS)); } catch { /* none kept */ }
  return names.sort((a, b) => (b === MINE) - (a === MINE))
    .map((name) => { try { return { name, ...JSON.parse(remembered.get(name)) }; } catch { return null; } })
    .filter((row) => row && sheet.kinds[row.kind]);
}
/** The draft of an unfinished reading, or null. */
export const draft = () => drafts()[0] ?? null;
const forget = () => { remembered.set(MINE, null); document.dispatchEvent(new Event("outbox")); };
function keep() {
  const kept = remembered.set(MINE, JSON.stringify(now));
  id("entry-state").textContent = kept ? "on this device, not in the journal" : "this browser keeps nothing: finish before you leave the page";
}
const wordsOf = (row) => (row.test ? ofTest(row.test) : null)?.words ?? sheet.buttons.find((b) => b.kind === row.kind && b.state === row.state &&
  !b.said.lent && (b.said.reference ?? null) === (row.said.reference === "off" ? "off" : null))?.words ?? `${sheet.kinds[row.kind].words}, ${row.state}`;

// --- first step: what is read --------------------------------------------------------------------
function pick() {
  now = null;
  step("pick", "What do you read?");
  const wanted = [...document.querySelectorAll("#answer [data-test]")].map((b) => b.dataset.test);
  const rank = (b) => { const at = wanted.indexOf(b.test); return at < 0 ? wanted.length : at; };
  const rows = [...sheet.buttons].sort((a, b) => rank(a) - rank(b));
  id("pick-list").replaceChildren(...rows.slice(0, more ? rows.length : FIRST).map((row) => {
    const [kind, ...rest] = row.words.split(", ");
    const button = node("button", "", { "data-words": row.words });
    button.append(node("strong", kind), node("span", rest.join(", ")));
    button.addEventListener("click", () => begin(row));
    return button;
  }));
  id("pick-more").hidden = more || rows.length <= FIRST;
}
id("pick-more").addEventListener("click", () => { more = true; pick(); id("pick-list").children[FIRST].focus(); });

function begin(row) {
  // what was renewed before is renewed still, unless it is typed otherwise
  const renewed = id("listed")?.dataset.renewed, said = renewed ? { renewed, ...row.said } : { ...row.said };
  now = { kind: row.kind, state: row.state, said, test: row.test ?? null, text: row.text ?? "", asks: {}, correct: row.correct ?? null,
    unit: row.unit ?? remembered.get(`pad:${sheet.kinds[row.kind].quantity}`) };
  type();
}

// --- second step: the number -----------------------------------------------------------------------
function type() {
  const kind = sheet.kinds[now.kind];
  step("type", wordsOf(now));
  const isYesNo = kind.quantity === "yes_no";
  id("entry-value").hidden = isYesNo;
  done.hidden = isYesNo;
  if (!kind.units.some((u) => u.word === now.unit)) now.unit = kind.units[0]?.word ?? "";
  id("value-label").textContent = now.correct ? `In place of reading ${now.correct}` : kind.meaning;
  id("entry-caution").textContent = `Caution: ${kind.caution}`;
  id("entry-caution").hidden = false;
  asks(kind, isYesNo);
  value.value = now.text;
  for (const input of MORE) input.value = now.said[input.name] ?? "";
  if (!now.said.instrument && /pressure/.test(kind.quantity)) {
    const instrument = remembered.get(`instrument:${kind.quantity}`);
    if (instrument) { now.said.instrument = instrument; id("said-instrument").value = instrument; }
  }
  id("entry-units").hidden = kind.units.length < 2;
  id("entry-units").replaceChildren(...kind.units.map((unit) => {
    const button = node("button", unit.shown, { "aria-pressed": String(unit.word === now.unit) });
    button.addEventListener("click", () => { now.unit = unit.word; remembered.set(`pad:${kind.quantity}`, unit.word); type(); });
    return button;
  }));
  id("value-unit").textContent = kind.units.find((unit) => unit.word === now.unit)?.shown ?? "";
  fault("");
  should();
  keep();
  active = value;
  if (isYesNo) id("entry-asks").querySelector("button")?.focus(); else value.focus();
}

/** Conditions, only those that the kind needs in this state. */
function asks(kind, isYesNo) {
  const box = id("entry-asks");
  box.replaceChildren();
  if (kind.hose.includes(now.state) && !sheet.buttons.some((b) => b.test === now.test && b.said.reference)) {
    choice(box, "Reference hose", "reference", [["on", "Hose on"], ["off", "Hose off, plugged"]]);
  }
  if (kind.speed.includes(now.state)) field(box, "rpm", "Engine speed [rev/min]");
  if (kind.needs.includes("pressure")) field(box, "pressure", `Pressure ${kind.pressure}`, ["psi", "kPa", "bar"]);
  if (kind.needs.includes("duration")) field(box, "seconds", "Time [s]");
  if (isYesNo) {
    const row = node("div", "", { class: "row yes-no", role: "group", "aria-label": kind.meaning });
    box.append(node("p", kind.meaning));
    for (const word of ["Yes", "No"]) {
      const button = node("button", word);
      button.addEventListener("click", () => { now.text = word.toLowerCase(); finish(); });
      row.append(button);
    }
    box.append(row);
  }
}

function choice(box, words, name, pairs) {
  const row = node("div", "", { class: "row", role: "group", "aria-label": words });
  row.append(...pairs.map(([text, shown]) => {
    const button = node("button", shown, { "aria-pressed": String(now.said[name] === text) });
    button.addEventListener("click", () => { now.said[name] = text; type(); });
    return button;
  }));
  box.append(row);
}

function field(box, name, words, units = null) {
  const input = node("input", "", { id: `ask-${name}`, inputmode: "none", maxlength: "60" });
  const [number, unit] = (now.asks[name] ?? now.said[name] ?? "").split(" ");
  input.value = number ?? "";
  const row = node("div", "", { class: "row ask" });
  row.append(input);
  const write = () => { now.asks[name] = [input.value.trim(), list?.value].filter(Boolean).join(" "); if (!input.value.trim()) now.asks[name] = ""; keep(); should(); };
  let list = null;
  if (units) {
    list = node("select", "", { "aria-label": `Unit: ${words}` });
    for (const word of units) list.add(new Option(word, word));
    list.value = units.includes(unit) ? unit : (units.includes(now.unit) ? now.unit : units[0]);
    list.addEventListener("change", write);
    row.append(list);
  }
  input.addEventListener("input", write);
  box.append(node("label", words, { for: input.id }), row);
}

/** What the model expects, said before one reads. */
async function should() {
  const mine = ++asked, kind = sheet.kinds[now.kind], line = id("entry-should");
  line.textContent = "";
  if (kind.quantity === "yes_no") return;
  const said = { kind: now.kind, state: now.state, ...now.said, ...now.asks };
  const query = new URLSearchParams();
  for (const name of ["kind", "state", "reference", "rpm", "pressure", "seconds"]) if (said[name]) query.set(name, said[name]);
  try {
    const { expected } = await ask("GET", `/api/car/${car}/read/expected?${query}`);
    if (mine !== asked || !now) return;
    const band = expected[now.unit];
    if (!band) return;
    const unit = kind.units.find((row) => row.word === now.unit).shown;
    const wide = band[1] - band[0] > 0.5 * Math.max(Math.abs(band[0]), Math.abs(band[1]));
    line.textContent = wide ? `anything from ${band[0]} to ${band[1]} ${unit} is possible` : `should show ${band[0]} to ${band[1]} ${unit}`;
  } catch { if (mine === asked) line.textContent = ""; } // without connection nothing is expected aloud
}

id("pad").append(...KEYS.map((key) => {
  const button = node("button", key, key === "⌫" ? { "aria-label": "Delete the last digit" } : {});
  button.addEventListener("click", () => {
    active.value = key === "⌫" ? active.value.slice(0, -1) : active.value + key;
    active.dispatchEvent(new Event("input", { bubbles: true }));
  });
  return button;
}));
dialog.addEventListener("focusin", (event) => { if (event.target.inputMode === "none") active = event.target; });
value.addEventListener("input", () => { now.text = value.value; keep(); });
for (const input of MORE) {
  input.addEventListener("input", () => {
    now.said[input.name] = input.value;
    if (input.name === "instrument") remembered.set(`instrument:${sheet.kinds[now.kind].quantity}`, input.value || null);
    keep();
  });
}

function fault(words, key = "") {
  id("entry-fault").textContent = words;
  id("entry-fault").hidden = !words;
  for (const input of dialog.querySelectorAll("[aria-invalid]")) input.removeAttribute("aria-invalid");
  const at = key === "none" ? null : id(`ask-${key}`) ?? id(`said-${key}`) ?? (words ? value : null);
  if (at?.closest("#entry-more")) id("entry-more").open = true;
  if (at && words) { at.setAttribute("aria-invalid", "true"); at.setAttribute("aria-describedby", "entry-fault"); at.focus(); at.scrollIntoView({ block: "center" }); }
}

// --- third step: done --------------------------------------------------------------------------------
async function finish() {
  if (sending || !now) return;
  if (!now.text.trim()) return fault("Type what it shows.");
  // asked here already, so that it is not found out only when the connection is back
  if (sheet.kinds[now.kind].hose.includes(now.state) && !now.said.reference) return fault("Was the reference hose on or off?", "none");
  const empty = [...id("entry-asks").querySelectorAll("input")].find((input) => !input.value.trim());
  if (empty) return fault(`${empty.labels[0].textContent}?`, empty.id.slice(4));
  const typed = { kind: now.kind, value: `${now.text.trim()} ${now.unit}`.trim(), state: now.state };
  for (const [name, text] of Object.entries({ ...now.said, ...now.asks })) if (text?.trim()) typed[name] = text.trim();
  sending = true;
  done.disabled = true;
  try { await (now.correct ? correct(typed) : store(typed)); }
  catch (refused) {
    const { problem, do: advice, where } = refused.row ?? {};
    // the nearest word is help enough: the whole list would cover the field
    fault(advice?.startsWith("did you mean") ? `${problem}; ${advice}` : inWords(refused), where?.key);
  }
  finally { sending = false; done.disabled = false; }
}

async function store(typed) {
  const name = outbox.add(typed, wordsOf(now));
  let answer = null;
  const hear = (event) => { if (event.detail.item.token === name) answer = event.detail.answer; };
  document.addEventListener("sent", hear);
  await outbox.flush();
  document.removeEventListener("sent", hear);
  const left = outbox.all().find((item) => item.token === name);
  if (left?.fault) {
    outbox.drop(name);
    throw new Refused(422, left.fault);
  }
  forget();
  if (!answer && left) { close(); return say("No connection: the reading is on this device, not in the journal yet."); }
  after(answer);
}

async function correct(typed) {
  const answer = await ask("POST", `/api/car/${car}/read/${now.correct}/correct`, typed);
  forget();
  after(answer);
}

/** What the server says of a stored reading: kept, or a slip suspected aloud. */
export function after(answer) {
  document.dispatchEvent(new Event("stored"));
  if (answer?.reading.status !== "suspected") { close(); return say(answer ? `In the journal as reading ${answer.reading.id}.` : "In the journal."); }
  const { reading, meant } = answer;
  step("asked", "Is that the unit you meant?");
  id("asked-words").textContent = `Reading ${reading.id} is kept apart until you say which: ${reading.suspicion}.`;
  const right = node("button", `Right as typed: ${reading.typed}`), other = node("button", `It was ${meant}`, { class: "main" });
  right.addEventListener("click", () => decide(reading.id, null));
  other.addEventListener("click", () => decide(reading.id, meant));
  id("asked-buttons").replaceChildren(right, ...(meant ? [other] : []));
}

async function decide(number, meant) {
  try {
    await ask("POST", `/api/car/${car}/read/${number}/confirm`, { meant });
    document.dispatchEvent(new Event("stored"));
    close();
    say("Kept.");
  } catch (refused) { say(inWords(refused)); }
}

function step(name, title) {
  for (const part of ["pick", "type", "asked"]) id(part).hidden = part !== name;
  id("entry-title").textContent = title;
  if (!dialog.open) dialog.showModal();
  if (name !== "type") id("entry-title").focus();
  dialog.scrollTop = 0;
}
function close() { now = null; dialog.close(); }

id("entry-form").addEventListener("submit", (event) => { event.preventDefault(); finish(); });
id("entry-close").addEventListener("click", () => dialog.close());
id("entry-back").addEventListener("click", () => { forget(); pick(); });

/** Open the entry: empty, at the reading of a test, or at a draft. */
export function open(row = null) { if (row) begin(row); else pick(); }
export function goOn() {
  const found = draft();
  if (!found) return pick();
  const { name, ...row } = found;
  remembered.set(name, null); // from here on it is this tab's
  now = row;
  type();
}
export const ofTest = (name) => sheet.buttons.find((row) => row.test === name) ?? null;
