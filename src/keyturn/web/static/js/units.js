// Units per quantity, remembered on this device. The server writes
//   <data class="q" value="SI" data-quantity="pressure_gauge">345 kPa (50 psi)</data>
// and this file repaints it. Tapping a number takes the next unit; the Units button lists them.
//
//   await ready;  show(si, "flow")  toSi(12, "L/h", "flow")  unitOf("flow")  paint(root)
//   document "units": a unit was changed

const STORE = "units";
let table = {};
const chosen = load();

function load() {
  try { return JSON.parse(localStorage.getItem(STORE)) ?? {}; } catch { return {}; }
}

export const ready = fetch("/api/units", { credentials: "same-origin" })
  .then((answer) => (answer.ok ? answer.json() : { quantities: {} }))
  .catch(() => ({ quantities: {} }))
  .then((row) => { table = row.quantities; paint(); });

/** {word, shown, factor, offset} in use for a quantity: SI = number * factor + offset. */
export function unitOf(quantity) {
  const row = table[quantity];
  if (!row) return null;
  return row.units.find((unit) => unit.word === chosen[row.group]) ?? row.units[0];
}

export function choose(quantity, word) {
  const row = table[quantity];
  if (!row) return;
  chosen[row.group] = word;
  try { localStorage.setItem(STORE, JSON.stringify(chosen)); } catch { /* this page only */ }
  paint();
  document.dispatchEvent(new Event("units"));
}

export function toSi(number, word, quantity) {
  const unit = table[quantity]?.units.find((row) => row.word === word) ?? unitOf(quantity);
  return number * unit.factor + unit.offset;
}

export function digits(value, count = 3) {
  if (!Number.isFinite(value)) return "–";
  if (value === 0) return "0";
  const places = Math.max(0, count - 1 - Math.floor(Math.log10(Math.abs(value))));
  return value.toFixed(Math.min(places, 6)).replace("-", "−");
}

const inUnit = (si, unit) => `${digits((si - unit.offset) / unit.factor)} ${unit.shown}`.trim();

/** The text of an SI value; pressures say a second unit, since gauges come in either. */
export function show(si, quantity) {
  const row = table[quantity], unit = unitOf(quantity);
  if (!unit) return digits(si);
  const first = inUnit(si, unit);
  if (row.group !== "pressure" || !Number.isFinite(si)) return first;
  const other = row.units.find((item) => item.word === (unit.word === "psi" ? "kPa" : "psi"));
  return other ? `${first} (${inUnit(si, other)})` : first;
}

export function paint(root = document) {
  for (const mark of root.querySelectorAll("data.q")) {
    if (table[mark.dataset.quantity]) mark.textContent = show(Number(mark.value), mark.dataset.quantity);
  }
}

document.addEventListener("click", (event) => {
  const mark = event.target.closest?.("data.q");
  const row = mark && table[mark.dataset.quantity];
  if (!row || row.units.length < 2) return;
  const at = row.units.indexOf(unitOf(mark.dataset.quantity));
  choose(mark.dataset.quantity, row.units[(at + 1) % row.units.length].word);
});

// --- the same by keyboard: a list of the kinds of quantity ---------------------------------------
const opener = document.getElementById("units");
opener?.addEventListener("click", async () => {
  await ready;
  const box = document.createElement("dialog");
  box.className = "units";
  box.setAttribute("aria-label", "Units");
  const title = document.createElement("h2");
  title.textContent = "Units on this device";
  box.append(title);
  const done = new Set();
  for (const [name, row] of Object.entries(table)) {
    if (done.has(row.group) || row.units.length < 2) continue;
    done.add(row.group);
    box.append(line(name, row));
  }
  const close = document.createElement("button");
  close.className = "main";
  close.textContent = "Done";
  close.addEventListener("click", () => box.close());
  box.append(close);
  box.addEventListener("close", () => { box.remove(); opener.focus(); });
  document.body.append(box);
  box.showModal();
});

function line(name, row) {
  const label = document.createElement("label");
  const list = document.createElement("select");
  list.setAttribute("aria-label", row.group_words);
  label.append(row.group_words, list);
  for (const unit of row.units) list.add(new Option(unit.shown || unit.word, unit.word));
  list.value = unitOf(name).word;
  list.addEventListener("change", () => choose(name, list.value));
  return label;
}
