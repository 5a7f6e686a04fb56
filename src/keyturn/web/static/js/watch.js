// Live: begin a watch, look at it, acknowledge, end it, record the step. The watch runs on the server
// and cries there too; this page decides by its own clock what it may still show as live.

import { Refused, ask, car, inWords, onLive, say } from "./core.js";
import { paint, ready } from "./units.js";
import { held, play, soundOff, soundOn, sounds, stayAwake, vibrate } from "./watch_alarm.js";
import { Ages } from "./watch_clock.js";
import { Figures, STALE } from "./watch_figures.js";

const id = (name) => document.getElementById(name);
const api = `/api/car/${car}/watch`;
const told = id("running").dataset;
const LOOKS = JSON.parse(told.looks);
const figures = new Figures(id("figures"), JSON.parse(told.labels), JSON.parse(told.quantities));
const ages = new Ages();
const put = (element, text) => { if (element.textContent !== text) element.textContent = text; };
const token = () => [...crypto.getRandomValues(new Uint8Array(16))].map((n) => n.toString(16).padStart(2, "0")).join("");

let about = { id: "", ended: "" }; // the watch that is shown
let last = null; // its newest state
let gone = ""; // the watch ended without anybody ending it: the server went
let quiet = false; // this silence was acknowledged here
let sounded = false; // sound was turned on here and is wanted

// --- the stream: opened by us, so that we know when it was asked for ------------------------------
const AGAIN = 1000, LATE = 1000, PATIENCE = 3000; // [ms]
let stream = null, timer = 0, lateSince = 0, heard = 0;

function open() {
  clearTimeout(timer);
  stream?.close();
  ages.opened();
  heard = ages.clock();
  stream = new EventSource(`${api}/values`);
  stream.addEventListener("watch", (event) => change(JSON.parse(event.data)));
  stream.onmessage = (event) => take(JSON.parse(event.data));
  stream.onopen = () => setTimeout(compare, 500);
  stream.onerror = () => {
    stream.close();
    timer = setTimeout(open, AGAIN);
    ask("GET", "/api/door").catch(() => {}); // turned out? then this leads to the door
  };
}

/** What the clock of the server says: the quicker the answer, the nearer we know it. */
async function compare() {
  const mine = stream, sent = ages.clock();
  try {
    const { t } = await ask("GET", `${api}/clock`);
    if (mine === stream) ages.said(sent, t);
  } catch { /* the stream itself says so */ }
}

function take(state) {
  heard = ages.clock();
  ages.came(state.t);
  if (state.id && state.id === about.id) { last = state; quiet = false; }
  draw();
}

/** A stream that is silent, or whose states come late, holds old ones back somewhere: a new one does not. */
function mend() {
  const now = ages.clock();
  if (ages.silence() < LATE) lateSince = 0;
  else if (!lateSince) lateSince = now;
  if (lateSince && now - lateSince > PATIENCE && about.id) { lateSince = 0; open(); }
  else if (now - heard > 2 * PATIENCE) open();
}

function change(row) {
  const before = about;
  about = row;
  if (row.id && row.id !== before.id) begun();
  if (!row.id && before.id) {
    if (row.ended !== before.id || row.found) gone = before.id; // nobody ended it
    left();
  } else if (!row.id && (row.ended || row.fault)) left();
  draw();
}

function begun() {
  gone = leftBy = "";
  last = null;
  quiet = false;
  figures.clear();
  put(id("live-title"), `${about.step} ${about.words}`);
  const marks = [...about.overridden.map((words) => `OVERRIDE: ${words}`)];
  if (!about.open) marks.unshift("STEP NOT OPEN.");
  if (about.simulated) marks.unshift("SIMULATED, not the car.");
  id("live-marks").hidden = !marks.length;
  put(id("live-marks"), marks.join(" "));
  id("stated-limits").replaceChildren(...about.limits.map((words) => Object.assign(document.createElement("li"), { textContent: words })));
  id("ended").replaceChildren();
  stayAwake().then((on) => { id("device").dataset.awake = on; });
}

// --- what is shown --------------------------------------------------------------------------------
const ORDER = ["alarm", "lost", "unrecorded"];
let cried = "";

