// The numbers of the chosen feature: the keyboard's way to everything a finger does on the drawing.

import { fault } from "./form.js";

const id = (name) => document.getElementById(name);
const mm = (value) => String(Math.round(value * 1000) / 1000);
const bent = (value) => String(Math.round(value * 1e5) / 1e5);
const ROLES = { bolt: "bolt", dowel: "dowel, kept tight", passage: "passage" };

function node(tag, more = {}, ...inside) {
  const made = Object.assign(document.createElement(tag), more);
  made.append(...inside);
  return made;
}

/** Millimetres as typed, with a point or a comma; NaN for anything else. */
export const typedNumber = (text) => (text.trim() ? Number(text.replace(",", ".")) : NaN);

function number(key, words, value, done) {
  const input = node("input", { id: `f-${key}`, value, inputMode: "decimal", maxLength: 12, autocomplete: "off" });
  input.dataset.was = value;
  input.addEventListener("change", () => {
    const typed = typedNumber(input.value), wrong = !Number.isFinite(typed);
    input.setAttribute("aria-invalid", wrong);
    fault("feature", wrong ? `${words}: type a number of millimetres, such as 12.5` : "");
    if (!wrong) { input.dataset.was = input.value; done(typed); }
  });
  return node("div", { className: "field" }, node("label", { htmlFor: `f-${key}`, textContent: words }), input);
}

const button = (words, act) => {
  const made = node("button", { type: "button", textContent: words });
  made.addEventListener("click", act);
  return made;
};

/** Fields for `chosen`. While one is dragged, or typed in, only their numbers follow: what is being
    typed stays. */
let shown = "";
export function fill(view, chosen, corner, acts, onlyNumbers = false) {
  id("feature").hidden = !chosen;
  if (!chosen) return;
  const spot = chosen.kind === "hole" ? chosen : { x: chosen.corners[corner][0], y: chosen.corners[corner][1], bulge: chosen.corners[corner][2] };
  const box = id("feature-fields"), now = [chosen.kind, chosen.index, corner, chosen.corners?.length].join();
  if (onlyNumbers || (now === shown && box.contains(document.activeElement))) { follow(chosen, spot); return; }
  shown = now;
  const held = box.contains(document.activeElement) ? document.activeElement : null;
  id("feature-title").textContent = chosen.name;
  box.replaceChildren(...(chosen.kind === "hole" ? hole(chosen, acts) : path(chosen, corner, spot, acts)));
  const again = held && id(held.id);
  if (!again) return;
  if (held.dataset.was !== undefined && held.value !== held.dataset.was) again.value = held.value;
  again.focus();
}

function follow(chosen, spot) {
  for (const key of ["x", "y", "diameter", "bulge"]) {
    const input = id(`f-${key}`);
    if (!input || spot[key] === undefined || input.value !== input.dataset.was) continue;
    input.value = input.dataset.was = key === "bulge" ? bent(spot[key]) : mm(spot[key]);
  }
  if (chosen.kind !== "hole") return;
  id("f-role").value = chosen.role;
  id("f-slot").checked = chosen.open_to_edge;
}

function hole(chosen, { change, choose }) {
  const set = (key) => (value) => change({ do: "hole", index: chosen.index, [key]: value });
  const role = node("select", { id: "f-role" }, ...Object.entries(ROLES).map(([value, words]) => node("option", { value, textContent: words, selected: value === chosen.role })));
  role.addEventListener("change", () => set("role")(role.value));
  const slot = node("input", { type: "checkbox", id: "f-slot", checked: chosen.open_to_edge });
  slot.addEventListener("change", () => set("open_to_edge")(slot.checked));
  return [
    number("x", "X", mm(chosen.x), set("x")), number("y", "Y", mm(chosen.y), set("y")),
    number("diameter", "Diameter", mm(chosen.diameter), set("diameter")),
    node("div", { className: "field" }, node("label", { htmlFor: "f-role", textContent: "What it is for" }), role),
    node("label", { className: "check" }, slot, "Open to the edge: cut as a slot"),
    node("div", { className: "row" }, button("Take the hole out", async () => { choose(null); await change({ do: "remove-hole", index: chosen.index }); })),
  ];
}

function path(chosen, corner, spot, { change, choose }) {
  const set = (key) => (value) => change({ do: "corner", index: chosen.index, corner, [key]: value });
  const count = chosen.corners.length, turn = (by) => () => { choose(chosen, (corner + by + count) % count); id(by > 0 ? "f-next" : "f-before")?.focus(); };
  const before = button("Corner before", turn(-1)), next = button("Next corner", turn(1));
  before.id = "f-before"; next.id = "f-next";
  const made = [
    node("p", { textContent: `Corner ${corner + 1} of ${count}` }), node("div", { className: "row" }, before, next),
    number("x", "X", mm(spot.x), set("x")), number("y", "Y", mm(spot.y), set("y")),
    number("bulge", "Bulge of the piece after it (0 straight)", bent(spot.bulge), set("bulge")),
    number("grow", "All round, mm outwards", "0", (by) => { id("f-grow").value = id("f-grow").dataset.was = "0"; if (by) change({ do: "grow", index: chosen.index, by }); }),
  ];
  if (chosen.kind === "port") made.push(...rectangle(chosen, change), node("div", { className: "row" }, button("Take the port out", async () => { choose(null); await change({ do: "remove-port", index: chosen.index }); })));
  return made;
}

/** A port typed as a rectangle with corner radii: a slot or a circle where the radius is half a side. */
function rectangle(chosen, change) {
  const [xs, ys] = [0, 1].map((k) => chosen.corners.map((c) => c[k]));
  const [left, right, low, high] = [Math.min(...xs), Math.max(...xs), Math.min(...ys), Math.max(...ys)];
  const said = { x: (left + right) / 2, y: (low + high) / 2, width: right - left, height: high - low, radius: 0, turn: 0 };
  const fields = Object.entries({ width: "Width", height: "Height", radius: "Corner radius", turn: "Turned, degrees" }).map(([key, words]) => number(`r-${key}`, words, mm(said[key]), (value) => { said[key] = value; }));
  for (const [key, words] of [["x", "Middle, X"], ["y", "Middle, Y"]]) fields.unshift(number(`r-${key}`, words, mm(said[key]), (value) => { said[key] = value; }));
  const inside = node("div", { className: "pair" }, ...fields);
  const box = node("details", { className: "check-none" }, node("summary", { textContent: "Make it a rectangle, a slot or a circle" }), inside, button("Take these sizes", () => change({ do: "port", index: chosen.index, ...said })));
  return [node("div", { className: "row" }, box)];
}
