// Find: the entry of a reading, the list, the answer; all follow the live channel.

import { ask, car, inWords, onLive, say } from "./core.js";
import { draft, goOn, node, ofTest, open } from "./entry.js";
import * as outbox from "./outbox.js";
import { paint, ready } from "./units.js";

const id = (name) => document.getElementById(name);
const clock = (at) => new Date(at).toLocaleTimeString([], { hour: "2-digit", minute: "2-digit", hour12: false });

// --- pieces of the page, fetched again ---------------------------------------------------------------
async function piece(word) {
  const answer = await fetch(`/car/${car}/find/${word}`, { credentials: "same-origin" });
  if (!answer.ok) throw new Error(`refused (${answer.status})`);
  return new DOMParser().parseFromString(await answer.text(), "text/html").body;
}

function swap(box, made) {
  const held = box.contains(document.activeElement) ? document.activeElement.dataset : null;
  const opened = [...box.querySelectorAll("details")].map((row) => row.open);
  box.replaceChildren(...made.childNodes);
  box.querySelectorAll("details").forEach((row, n) => { row.open = opened[n] ?? false; });
  paint(box);
  if (held?.test) box.querySelector(`[data-test="${CSS.escape(held.test)}"]`)?.focus();
  if (held?.act) {
    // the two answers to a slip differ in what is meant only: the focus must not go to the other one
    const meant = held.meant === undefined ? ":not([data-meant])" : `[data-meant="${CSS.escape(held.meant)}"]`;
    (box.querySelector(`[data-act="${held.act}"][data-id="${held.id}"]${meant}`) ?? id("enter")).focus();
  }
}

let working = null, again = false;
/** The current answer; the older one stays, marked as older, until it is here. */
function refresh() {
  const age = id("age");
  id("found").dataset.current = "no";
  if (age && !age.classList.contains("draft")) {
    age.className = "state draft";
    age.textContent = age.textContent.replace("from", "older, being worked out anew: from");
  }
  id("answer").setAttribute("aria-busy", "true");
  if (working) { again = true; return working; }
  working = fetchAnswer().finally(() => {
    working = null;
    if (again) { again = false; refresh(); } else id("answer").setAttribute("aria-busy", "false");
  });
  return working;
}

async function fetchAnswer() {
  try {
    const made = await piece("answer");
    const { turn, current } = made.querySelector("#found").dataset;
    // never an older answer over a newer one
    if (Number(turn) >= Number(id("found").dataset.turn)) swap(id("answer"), made);
    if (current === "no") again = true; // somebody typed meanwhile
  } catch { /* no connection: the answer shown stays marked as older, `linked` asks again */ }
}

let listing = 0;
async function relist() {
  const mine = ++listing;
  try {
    const made = await piece("readings");
    const last = Number(made.querySelector("#listed").dataset.last);
    if (mine === listing && last >= Number(id("listed").dataset.last)) swap(id("readings"), made);
  } catch { /* asked again when linked */ }
}

// --- what is on this device only -----------------------------------------------------------------------
function waiting() {
  const box = id("outbox"), items = outbox.all(), open_one = draft();
  box.replaceChildren();
  if (open_one) {
    const row = node("div", "", { class: "card row" });
    const go = node("button", "Go on with it");
    go.addEventListener("click", goOn);
    row.append(node("span", `Unfinished reading ${open_one.text ? `(${open_one.text})` : ""}`), node("span", "on this device, not in the journal", { class: "state draft" }), go);
    box.append(row);
  }
  for (const item of items) {
    const row = node("div", "", { class: "card" });
    row.append(node("strong", `${item.words}: ${item.typed.value} `),
      node("span", item.page ? "only in this page, not in the journal" : `on this device since ${clock(item.at)}, not in the journal`, { class: "state draft" }));
    if (item.fault) {
      row.append(node("p", [item.fault.problem, item.fault.accepted && `accepted: ${item.fault.accepted}`].filter(Boolean).join("; "), { class: "fault" }));
      const away = node("button", "Throw away"), anew = node("button", "Type it again");
      away.addEventListener("click", () => outbox.drop(item.token));
      anew.addEventListener("click", () => {
        const { kind, state, value, ...said } = item.typed;
        outbox.drop(item.token);
        const [text, ...unit] = value.split(" ");
        open({ kind, state, said, text, unit: unit.join(" ") });
      });
      const acts = node("div", "", { class: "row" });
      acts.append(anew, away);
      row.append(acts);
    }
    box.append(row);
  }
}
document.addEventListener("outbox", waiting);
document.addEventListener("sent", () => { relist(); refresh(); });
document.addEventListener("stored", () => { relist(); refresh(); });
id("entry").addEventListener("close", () => { waiting(); id("enter").focus(); });

// --- taps ------------------------------------------------------------------------------------------------
id("enter").addEventListener("click", () => (draft()?.text ? goOn() : open()));
id("answer").addEventListener("click", (event) => {
  const name = event.target.closest("[data-test]")?.dataset.test;
  if (name) open(ofTest(name));
});
id("readings").addEventListener("click", async (event) => {
  const button = event.target.closest("[data-act]");
  if (!button) return;
  const { act, id: number, meant } = button.dataset;
  try {
    if (act === "correct") {
      const { readings } = await ask("GET", `/api/car/${car}/read`);
      const row = readings.find((item) => item.id === Number(number));
      const said = {};
      for (const name of ["reference", "isolated", "lent", "renewed"]) if (row.conditions[name]) said[name] = row.conditions[name];
      if (row.conditions.engine_speed) said.rpm = String(Math.round(row.conditions.engine_speed * 60));
      if (row.conditions.pressure_gauge) said.pressure = `${row.conditions.pressure_gauge / 1000} kPa`;
      if (row.conditions.duration) said.seconds = String(row.conditions.duration);
      if (row.instrument) said.instrument = row.instrument;
      if (row.note) said.note = row.note;
      return open({ kind: row.kind, state: row.state, said, correct: row.id });
    }
    await ask("POST", `/api/car/${car}/read/${number}/${act}`, act === "confirm" ? { meant: meant ?? null } : {});
    say(act === "confirm" ? "Kept." : `Reading ${number} is out of use; it stays in the journal.`);
    relist();
    refresh();
  } catch (fault) { say(inWords(fault)); }
});

// --- start -------------------------------------------------------------------------------------------------
onLive("journal", ({ last }) => { if (last !== Number(id("listed").dataset.last)) { relist(); refresh(); } });
onLive("build", ({ revision }) => {
  if (revision !== document.body.dataset.revision) { document.body.dataset.revision = revision; refresh(); }
});
document.addEventListener("linked", () => { if (id("found").dataset.current === "no" || id("age")?.classList.contains("draft")) refresh(); });
ready.then(() => paint());
waiting();
outbox.flush();
if (id("found").dataset.current === "no") refresh();
if (location.hash === "#enter") open();