function draw() {
  const running = Boolean(about.id) || Boolean(gone);
  id("running").hidden = !running;
  id("setup").hidden = running;
  document.body.classList.toggle("watching", running);
  if (!running) { loud(null); return; }
  const silence = ages.silence(), dead = Boolean(gone) || silence >= STALE;
  const stale = last ? figures.draw(last.values, dead ? Math.max(silence, STALE) : silence) : [];
  const state = dead ? "lost" : last?.state ?? "waiting";
  const words = dead ? [lostWords(silence)] : last?.words ?? ["the watch begins"];
  banner(state, words, stale);
  const cries = dead ? [] : last?.cries ?? [];
  list(cries);
  const crying = cries.filter((cry) => cry.loud).map((cry) => cry.kind);
  const kind = dead ? (quiet ? null : "lost") : ORDER.find((name) => crying.includes(name)) ?? null;
  loud(kind);
  const waits = cries.filter((cry) => cry.loud || cry.over);
  id("seen").disabled = dead ? quiet : !waits.length;
  if (last) put(id("record-line"), `${last.lines} lines kept in logs/${about.id || gone}, ${last.seconds.toFixed(0)} s, ${about.source ?? ""}`);
  // aloud once, when something new begins
  const now = dead ? `NO CONNECTION ${gone}` : crying.length ? cries.filter((cry) => cry.loud).map((cry) => cry.number).join() : "";
  if (now !== cried) { cried = now; id("cry").textContent = now ? `${LOOKS[state].word}. ${words[0]}` : ""; }
}

function lostWords(silence) {
  if (gone) return "The watch ended with the server. What was recorded is kept; nobody watches now.";
  return `No connection to the watch${Number.isFinite(silence) ? ` for ${(silence / 1e3).toFixed(0)} s` : ""}: nothing here is live.`;
}

function banner(state, words, stale) {
  const look = LOOKS[state], alarmed = ["alarm", "lost", "unrecorded"].includes(state);
  if (id("banner").dataset.state !== state) {
    id("banner").className = `banner ${state}`;
    id("banner").dataset.state = state;
  }
  put(id("word"), look.word);
  const blind = (last?.unwatched ?? []).map((name) => name.replaceAll("-", " "));
  const more = words.length > 1 ? ` and ${words.length - 1} more` : "";
  const lacking = blind.length && !alarmed ? `Not watched: ${blind.join(", ")}. ` : "";
  put(id("why"), lacking + (words[0] ?? (stale.length ? "" : "What is watched holds its numbers, as far as the sensors tell.")) + more);
  // what comes first, alone: the rest stands below the figures
  put(id("first"), alarmed ? (about.first ?? "").split(". ")[0].replace(/\.?$/, ".") : "");
}

function list(cries) {
  id("cries-box").hidden = !cries.length;
  put(id("stop-rule"), `${about.first ?? ""} ${about.stop ?? ""}`);
  // several that ask for the same stand together: a silent car is one thing to do, not ten
  const kinds = new Map();
  for (const cry of cries) {
    const how = cry.over ? "It is over; not acknowledged yet." : cry.loud ? "Now." : "Lasts, acknowledged.";
    const key = `${how} ${cry.then}`, times = cry.times > 1 ? ` (${cry.times} times)` : "";
    kinds.set(key, { loud: cry.loud, words: [...(kinds.get(key)?.words ?? []), cry.words + times] });
  }
  const rows = [...kinds].map(([key, { loud: now, words }]) => {
    const row = document.createElement("li"), head = document.createElement("strong");
    head.textContent = `${words.join("; ").replaceAll("; NO SIGNAL: ", ", ")} `;
    row.className = now ? "now" : "past";
    row.append(head, key);
    return row;
  });
  const text = rows.map((row) => row.textContent).join("\n");
  if (id("cries").dataset.text !== text) { id("cries").dataset.text = text; id("cries").replaceChildren(...rows); }
}

function loud(kind) {
  const look = kind ? LOOKS[kind] : null;
  if (id("sound").dataset.tone !== String(look?.tone ?? 0)) id("sound").dataset.tone = look?.tone ?? 0;
  if (!testing) play(look);
  vibrate(look);
  const on = sounds();
  id("mute").hidden = Boolean(on);
  if (id("sound").dataset.on !== String(Boolean(on))) soundWords(Boolean(on));
}

