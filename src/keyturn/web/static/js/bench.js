// The bench of the Check page: sliders and switches, what is set on them, kept on this device.
// What is tried is held apart from where the thumb stands: a slider knows the steps of one unit only,
// and a unit that is switched must not change what is tried.
import { car } from "./core.js";
import { ready, unitOf } from "./units.js";

const STORE = `tried:${car}`;
const rows = [...document.querySelectorAll(".try[data-key]")].map((box) => ({
  box,
  ...box.dataset, // key, words, now, typed, unit, shown (the unit as it is read), quantity, seen
  ends: box.querySelector(".ends")?.children,
  own: { word: box.dataset.unit, shown: box.dataset.shown, factor: Number(box.dataset.factor), offset: Number(box.dataset.offset) },
  points: box.dataset.points ? JSON.parse(box.dataset.points) : null,
  input: box.querySelector("input, select"),
  output: box.querySelector("output"),
  tried: null, // {text, si}: a number with its unit, or a choice
  newer: null, // what stands in the build since somebody else wrote it
}));
for (const row of rows) if (row.output) ({ min: row.low, max: row.high, step: row.step } = row.input);
const options = [...document.querySelectorAll("[data-option]")];

const isMoved = (row) => row.tried !== null;
const si = (row, number) => number * row.own.factor + row.own.offset;
const scale = (row) => (row.quantity && unitOf(row.quantity)) || row.own;
const short = (number) => String(Number(number.toFixed(Math.max(0, 3 - Math.floor(Math.log10(Math.abs(number) || 1)))))).replace("-", "−");
const inUnit = (row, value, unit = scale(row)) => short((value - unit.offset) / unit.factor);

/** 1, 2 or 5 of a unit, near the step of the build's own. */
function stepIn(row, unit) {
  if (unit.word === row.own.word) return Number(row.step);
  const wanted = Number(row.step) * row.own.factor / unit.factor;
  const ten = 10 ** Math.floor(Math.log10(wanted));
  return [1, 2, 5, 10].map((n) => n * ten).reduce((best, one) => (Math.abs(Math.log(one / wanted)) < Math.abs(Math.log(best / wanted)) ? one : best));
}

/** The slider in the unit that is chosen; ends on whole steps, the thumb as near as a step is. */
function fit(row) {
  if (!row.output) return;
  const unit = scale(row);
  const step = stepIn(row, unit);
  const own = unit.word === row.own.word;
  const end = (value, round) => Number((own ? Number(value) : round(((si(row, Number(value)) - unit.offset) / unit.factor) / step) * step).toPrecision(6));
  row.input.step = step;
  row.input.min = end(row.low, Math.floor);
  row.input.max = end(row.high, Math.ceil);
  row.input.value = (si(row, Number(row.now)) - unit.offset) / unit.factor;
  row.home = row.input.value;
  if (row.tried) row.input.value = (row.tried.si - unit.offset) / unit.factor;
  row.ends[0].textContent = short(Number(row.input.min));
  row.ends[2].textContent = `${short(Number(row.input.max))} ${unit.shown}`;
  show(row);
}

/** What the hand did to a control. */
function taken(row) {
  const { value } = row.input;
  const unit = scale(row);
  row.tried = row.output ? { text: `${value} ${unit.word}`, si: Number(value) * unit.factor + unit.offset } : { text: value };
  if (value === (row.output ? row.home : row.now)) row.tried = null;
  if (row.tried === null) home(row);
  show(row);
}

/** The text that the key gets: a scale writes the table with its second column changed. */
function text(row) {
  if (!row.points) return row.tried.text;
  const scaled = row.points.map(([x, y]) => [x, y.replace(/^\s*[-+]?[\d.]+/, (number) =>
    String(Number((Number(number) * parseFloat(row.tried.text) / 100).toPrecision(5))))]);
  return scaled[0][0] === "" ? scaled[0][1] : JSON.stringify(scaled);
}

/** A position in words, in the unit that is chosen now. */
function inWords(row, tried) {
  if (!row.output) return [...row.input.options].find((one) => one.value === tried.text)?.textContent ?? tried.text;
  return `${inUnit(row, tried.si)} ${scale(row).shown}`;
}

function show(row) {
  row.box.classList.toggle("moved", isMoved(row));
  row.box.classList.toggle("newer", row.newer !== null);
  if (!row.output) return;
  row.output.textContent = inWords(row, row.tried ?? { si: si(row, Number(row.now)) });
  row.ends[1].textContent = `in the build: ${(row.newer ?? row).typed.replace(row.unit, row.shown)}`;
  row.input.setAttribute("aria-valuetext", `${row.output.textContent}${isMoved(row) ? ", tried" : ", in the build"}`);
}

