// Two variants beside each other: A is pinned, B is what is set now.
import { ask, car, inWords } from "./core.js";
import * as bench from "./bench.js";

const STORE = `pinned:${car}`;
const at = (id) => document.getElementById(id);
let a = null; // {variant, positions, options}
let stop = null;
let given = null;

const width = () => Math.max(320, Math.min(720, Math.floor(at("side-a").clientWidth)));

function keep() {
  try {
    if (a) localStorage.setItem(STORE, JSON.stringify(a));
    else localStorage.removeItem(STORE);
  } catch { /* this page only */ }
}

function side(id, row, words) {
  const box = at(id);
  box.querySelector(".what").textContent = words;
  const stamp = box.querySelector(".stamp");
  stamp.className = `stamp ${row.verdict.replace(" ", "-")}`;
  stamp.textContent = row.verdict;
  box.querySelector(".said").textContent = `${row.headline} Chance that it holds: ${row.chance.replace(" ", "\u00a0")}.`;
  for (const drawing of box.querySelectorAll(".drawing")) {
    // each side has ids of its own, or both would point at the patterns of the first
    const name = id.at(-1);
    drawing.innerHTML = row.figures[drawing.dataset.name]
      .replace(/(id="|url\(#|aria-labelledby=")([^")]+)/g, (_, head, ids) => head + ids.split(" ").map((one) => `${name}-${one}`).join(" "));
  }
}

async function compare(variant) {
  stop?.abort();
  const mine = stop = new AbortController();
  for (const stamp of document.querySelectorAll("#side-b .stamp")) {
    stamp.className = "stamp waits";
    stamp.textContent = "bands follow";
  }
  try {
    const row = await ask("POST", `/api/car/${car}/check/compare`, { a: a.variant, b: variant, width: width() }, { signal: mine.signal });
    if (stop !== mine) return;
    side("side-a", row.a, bench.words(a));
    side("side-b", row.b, bench.words({ positions: bench.positions(), options: variant.options }));
    at("differs").replaceChildren(...row.words.map((words) => Object.assign(document.createElement("li"), { textContent: words })));
  } catch (fault) {
    if (fault.name === "AbortError") return;
    at("differs").replaceChildren(Object.assign(document.createElement("li"), { className: "fault", textContent: inWords(fault) }));
  }
}

function look(which) {
  at("show-a").setAttribute("aria-pressed", String(which === "a"));
  at("show-b").setAttribute("aria-pressed", String(which === "b"));
}

export const pinned = {
  pin(variant) {
    a = { variant, positions: bench.positions(), options: variant.options };
    keep();
    at("pinned").hidden = false;
    compare(variant);
    at("pinned").scrollIntoView({ block: "nearest" });
  },
  /** The bands of what is set now are there. */
  live(variant) { if (a) compare(variant); },
  start(with_) {
    given = with_;
    try { a = JSON.parse(localStorage.getItem(STORE)); } catch { a = null; }
    at("pinned").hidden = a === null;
    const pair = at("pair");
    for (const which of ["a", "b"]) {
      at(`show-${which}`).addEventListener("click", () => {
        pair.scrollTo({ left: which === "a" ? 0 : pair.clientWidth });
        look(which);
      });
    }
    pair.addEventListener("scroll", () => look(pair.scrollLeft > pair.clientWidth / 2 ? "b" : "a"), { passive: true });
    at("unpin").addEventListener("click", () => { a = null; keep(); at("pinned").hidden = true; });
    at("swap").addEventListener("click", () => given.set(a));
  },
};
