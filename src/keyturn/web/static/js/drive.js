// Drive: hold points, timers, open items, the ladder. What is typed is a draft on this device until
// it is recorded; what is recorded goes through an outbox and is sent until the journal has it.

import { Refused, ask, car, inWords, onLive, say } from "./core.js";
import { box } from "./outbox.js";
import { choose, paint, ready, unitOf } from "./units.js";

const id = (name) => document.getElementById(name);
const api = `/api/car/${car}`;
const clockOf = (at) => new Date(at).toLocaleTimeString([], { hour: "2-digit", minute: "2-digit", hour12: false });
const node = (tag, text = "", said = {}) => Object.assign(document.createElement(tag), { textContent: text, ...said });
const sent = box(`drive:${car}:`, (item, signal) => {
  const { path, body } = item.typed;
  // a wait ends when it was typed, not when the connection came back
  const age = path === "steps/record" ? { age: Math.max(0, (Date.now() - item.at) / 1000) } : {};
  return ask("POST", `${api}/${path}`, { ...body, ...age, token: item.token }, { signal });
});
const token = () => [...crypto.getRandomValues(new Uint8Array(16))].map((n) => n.toString(16).padStart(2, "0")).join("");

// --- kept on this device -----------------------------------------------------------------------
const NOTE = `typed:${car}:`;
const load = (key) => { try { return JSON.parse(localStorage.getItem(NOTE + key)); } catch { return null; } };
function keep(key, row) {
  try {
    if (row === null) localStorage.removeItem(NOTE + key); else localStorage.setItem(NOTE + key, JSON.stringify(row));
    return true;
  } catch { return false; }
}
const FORMS = "form[data-record], form[data-climb], form[data-override], form[data-close]";
const keyOf = (form) => ["record", "climb", "override", "close"].map((kind) => form.dataset[kind] && `${kind}:${form.dataset[kind]}`).find(Boolean);
const inputs = (form) => [...form.querySelectorAll("input, select")];
const nameOf = (input) => (input.type === "radio" ? input.name : input.id || `unit:${input.previousElementSibling.id}`);

/** What a form holds, by name of its inputs; null when nothing was typed. */
function held(form) {
  const row = {};
  let typed = false;
  for (const input of inputs(form)) {
    if (input.type === "radio") { if (input.checked) { row[input.name] = input.value; typed = true; } continue; }
    row[nameOf(input)] = input.value;
    if (input.tagName === "INPUT" ? input.value : input.matches("[data-keep]") && !input.selectedOptions[0].defaultSelected) typed = true;
  }
  return typed ? row : null;
}

function put(form, row) {
  for (const input of inputs(form)) {
    const value = row?.[nameOf(input)];
    if (input.type === "radio") input.checked = input.value === value;
    else if (value !== undefined) input.value = value;
    else if (input.tagName === "INPUT") input.value = "";
  }
}

function chip(form) {
  const mark = form.querySelector("[data-chip]");
  if (mark) mark.hidden = !held(form);
}

function restore(root) {
  for (const list of root.querySelectorAll("select[data-unit]")) list.value = unitOf(list.dataset.quantity)?.word.replace(/^-$/, "") ?? list.value;
  for (const form of root.querySelectorAll(FORMS)) {
    const row = load(keyOf(form));
    if (row) put(form, row);
    chip(form);
  }
  for (const tick of root.querySelectorAll("[data-here]")) tick.checked = (load("here") ?? []).includes(tick.dataset.here);
  able();
}

document.addEventListener("input", (event) => {
  const form = event.target.closest(FORMS);
  if (form) { keep(keyOf(form), held(form)); chip(form); tick(); }
});
document.addEventListener("change", (event) => {
  const { target } = event;
  if (target.matches("select[data-unit]")) choose(target.dataset.quantity, target.value || "-");
  if (target.matches("[data-here]")) {
    keep("here", [...document.querySelectorAll("[data-here]:checked")].map((one) => one.dataset.here));
    able();
  }
});

