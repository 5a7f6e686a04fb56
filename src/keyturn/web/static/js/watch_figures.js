// Live values in large figures: number, abort number and how far it is, age. What is old is not
// shown as a number at all.

import { unitOf } from "./units.js";

export const STALE = 1800; // [ms]: marked before two seconds have passed
const PLACES = { kPa: 0, psi: 1, bar: 2, rpm: 0, "%": 0, degC: 0, degF: 0, deg: 1, V: 1, "-": 2, ms: 2 };
// how much of its ruler a distance to the abort number fills: all of it from here on, SI
const FULL = { across_injector: 1e5, rail_gauge: 1e5, manifold_pressure: 6e4, engine_speed: 20, voltage: 2, lambda: 0.2, duty: 0.5, knock_retard: 0.035 };
const HEAT = 40;
const node = (tag, name) => Object.assign(document.createElement(tag), { className: name });
const put = (element, text) => { if (element.textContent !== text) element.textContent = text; };
const mark = (element, name, text) => { if (element.dataset[name] !== text) element.dataset[name] = text; };

export class Figures {
  constructor(box, labels, quantities) {
    Object.assign(this, { box, labels, quantities, tiles: new Map() });
  }

  clear() {
    this.box.replaceChildren();
    this.tiles.clear();
  }

  /** Draw every value; `older` [ms] have gone since the state was true. Returns the stale channels. */
  draw(values, older) {
    const stale = [];
    for (const [name, value, age, state, abort, sense] of values) {
      const tile = this.tiles.get(name) ?? this.#made(name);
      const gone = age === null ? null : age + older;
      const old = state === "stale" || (gone !== null && gone >= STALE) || (gone === null && older >= STALE);
      if (old) stale.push(name);
      this.#paint(tile, name, { value, gone, state: old ? "stale" : state, abort, sense });
    }
    return stale;
  }

  #made(name) {
    const chief = !this.tiles.size; // the first one: pressure across the injector
    const tile = { chief, root: node("div", chief ? "fig chief" : "fig") };
    tile.root.dataset.name = name;
    const head = node("div", "head"), number = node("p", "num"), ruler = node("div", "ruler");
    for (const [key, tag] of [["name", "h2"], ["value", "span"], ["unit", "span"], ["far", "p"], ["age", "p"], ["gap", "i"]]) tile[key] = node(tag, key);
    tile.name.textContent = this.labels[name] ?? name.replaceAll("_", " ");
    ruler.setAttribute("aria-hidden", "true");
    ruler.append(tile.gap);
    head.append(tile.name, tile.unit);
    number.append(tile.value);
    tile.root.append(head, number, ruler, tile.far, tile.age);
    this.box.append(tile.root);
    this.tiles.set(name, tile);
    return tile;
  }

  #paint(tile, name, { value, gone, state, abort, sense }) {
    const unit = unitOf(this.quantities[name] ?? name) ?? { word: "-", shown: "", factor: 1, offset: 0 };
    const known = value !== null, live = state === "ok" || state === "alarm";
    const text = known ? figure(value, unit) : "–";
    mark(tile.root, "state", state);
    put(tile.value, live ? text : "–");
    put(tile.unit, unit.shown);
    put(tile.age, `${state === "stale" ? "STALE, " : ""}${gone === null ? "no value yet" : `${(gone / 1e3).toFixed(1)} s old`}`);
    const way = known && abort !== null ? (sense === "low" ? value - abort : abort - value) : null;
    mark(tile.root, "past", live && way < 0 ? "yes" : "no");
    const alarmed = state === "alarm" && !(way < 0) ? "ALARM, " : "";
    put(tile.far, live ? alarmed + distance(way, abort, sense, unit, tile.chief ? "abort " : "") : known ? `was ${text} ${unit.shown}` : "");
    const full = FULL[name] ?? HEAT;
    const width = `${live && way !== null ? Math.round(100 * Math.min(1, Math.abs(way) / full)) : 0}%`;
    if (tile.gap.style.width !== width) tile.gap.style.width = width;
  }
}

function figure(si, unit) {
  const number = (si - unit.offset) / unit.factor;
  const whole = unit.word === "rpm" ? Math.round(number / 10) * 10 : number;
  return fixed(whole, unit);
}

const fixed = (number, unit) => number.toFixed(PLACES[unit.word] ?? 2).replace("-", "−");

/** How far it is to the abort number, which is called so where there is room. */
function distance(way, abort, sense, unit, name) {
  if (way === null) return "no number here";
  const gap = `${fixed(Math.abs(way / unit.factor), unit)} ${unit.shown}`.trim(), at = fixed((abort - unit.offset) / unit.factor, unit);
  if (way < 0) return `${gap} PAST ${name}${at}`;
  return `${gap} ${sense === "low" ? "above" : "below"} ${name}${at}`;
}