// --- sound ----------------------------------------------------------------------------------------
let testing = 0;

function soundWords(on) {
  id("sound").dataset.on = on;
  put(id("sound"), on ? "Turn the sound off" : "Turn the sound on");
  put(id("sound-words"), on
    ? "Sound is on on this device. Volume up: in a car with the engine running it has to be heard."
    : "A browser gives no sound before it was tapped. Turn it on here first: a test tone says how loud the alarm will be.");
  put(id("start"), on ? "Begin the watch" : "Begin the watch, without sound");
}

for (const button of document.querySelectorAll("[data-sound]")) {
  button.addEventListener("click", async () => {
    if (sounds()) { sounded = false; await soundOff(); } else {
      sounded = await soundOn();
      if (!sounded) say("This browser gives no sound: the alarm is seen and felt only.", 10);
      else { play(LOOKS.alarm); testing = setTimeout(() => { testing = 0; draw(); }, 700); }
    }
    draw();
  });
}
put(id("device"), `${navigator.vibrate ? "This device shakes at an alarm, if it can." : "This browser cannot shake the device."} ${"wakeLock" in navigator ? "" : "It may switch its screen off: set the display to stay on."}`.trim());

// --- begin, acknowledge, end ------------------------------------------------------------------------
const form = id("start-form");
const kind = () => form.elements.kind.value;
function shown() { for (const part of form.querySelectorAll("[data-for]")) part.hidden = !part.dataset.for.split(" ").includes(kind()); }
const KEEP = `typed:${car}:live`;
function keep() {
  try { localStorage.setItem(KEEP, JSON.stringify({ kind: kind(), ...Object.fromEntries([...form.querySelectorAll("[id]:is(input, select, textarea)")].map((one) => [one.id, one.value])) })); } catch { /* this page only */ }
}
function restore() {
  let row = null;
  try { row = JSON.parse(localStorage.getItem(KEEP)); } catch { /* nothing was stored */ }
  for (const [name, value] of Object.entries(row ?? {})) {
    const input = name === "kind" ? form.querySelector(`[name=kind][value="${value}"]:enabled`) : id(name);
    if (input?.type === "radio") input.checked = true;
    else if (input?.tagName !== "SELECT" ? input : [...input.options].some((one) => one.value === value)) input.value = value;
  }
  shown();
}
form.addEventListener("change", () => { shown(); keep(); });
form.addEventListener("input", keep);

function source() {
  const row = { kind: kind() };
  if (row.kind === "simulated") return { ...row, fault: id("fault").value };
  if (row.kind === "file") return { ...row, name: id("log")?.value ?? "", mapping: lines() };
  const bus = { ...row, interface: id("interface").value, channel: id("channel").value.trim(), rate: Number(id("rate").value) };
  return row.kind === "can" ? { ...bus, name: id("names")?.value ?? "", mapping: lines() } : bus;
}
const lines = () => id("mapping").value.split("\n").map((line) => line.trim()).filter(Boolean);

form.addEventListener("submit", async (event) => {
  event.preventDefault();
  const button = id("start");
  button.disabled = true;
  refused("start-fault", "");
  try {
    change(await ask("POST", `${api}/start`, { token: token(), source: source(), step: id("rung")?.value ?? "" }));
    id("live-title").focus();
    scrollTo(0, 0);
  } catch (fault) {
    refused("start-fault", [inWords(fault), ...(fault instanceof Refused ? fault.row.missing ?? [] : [])].join("; "));
  }
  button.disabled = false;
});

function refused(name, words) {
  const line = id(name);
  line.hidden = !words;
  line.textContent = words;
}

held(id("seen"), async () => {
  if (gone) { gone = ""; about = { id: "", ended: "" }; draw(); return; }
  if (ages.silence() >= STALE || !last) { quiet = true; draw(); return; }
  const up = Math.max(0, ...last.cries.map((cry) => cry.number));
  try { await ask("POST", `${api}/acknowledge`, { watch: about.id, up_to: up }); } catch (fault) { say(inWords(fault), 10); }
}, () => say("Hold it until it is full: that acknowledges what stands here now."));