// --- here and now --------------------------------------------------------------------------------
function able() {
  const here = load("here") ?? [...document.querySelectorAll("[data-here]:checked")].map((one) => one.dataset.here);
  const rows = [...document.querySelectorAll("#tasks li[data-needs]")];
  let count = 0;
  for (const row of rows) {
    const lacks = row.dataset.needs.split(" ").filter((need) => need && !here.includes(need));
    row.classList.toggle("not-here", lacks.length > 0);
    if (!lacks.length) count += 1;
  }
  rows.sort((a, b) => a.classList.contains("not-here") - b.classList.contains("not-here")).forEach((row) => row.parentNode.append(row));
  if (id("able")) id("able").textContent = `Here and now: ${count} thing${count === 1 ? "" : "s"}. Dotted: something is not here.`;
}

// --- timers: the beginning is in the journal, this only counts on from it --------------------------
// [s] of the server's clock before ours; every answer says too little by its way here, so the most counts
let ahead = -Infinity;
const minutes = (seconds) => `${Math.floor(seconds / 60)}:${String(Math.floor(seconds % 60)).padStart(2, "0")}`;

function tick() {
  const now = Date.now() / 1000 + (Number.isFinite(ahead) ? ahead : 0);
  for (const row of document.querySelectorAll("[data-timer]")) {
    const { started, ended, hold } = row.dataset;
    const rule = hold && document.querySelector(`#r-${hold}-rule option:checked`)?.dataset.seconds;
    const wanted = Number(rule || row.dataset.seconds);
    const words = row.querySelector("[data-left]");
    if (!started) { words.textContent = `of ${minutes(wanted)}, not begun`; continue; }
    const gone = Math.max(0, (ended ? Number(ended) : now) - Number(started)), left = wanted - gone;
    row.querySelector("[data-clock]").textContent = minutes(gone);
    words.textContent = left <= 0 ? `has run down (${minutes(wanted)})`
      : ended ? `ended ${minutes(left)} short by the next timer` : `${minutes(left)} left of ${minutes(wanted)}`;
    if (left <= 0 && row.dataset.over === "no") { say(`${row.firstElementChild.textContent}: the time has run down`); navigator.vibrate?.([200, 100, 200]); }
    row.dataset.over = left <= 0 ? "yes" : "no";
    const form = row.closest(".stage").querySelector("form[data-record]"), wait = form?.querySelector("[data-wait]");
    if (wait && !ended) {
      wait.hidden = left <= 0;
      wait.textContent = `The timer has ${minutes(Math.max(0, left))} left: recorded now, the wait is too short.`;
    }
  }
}

// --- pieces, fetched again ---------------------------------------------------------------------------
async function piece(address) {
  const answer = await fetch(address, { credentials: "same-origin" });
  if (!answer.ok) throw new Error(`refused (${answer.status})`);
  return new DOMParser().parseFromString(await answer.text(), "text/html").body;
}

function swap(box, made) {
  const at = document.activeElement, focus = box.contains(at) && at.id ? at.id : "", caret = at?.selectionStart;
  const was = new Map([...box.querySelectorAll("details[id]")].map((row) => [row.id, row.open]));
  box.replaceChildren(...made.childNodes);
  const next = box.id === "ladder" ? box.querySelector("details[open]") : null;
  for (const row of box.querySelectorAll("details[id]")) if (was.has(row.id)) row.open = was.get(row.id);
  // another step comes next now: it is shown without asking
  if (next && box.dataset.next !== next.id) { next.open = true; box.dataset.next = next.id; }
  restore(box);
  paint(box);
  synchronise();
  const back = focus && id(focus);
  if (back) { back.focus({ preventScroll: true }); if (typeof caret === "number" && back.type === "text") back.setSelectionRange(caret, caret); }
}

function synchronise() {
  const { now } = id("state").dataset;
  if (now && id("state").dataset.known !== now) { id("state").dataset.known = now; const said = Number(now) - Date.now() / 1000; ahead = said > ahead - 30 ? Math.max(said, ahead) : said; }
  tick();
}

let asked = 0, to = load("to") ?? id("state").dataset.to;
async function refresh() {
  const mine = ++asked;
  try {
    const made = await piece(`/car/${car}/drive/steps?to=${encodeURIComponent(to)}`);
    if (mine === asked && Number(made.querySelector("#state").dataset.last) >= Number(id("state").dataset.last)) {
      swap(id("steps"), made);
      id("steps").removeAttribute("aria-busy");
    }
  } catch { /* no connection: what is shown stays, `linked` asks again */ }
}