/** What is tried, as the server takes it. */
export function variant() {
  const set = {};
  for (const row of rows) if (isMoved(row)) set[row.key] = text(row);
  return { set, options: options.filter((box) => box.checked).map((box) => Number(box.dataset.option)) };
}

export function query() {
  const asked = new URLSearchParams();
  const now = variant();
  for (const [key, value] of Object.entries(now.set)) asked.append("set", `${key}=${value}`);
  for (const number of now.options) asked.append("option", number);
  return asked;
}

/** {words, back} for each thing that is tried. */
export function changes() {
  const made = options.filter((box) => box.checked).map((box) => ({
    words: box.dataset.words,
    back: () => { box.checked = false; },
  }));
  for (const row of rows) {
    if (!isMoved(row)) continue;
    const now = row.newer && `${row.words} was changed elsewhere, in the build now: ${row.newer.typed.replace(row.unit, row.shown)}`;
    made.push({ words: `${row.words}: ${inWords(row, row.tried)}`, back: () => home(row), now, mine: () => { adopt(row); } });
  }
  return made;
}

/** A variant in words. */
export function words({ positions = {}, options: chosen = [] }) {
  const told = options.filter((box) => chosen.includes(Number(box.dataset.option))).map((box) => box.dataset.words);
  for (const row of rows) {
    if (row.key in positions) told.push(`${row.words}: ${inWords(row, positions[row.key])}`);
  }
  return told.length ? told.join("; ") : "as in the build";
}

/** Where every moved control stands: what is kept and pinned. */
export function positions() {
  return Object.fromEntries(rows.filter(isMoved).map((row) => [row.key, row.tried]));
}

export function set({ positions: wanted = {}, options: chosen = [] }) {
  for (const row of rows) {
    const there = wanted[row.key];
    row.tried = there?.text && (row.output ? Number.isFinite(there.si) : true) ? there : null;
    if (!row.output) {
      row.input.value = row.tried?.text ?? row.now;
      if (row.input.value === "" || row.input.value === row.now) home(row); // a choice that is no more
    }
    fit(row);
    show(row);
  }
  for (const box of options) box.checked = chosen.includes(Number(box.dataset.option));
}

function home(row) {
  row.tried = null;
  adopt(row);
  if (!row.output) row.input.value = row.now;
  fit(row);
}

/** What somebody else wrote was looked at: the row knows it now. */
function adopt(row) {
  if (row.newer) Object.assign(row, row.newer, { newer: null });
  const list = row.input.options;
  if (list && ![...list].some((one) => one.value === row.now)) row.input.add(new Option(row.now, row.now));
  for (const one of list ?? []) one.textContent = one.textContent.replace(" (in the build)", "") + (one.value === row.now ? " (in the build)" : "");
  show(row);
}

/** The build as it stands now; what is tried here stays, and is marked where that key was changed. */
export function renew(now) {
  const found = new Map(now.rows.map((one) => [one.key, one]));
  let other = found.size !== rows.length || now.options.length !== options.length;
  for (const row of rows) {
    const one = found.get(row.key);
    if (!one) { other = true; continue; }
    const { typed, seen, points } = one;
    const fresh = { typed, seen, now: row.output ? String(Number(one.now.toPrecision(6))) : one.now, points: points.length ? points : null };
    row.newer = seen === row.seen ? null : fresh;
    if (row.newer && !isMoved(row)) home(row);
    show(row);
  }
  options.forEach((box, n) => { if (now.options[n]) box.checked ? null : (box.dataset.seen = now.options[n].seen); });
  return other;
}

export function reset() { set({}); }

export function keep() {
  try {
    localStorage.setItem(STORE, JSON.stringify({ positions: positions(), options: variant().options }));
  } catch { /* private mode: this page only */ }
}

export function forget() { localStorage.removeItem(STORE); }

/** What stood in the build under each key that is written, when it was last looked at. */
export function seen() {
  const held = [...options.filter((box) => box.checked).map((box) => box.dataset.seen), ...rows.filter(isMoved).map((row) => row.seen)];
  return Object.assign({}, ...held.map((one) => JSON.parse(one)));
}

export function start(moved) {
  let kept = {};
  try { kept = JSON.parse(localStorage.getItem(STORE)) ?? {}; } catch { /* nothing kept */ }
  set(kept);
  for (const row of rows) {
    row.input.addEventListener("input", () => { taken(row); moved(false); });
    if (row.output) row.input.addEventListener("change", () => moved(true));
  }
  for (const box of options) box.addEventListener("change", () => moved(true));
  const again = () => rows.forEach(fit);
  ready.then(again);
  document.addEventListener("units", again);
}
