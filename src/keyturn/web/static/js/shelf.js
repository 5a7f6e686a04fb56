// The shelf: a verdict for each build, one after the other, and three ways to begin a new one.
import { bring } from "./archive.js";
import { ask, inWords, Refused } from "./core.js";
import { bind } from "./drafts.js";

const id = (name) => document.getElementById(name);

// --- faults at the fields -----------------------------------------------------------------------
function fault(key, words) {
  const line = id(`e-${key}`);
  if (!line) return false;
  line.hidden = !words;
  line.textContent = words ?? "";
  const input = id(`n-${key}`);
  if (input && words) input.setAttribute("aria-invalid", "true");
  else input?.removeAttribute("aria-invalid");
  return true;
}

function told(caught, home) {
  const rows = caught instanceof Refused ? (caught.row.faults ?? [caught.row]) : [];
  let first = null;
  for (const row of rows) {
    const key = row.where?.key ?? (/name|folder/.test(row.problem) ? "folder" : "");
    const words = [row.problem, row.accepted && `accepted: ${row.accepted}`].filter(Boolean).join("; ");
    if (!fault(key, words)) fault(home, [key, words].filter(Boolean).join(": "));
    else first ??= id(`n-${key}`);
  }
  if (!rows.length) fault(home, inWords(caught));
  first?.focus();
}

// --- from nothing ---------------------------------------------------------------------------------
const form = id("blank");
const typed = [...form.elements].filter((item) => item.name);
const held = typed.map((item) => bind(item, `new/${item.name}`));
form.addEventListener("submit", async (event) => {
  event.preventDefault();
  for (const item of typed) fault(item.name, null);
  fault("blank", null);
  const answers = Object.fromEntries(
    typed.filter((item) => item.name !== "folder").map((item) => [item.name, item.value]));
  try {
    const row = await ask("POST", "/api/cars", { name: id("n-folder").value.trim(), example: null, answers });
    for (const one of held) one.drop();
    location.assign(row.address);
  } catch (caught) { told(caught, "blank"); }
});

// --- from an example -----------------------------------------------------------------------------
const taken = new Set([...document.querySelectorAll(".car")].map((card) => card.dataset.name));
for (const button of document.querySelectorAll("[data-example]")) {
  button.addEventListener("click", async () => {
    const example = button.dataset.example;
    let name = example;
    for (let n = 2; taken.has(name); n += 1) name = `${example}-${n}`;
    try {
      location.assign((await ask("POST", "/api/cars", { name, example })).address);
    } catch (caught) { fault("example", inWords(caught)); }
  });
}

// --- from a file -----------------------------------------------------------------------------------
id("import").addEventListener("submit", async (event) => {
  event.preventDefault();
  fault("import", null);
  const file = id("i-file").files[0], name = id("i-folder").value.trim();
  if (!file || !name) return fault("import", "Give the build a short name and choose its file.");
  try { location.assign(await bring(file, name, id("i-stand"))); }
  catch (caught) { fault("import", inWords(caught)); }
});
document.body.dataset.ready = "yes";

// --- verdicts, lazily ------------------------------------------------------------------------
for (const card of document.querySelectorAll(".car")) {
  const line = card.querySelector(".verdict");
  try {
    const row = await ask("GET", `/api/car/${card.dataset.name}/verdict`);
    const stamp = document.createElement("span");
    stamp.className = `stamp ${row.verdict.replace(" ", "-")}`;
    stamp.textContent = row.verdict;
    line.replaceChildren(stamp, " ", row.sentence);
  } catch (fault) {
    line.textContent = `No answer: ${inWords(fault)}`;
  }
}