let climbing = 0;
async function climb() {
  const mine = ++climbing, least = id("at-least").value;
  id("ladder").setAttribute("aria-busy", "true");
  try {
    const made = await piece(`/car/${car}/drive/ladder${least ? `?at_least=${least}` : ""}`);
    if (mine === climbing) swap(id("ladder"), made);
  } catch { const words = id("ladder").querySelector(".working"); if (words) words.textContent = "No connection: the ladder is asked again when it is back."; }
  if (mine === climbing) id("ladder").setAttribute("aria-busy", "false");
}

// --- what is on this device only ------------------------------------------------------------------------
function waiting() {
  const list = id("outbox");
  list.replaceChildren();
  for (const item of sent.all()) {
    const card = node("div", "", { className: "card" });
    card.append(node("strong", `${item.words} `), node("span", item.page ? "only in this page, not in the journal" : `on this device since ${clockOf(item.at)}, not in the journal`, { className: "state draft" }));
    if (item.fault) {
      card.append(node("p", inWords(new Refused(422, item.fault)), { className: "fault" }));
      const row = node("div", "", { className: "row" });
      if (/right/.test(item.fault.do ?? "") && !item.typed.body.sure) {
        row.append(node("button", "It is right as typed", { className: "tall", onclick: () => { sent.drop(item.token); hand({ ...item.typed, body: { ...item.typed.body, sure: true } }, item.words); } }));
      }
      if (item.typed.form) row.append(node("button", "Type it again", { className: "tall", onclick: () => again(item) }));
      row.append(node("button", "Throw away", { className: "tall", onclick: () => sent.drop(item.token) }));
      card.append(row);
    }
    list.append(card);
  }
}

function again(item) {
  const { key, row } = item.typed.form;
  sent.drop(item.token);
  keep(key, row);
  const form = [...document.querySelectorAll(FORMS)].find((one) => keyOf(one) === key);
  if (!form) return;
  form.closest("details")?.setAttribute("open", "");
  put(form, row);
  chip(form);
  form.querySelector("input")?.focus();
}

/** Into the outbox, and sent when it can be. The answer, null: it waits or was refused. */
async function hand(typed, words) {
  const name = sent.add(typed, words);
  await sent.flush();
  const left = sent.get(name);
  if (left && !left.fault) say("Kept on this device; it is sent when the server answers.");
  if (left?.fault) say(inWords(new Refused(422, left.fault)), 10);
  return left;
}
document.addEventListener("outbox", waiting);
document.addEventListener("sent", ({ detail: { answer } }) => { if (answer.words) say(answer.words, 10); refresh(); climb(); });

// --- taps ---------------------------------------------------------------------------------------------------
/** Fields that were typed, with their units. */
function typedIn(form) {
  const typed = {};
  for (const input of form.querySelectorAll("[data-field]")) {
    if (input.type === "radio" ? !input.checked : !input.value.trim()) continue;
    const mark = input.parentNode.querySelector("[data-unit]");
    const unit = mark ? (mark.tagName === "SELECT" ? mark.value : mark.dataset.unit) : "";
    typed[input.dataset.field] = `${input.value.trim()} ${/[a-z%°]/i.test(input.value) ? "" : unit}`.trim();
  }
  return typed;
}

function refuse(form, words, input) {
  const line = form.querySelector("[data-fault]");
  line.hidden = !words;
  line.textContent = words;
  if (words) input?.focus();
}

const HAND = {
  record: (form, stage) => {
    const typed = typedIn(form), note = form.querySelector("[data-note]")?.value ?? "";
    const bare = !Object.keys(typed).some((name) => name !== "hold-rule") && form.querySelector("[data-field]:not([data-keep])");
    return bare ? null : ["steps/record", { stage, typed, note }, `Record of ${stage}`];
  },
  climb: (form, step) => {
    const said = Object.fromEntries([...form.querySelectorAll("[data-said]")].map((one) => [one.dataset.said, one.value]));
    const typed = typedIn(form), least = id("at-least").value;
    return Object.keys(typed).length ? ["ladder/climb", { step, typed, ...said, ...(least ? { at_least: Number(least) } : {}) }, `Step ${step}`] : null;
  },
  override: (form, stage) => {
    const reason = form.querySelector("[data-reason]").value.trim();
    return reason.length >= 10 ? ["steps/override", { stage, reason }, `Override of ${stage}`] : null;
  },
  close: (form, number) => {
    const how = form.querySelector("[data-how]").value.trim();
    return how ? [`steps/items/${number}/close`, { how }, `Item ${number} closed: ${how}`] : null;
  },
};
const EMPTY = { record: "Nothing is typed yet.", climb: "Nothing is typed yet.", override: "A reason of ten letters or more, that somebody can judge later.", close: "How was it closed?" };

