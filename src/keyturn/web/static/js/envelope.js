// A point of the envelope: touched, clicked or moved to with the arrow keys; its state in words.
import { digits, ready, show, unitOf } from "./units.js";

const fixed = (value, digits = 0) => (value === null || value === undefined ? "–" : value.toFixed(digits).replace("-", "−"));
const said = (value, quantity, to) => (value === null || value === undefined ? "–" : show(value * to, quantity));
const kpa = (value, quantity = "pressure_difference") => said(value, quantity, 1e3);
let parts = null;
let frame = null;
let map = null;
let old = false; // the map is that of an earlier question
let level = "middle";
let spot = null; // {rpm, kpa}: kept over answers, whose grids differ
let wish = null; // {x, y} in shares of the drawing: touched before the map was known

const nearest = (row, wanted) => row.reduce((best, value, n) => (Math.abs(value - wanted) < Math.abs(row[best] - wanted) ? n : best), 0);

function place() {
  const svg = parts.map.querySelector("svg");
  parts.cross.hidden = !spot || !svg;
  if (!spot || !svg) return;
  const scale = svg.clientWidth / frame.width || svg.getBoundingClientRect().width / frame.width;
  const [low, high] = frame.rpm;
  const [least, most] = frame.map_kpa;
  const x = frame.left + ((spot.rpm - low) / (high - low)) * frame.across;
  const y = frame.top + frame.down - ((spot.kpa - least) / (most - least)) * frame.down;
  parts.cross.style.transform = `translate(${x * scale}px, ${y * scale}px)`;
}

function tell() {
  if (!spot || !map) return;
  const i = nearest(map.rpm, spot.rpm);
  const j = nearest(map.map_kpa, spot.kpa);
  spot = { rpm: map.rpm[i], kpa: map.map_kpa[j] };
  const n = i * map.map_kpa.length + j;
  const whole = level === "bands";
  parts.title.textContent = `${fixed(map.rpm[i])} rev/min, ${kpa(map.map_kpa[j], "pressure")} absolute`;
  if (old) { parts.words.textContent = "Being worked out."; parts.rows.replaceChildren(); place(); return; }
  const part = map.parts[map.part[n]];
  const chance = whole ? `chance that everything holds here ${map.chances[map.chance[n]]}` : "middle values only, bands follow";
  parts.words.textContent = map.reachable[n]
    ? `${map.regimes[map.regime[n]]}; least headroom: ${part}; ${chance}.`
    : `Above the full-load line (${kpa(map.full_load_kpa[i], "pressure")} absolute at this speed): not reached. If it were: least headroom ${part}.`;
  const band = (name) => {
    const middle = map[`${name}_kpa`][n];
    const number = (value) => (value === null ? "–" : digits(value * 1e3 / (unitOf("pressure_gauge")?.factor ?? 1e3)));
    const spread = whole ? `, ${number(map[`${name}_low_kpa`][n])} to ${number(map[`${name}_high_kpa`][n])}` : "";
    return `${kpa(middle)}${spread}`;
  };
  const rows = [
    ["Rail, gauge", band("rail")],
    ["Across the injector", band("across")],
    ["Duty", `${fixed(map.duty[n])} %`],
    ["Lambda", fixed(map.lambda[n], 2)],
    ["Fuel to the engine", said(map.fuel_lph[n], "flow", 1 / 3.6e6)],
    ["Full load at this speed", `${kpa(map.full_load_kpa[i], "pressure")} absolute`],
  ];
  parts.rows.replaceChildren(...rows.map(([name, words]) => {
    const box = document.createElement("div");
    box.append(Object.assign(document.createElement("dt"), { textContent: name }), Object.assign(document.createElement("dd"), { textContent: words }));
    return box;
  }));
  place();
}

function touched(event) {
  const svg = parts.map.querySelector("svg");
  if (!svg) return;
  const box = svg.getBoundingClientRect();
  wish = { x: (event.clientX - box.left) / box.width, y: (event.clientY - box.top) / box.width };
  if (frame) aimed();
  else parts.words.textContent = "Being worked out.";
}

/** The point that was touched, now that it is known where the map lies in the drawing. */
function aimed() {
  const x = (wish.x * frame.width - frame.left) / frame.across;
  const y = 1 - (wish.y * frame.width - frame.top) / frame.down;
  wish = null;
  if (x < -0.03 || x > 1.03 || y < -0.03 || y > 1.03) return;
  const within = ([low, high], share) => low + Math.min(1, Math.max(0, share)) * (high - low);
  spot = { rpm: within(frame.rpm, x), kpa: within(frame.map_kpa, y) };
  tell();
}

const STEPS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowDown: [0, -1], ArrowUp: [0, 1], PageUp: [0, 5], PageDown: [0, -5] };

function pressed(event) {
  const step = STEPS[event.key];
  if (!step || !map) return;
  event.preventDefault();
  let i = spot ? nearest(map.rpm, spot.rpm) : Math.floor(map.rpm.length / 2);
  let j = spot ? nearest(map.map_kpa, spot.kpa) : nearest(map.map_kpa, map.full_load_kpa[i]);
  if (spot) {
    i = Math.min(map.rpm.length - 1, Math.max(0, i + step[0]));
    j = Math.min(map.map_kpa.length - 1, Math.max(0, j + step[1]));
  }
  spot = { rpm: map.rpm[i], kpa: map.map_kpa[j] };
  tell();
}

export const envelope = {
  open: () => spot !== null || wish !== null,
  /** What is known is about something else; a point that is open is told anew with each answer. */
  older() { if (!spot) old = true; },
  data(row) {
    ({ map, frame, level } = row);
    old = false;
    if (wish) aimed();
    else tell();
  },
  start(given) {
    parts = given;
    let down = false;
    parts.map.addEventListener("pointerdown", (event) => { down = true; touched(event); });
    parts.map.addEventListener("pointermove", (event) => { if (down && event.pointerType === "mouse") touched(event); });
    addEventListener("pointerup", () => { down = false; });
    parts.map.addEventListener("keydown", pressed);
    ready.then(tell);
    document.addEventListener("units", tell);
  },
};