held(id("stop"), async () => {
  if (gone) { gone = ""; about = { id: "", ended: "" }; draw(); return; }
  id("stop").disabled = true;
  try {
    const { ended } = await ask("POST", `${api}/stop`, { watch: about.id });
    if (ended) change({ id: "", ended: ended.id });
    await leaving;
    id("ended-title")?.focus();
    scrollTo(0, 0);
  } catch (fault) { say(inWords(fault), 10); }
  id("stop").disabled = false;
}, () => say("Hold it until it is full: that ends the watch."));

// --- pieces ---------------------------------------------------------------------------------------
async function piece(address, box) {
  const answer = await fetch(address, { credentials: "same-origin" });
  if (!answer.ok) throw new Error(`refused (${answer.status})`);
  box.replaceChildren(...new DOMParser().parseFromString(await answer.text(), "text/html").body.childNodes);
  paint(box);
}

let asked = 0;
async function steps(step = id("rung")?.value ?? "") {
  const mine = ++asked, box = document.createElement("div");
  try {
    await piece(`/car/${car}/drive/live/step?step=${encodeURIComponent(step)}`, box);
    const at = document.activeElement?.id === "rung";
    if (mine === asked) { id("step").replaceChildren(...box.childNodes); id("step").removeAttribute("aria-busy"); if (at) id("rung")?.focus(); }
  } catch { const words = id("step").querySelector(".working"); if (words) put(words, "No connection: the limits are asked for again when it is back."); }
}
id("step").addEventListener("change", (event) => { if (event.target.id === "rung") steps(event.target.value); });

let leaving = Promise.resolve(), leftBy = "";
/** What the last watch left; told twice, by the answer and by the stream, it is fetched once. */
function left(anew = false) {
  const name = about.ended || about.fault || gone;
  if (!anew && name === leftBy) return;
  leftBy = name;
  leaving = piece(`/car/${car}/drive/live/ended`, id("ended")).catch(() => {});
  steps("");
}

id("ended").addEventListener("submit", async (event) => {
  event.preventDefault();
  const climb = event.target, { new: fresh, sure } = event.submitter.dataset;
  const said = { "nothing-new": fresh, ...(id("log-read") ? { "log-read": id("log-read").checked ? "yes" : "no" } : {}) };
  if (id("at-pump")?.value) said["voltage-at-pump"] = id("at-pump").value;
  refused("climb-fault", "");
  try {
    const answer = await ask("POST", `${api}/climb`, { watch: climb.dataset.watch, token: (climb.dataset.token ||= token()), said, voltage: id("pump-volts")?.value ?? "", sure: sure !== undefined });
    say(answer.words, 10);
    left(true);
    await leaving;
    id("recorded")?.focus();
  } catch (fault) {
    refused("climb-fault", inWords(fault));
    id("as-read").hidden = !/right/.test(fault instanceof Refused ? fault.row.do ?? "" : "");
  }
});

// --- start ----------------------------------------------------------------------------------------
// what was painted before the tab slept is not live any more: it is drawn anew before it is looked at
for (const [name, on] of [["visibilitychange", document], ["pageshow", window], ["resume", document], ["focus", window]]) on.addEventListener(name, () => {
  draw();
  mend();
  if (!document.hidden && about.id) { stayAwake(); if (sounded && !sounds()) soundOn(); }
});
for (const name of ["freeze", "pagehide"]) addEventListener(name, () => { ages.true_at = null; draw(); }, true);
let journal = null; // the channel begins with how things stand, which is no news
onLive("journal", ({ last: entry }) => { if (journal !== null && entry !== journal && !about.id) steps(); journal = entry; });
onLive("build", ({ revision }) => { if (revision !== document.body.dataset.revision) { document.body.dataset.revision = revision; if (!about.id) steps(); } });
document.addEventListener("linked", () => { if (id("step").querySelector(".working")) steps(); });
document.addEventListener("units", draw);
restore();
setInterval(() => { mend(); draw(); }, 60);
setInterval(() => { if (about.id) compare(); }, 15000);
ready.then(() => { open(); });
steps("");