document.addEventListener("submit", (event) => {
  event.preventDefault();
  const form = event.target;
  if (form.id === "scope-form") return scope(form);
  if (!form.matches(FORMS)) return undefined;
  const key = keyOf(form), kind = key.split(":")[0];
  const made = HAND[kind](form, form.dataset[kind]);
  if (!made) return refuse(form, EMPTY[kind], form.querySelector("input"));
  const [path, body, words] = made, row = held(form);
  refuse(form, "");
  put(form, {});
  keep(key, null);
  chip(form);
  return hand({ path, body, form: { key, row } }, words);
});

/** What has to be written now or not at all: a wait or a sweep counts from the moment it is kept. */
async function now(path, body, button) {
  button.disabled = true;
  try {
    const answer = await ask("POST", `${api}/${path}`, body);
    if (answer.words) say(answer.words);
    await refresh();
  } catch (fault) {
    say(fault instanceof Refused ? inWords(fault) : "No connection: nothing was begun. A timer and a sweep count from the moment the journal has them.", 10);
  }
  button.disabled = false;
}

async function scope(form) {
  const boxes = [...form.querySelectorAll("input")], on = boxes.filter((one) => one.checked).map((one) => one.value);
  await now("steps/scope", { areas: on.length === boxes.length ? null : on }, form.querySelector("button"));
  climb();
}

document.addEventListener("click", (event) => {
  const button = event.target.closest("button");
  if (!button) return;
  const { start, stage, withdraw, to: where, area } = button.dataset;
  if (start) now("steps/timer", { stage, name: start, token: token() }, button);
  if (withdraw) now("steps/withdraw", { stage: withdraw }, button);
  if (where) { to = where; keep("to", where); refresh(); }
  if (button.id === "sweep") now("steps/sweep", { seen: id("state").dataset.seen.split(",").filter(Boolean).map(Number), token: token() }, button);
  if (area) enter(button.textContent, area);
});
document.addEventListener("click", (event) => {
  const link = event.target.closest('a[href^="#"]'), aim = link && id(link.hash.slice(1));
  if (aim?.tagName === "DETAILS") aim.open = true;
});

// --- something is open: two taps, more only where there is time ---------------------------------------------
const dialog = id("item");
id("open-item").addEventListener("click", () => { dialog.showModal(); id("item-title").focus(); });
id("item-close").addEventListener("click", () => dialog.close());
dialog.addEventListener("close", () => id("open-item").focus());
id("item-what").value = load("what") ?? "";
id("item-what").addEventListener("input", (event) => keep("what", event.target.value || null));
id("item-form").addEventListener("submit", (event) => event.preventDefault());

function enter(words, area) {
  const what = id("item-what").value.trim() || `something open: ${words}`;
  const needs = [...dialog.querySelectorAll("[name=need]:checked")].map((one) => one.value);
  const body = { what, area, where: id("item-where").value, minutes: Number(id("item-minutes").value.replace(",", ".")) || 10, needs, stands_before: id("item-before").value };
  dialog.close();
  id("item-form").reset();
  keep("what", null);
  hand({ path: "steps/items", body }, `Open: ${what}`);
}

// --- start ------------------------------------------------------------------------------------------------
onLive("journal", ({ last }) => { if (!id("steps").ariaBusy && last !== Number(id("state").dataset.last)) { refresh(); climb(); } });
onLive("build", ({ revision }) => {
  if (revision !== document.body.dataset.revision) { document.body.dataset.revision = revision; refresh(); climb(); }
});
id("at-least").addEventListener("change", climb);
document.addEventListener("linked", () => { refresh(); if (id("ladder").querySelector(".working")) climb(); });
ready.then(() => { restore(document); paint(); });
restore(document);
synchronise();
setInterval(tick, 500);
waiting();
sent.flush();
if (to !== id("state").dataset.to || id("steps").ariaBusy) refresh();
climb();
