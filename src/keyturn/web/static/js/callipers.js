// Holes by callipers: rows of holes and distances; every answer names the distance that helps most.

import { ask, car } from "./core.js";
import { store } from "./drafts.js";
import { form } from "./form.js";

const id = (name) => document.getElementById(name);
const KEY = "make.callipers";
const OVER = { outside: "outsides", inside: "insides", centre: "out to in" };

function read(part) {
  try { return JSON.parse(localStorage.getItem(`draft:${car}:${KEY}.${part}`))?.rows ?? null; } catch { return null; }
}

/** Rows as the build keeps them, in the words of this page. */
function kept(typed) {
  const rows = [typed.hole, typed.distance ?? [], typed.port ?? []];
  if (!rows.every((list) => Array.isArray(list) && list.every((row) => row && typeof row === "object"))) return null;
  return {
    holes: typed.hole.map(({ x, y, diameter }) => ({ x, y, diameter })),
    distances: (typed.distance ?? []).map(({ from, to, value, over }) => ({ start: from, end: to, value, over })),
    ports: (typed.port ?? []).map(({ rectangle }) => rectangle ?? {}),
    around: typed.outer?.around ?? 8, symmetric: typed.symmetric === true,
  };
}

export function callipers({ name, arrived, typed, revision }) {
  const empty = { holes: [{}, {}, {}], distances: [{}, {}, {}], ports: [], around: 8, symmetric: false };
  const rows = read(name()) ?? kept(typed) ?? empty;

  const note = () => store(`${KEY}.${name()}`, { rows, at: Date.now() });

  function line(list, n, words, fields) {
    const box = document.createElement("div"), title = document.createElement("strong");
    box.className = `line n${Object.keys(fields).length}`;
    title.textContent = `${words} ${n + 1}`;
    box.append(title);
    for (const [key, said] of Object.entries(fields)) {
      const field = document.createElement("div"), label = document.createElement("label");
      const input = document.createElement(typeof said === "string" ? "input" : "select");
      label.htmlFor = input.id = `c-${words.replace(" ", "")}-${n + 1}-${key}`;
      label.textContent = typeof said === "string" ? said : "Over";
      if (typeof said === "string") Object.assign(input, { inputMode: "decimal", maxLength: 12, autocomplete: "off", value: rows[list][n][key] ?? "" });
      else input.append(...Object.entries(said).map(([value, text]) => Object.assign(document.createElement("option"), { value, textContent: text, selected: value === (rows[list][n][key] ?? "outside") })));
      input.setAttribute("aria-label", `${words} ${n + 1}, ${label.textContent}`);
      for (const kind of ["input", "change"]) input.addEventListener(kind, () => { rows[list][n][key] = input.value; note(); });
      field.append(label, input);
      box.append(field);
    }
    const away = Object.assign(document.createElement("button"), { type: "button", textContent: "–" });
    away.setAttribute("aria-label", `take ${words} ${n + 1} out`);
    away.addEventListener("click", () => { rows[list].splice(n, 1); note(); show(); });
    box.append(away);
    return box;
  }

  function show() {
    id("c-holes").replaceChildren(...rows.holes.map((_, n) => line("holes", n, "Hole", { x: "X, mm", y: "Y, mm", diameter: "Diameter" })));
    id("c-distances").replaceChildren(...rows.distances.map((_, n) => line("distances", n, "Distance", { start: "From hole", end: "To hole", value: "mm", over: OVER })));
    id("c-ports").replaceChildren(...rows.ports.map((_, n) => line("ports", n, "Port", { x: "Middle X", y: "Middle Y", width: "Width", height: "Height", radius: "Radius" })));
  }

  function add(list, words, key) {
    rows[list].push({});
    note();
    show();
    id(`c-${words}-${rows[list].length}-${key}`).focus();
  }

  const numbers = (row, keys) => Object.fromEntries(keys.map((key) => [key, Number(String(row[key] ?? "").replace(",", ".").trim() || NaN)]));

  /** Typed rows as numbers; a row that is empty is left out, one that is half typed is named. */
  function taken(list, words, keys) {
    return rows[list].flatMap((row, n) => {
      const typed = keys.map((key) => String(row[key] ?? "").trim());
      if (typed.every((text) => !text)) return [];
      const made = numbers(row, keys);
      const wrong = keys.find((key) => !Number.isFinite(made[key]));
      if (wrong) { id(`c-${words}-${n + 1}-${wrong}`)?.focus(); throw new Error(`${words} ${n + 1} is not whole: type every number of it, in millimetres`); }
      return [made];
    });
  }

  id("c-add-hole").addEventListener("click", () => add("holes", "Hole", "x"));
  id("c-add-distance").addEventListener("click", () => add("distances", "Distance", "start"));
  id("c-add-port").addEventListener("click", () => add("ports", "Port", "x"));
  id("c-around").value = rows.around;
  id("c-symmetric").checked = rows.symmetric;
  id("c-around").addEventListener("input", () => { rows.around = id("c-around").value; note(); });
  id("c-symmetric").addEventListener("change", () => { rows.symmetric = id("c-symmetric").checked; note(); });

  const next = (words) => { id("c-next").textContent = words; };

  form("callipers", { act: async () => {
    next("");
    if (!name()) { id("name").focus(); throw new Error("Type a name for the part first."); }
    const overs = rows.distances.filter((row) => ["start", "end", "value"].some((key) => String(row[key] ?? "").trim())).map((row) => row.over ?? "outside");
    const said = {
      revision: revision(), holes: taken("holes", "Hole", ["x", "y", "diameter"]),
      distances: taken("distances", "Distance", ["start", "end", "value"]).map((row, n) => ({ ...row, over: overs[n] })),
      ports: taken("ports", "Port", ["x", "y", "width", "height", "radius"]),
      around: Number(String(rows.around).replace(",", ".")), symmetric: rows.symmetric,
    };
    const made = await ask("POST", `/api/car/${car}/make/${encodeURIComponent(name())}/measure`, said);
    store(`${KEY}.${name()}`, null);
    next(`Every hole is held to ${made.worst.toFixed(2)} mm or better (95 %).${made.next ? ` A further distance would help most from ${made.next}.` : ""}`);
    arrived(made.view, made.view.part);
  } });
  show();
}
