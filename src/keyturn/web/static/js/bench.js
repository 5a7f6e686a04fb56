// The bench of the Check page: sliders and switches, what is set on them, kept on this device.
import { car } from "./core.js";

const STORE = `tried:${car}`;
const rows = [...document.querySelectorAll(".try[data-key]")].map((box) => ({
  box,
  key: box.dataset.key,
  words: box.dataset.words,
  now: box.dataset.now,
  unit: box.dataset.unit,
  shown: box.dataset.shown, // the unit as it is read, such as °C
  seen: box.dataset.seen,
  points: box.dataset.points ? JSON.parse(box.dataset.points) : null,
  input: box.querySelector("input, select"),
  output: box.querySelector("output"),
}));
const options = [...document.querySelectorAll("[data-option]")];

const isMoved = (row) => (row.output ? Number(row.input.value) !== onStep(row) : row.input.value !== row.now);

/** Where the present value stands on the slider: a slider knows its steps only. */
function onStep(row) {
  row.home ??= (() => {
    const held = row.input.value;
    row.input.value = row.now;
    const home = Number(row.input.value);
    row.input.value = held;
    return home;
  })();
  return row.home;
}

/** The text that the key gets: a scale writes the table with its second column changed. */
function text(row) {
  if (!row.points) return row.output ? `${row.input.value} ${row.unit}` : row.input.value;
  const scaled = row.points.map(([x, y]) => [x, y.replace(/^\s*[-+]?[\d.]+/, (number) =>
    String(Number((Number(number) * Number(row.input.value) / 100).toPrecision(5))))]);
  return scaled[0][0] === "" ? scaled[0][1] : JSON.stringify(scaled);
}

function shown(row) {
  if (!row.output) return row.input.selectedOptions[0].textContent;
  return `${row.input.value} ${row.shown}`;
}

function show(row) {
  row.box.classList.toggle("moved", isMoved(row));
  if (!row.output) return;
  row.output.textContent = isMoved(row) ? shown(row) : `${row.now} ${row.shown}`;
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
    if (isMoved(row)) made.push({ words: `${row.words}: ${shown(row)}`, back: () => home(row) });
  }
  return made;
}

/** A variant in words. */
export function words({ positions = {}, options: chosen = [] }) {
  const told = options.filter((box) => chosen.includes(Number(box.dataset.option))).map((box) => box.dataset.words);
  for (const row of rows) {
    if (row.key in positions) told.push(`${row.words}: ${positions[row.key]} ${row.shown}`.trim());
  }
  return told.length ? told.join("; ") : "as in the build";
}

/** Where every moved control stands: what is kept and pinned. */
export function positions() {
  return Object.fromEntries(rows.filter(isMoved).map((row) => [row.key, row.input.value]));
}

export function set({ positions: wanted = {}, options: chosen = [] }) {
  for (const row of rows) {
    if (row.key in wanted) row.input.value = wanted[row.key];
    else home(row);
    if (!row.output && row.input.value === "") home(row); // a choice that there is no more
    show(row);
  }
  for (const box of options) box.checked = chosen.includes(Number(box.dataset.option));
}

function home(row) {
  row.input.value = row.now;
  show(row);
}

export function reset() { set({}); }

export function keep() {
  try {
    localStorage.setItem(STORE, JSON.stringify({ positions: positions(), options: variant().options }));
  } catch { /* private mode: this page only */ }
}

export function forget() { localStorage.removeItem(STORE); }

/** What stood in the build under each tried key when the page was made. */
export function seen() {
  return Object.fromEntries(rows.filter(isMoved).map((row) => [row.key, row.seen]));
}

export function start(moved) {
  let kept = {};
  try { kept = JSON.parse(localStorage.getItem(STORE)) ?? {}; } catch { /* nothing kept */ }
  set(kept);
  for (const row of rows) {
    row.input.addEventListener("input", () => { show(row); moved(false); });
    if (row.output) row.input.addEventListener("change", () => moved(true));
  }
  for (const box of options) box.addEventListener("change", () => moved(true));
}
