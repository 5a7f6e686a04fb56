// Nothing typed is lost: text is kept on this device as it is typed, until the build has it.
//
//   const held = bind(input, "pump.flow");   // brings a draft back, with a chip that says so
//   held.kept();                             // the server has acknowledged it: "in the build 14:03"
//   held.drop();                             // given up: the text the page was made with returns
//   held.isDraft, held.seen                  // `seen`: the text that stood there when typing began
//   held.stamp                               // options.stamp of that moment, also after a reload
//
// One draft per car and key, in localStorage. A draft is never sent by itself after a reload or a
// lost connection: the page shows it and the user sends it.

import { car } from "./core.js";

const PREFIX = `draft:${car}:`;
export const clock = (at = Date.now()) =>
  new Date(at).toLocaleTimeString([], { hour: "2-digit", minute: "2-digit", hour12: false });

function read(key) {
  try { return JSON.parse(localStorage.getItem(PREFIX + key)); } catch { return null; }
}

/** False when this browser stores nothing (private mode, or full). */
export function store(key, row) {
  try {
    if (row === null) localStorage.removeItem(PREFIX + key);
    else localStorage.setItem(PREFIX + key, JSON.stringify(row));
    return true;
  } catch { return row === null; }
}

/** Every draft of this car: [{key, text, seen, at}]. */
export function all() {
  try {
    return Object.keys(localStorage).filter((name) => name.startsWith(PREFIX))
      .map((name) => name.slice(PREFIX.length))
      .map((key) => ({ key, ...read(key) })).filter((row) => typeof row.text === "string");
  } catch { return []; }
}

/** `options.chip`: the element for the chip (made behind the input when left out);
    `options.onRestore(text)` is called when a draft has come back. */
export function bind(input, key, options = {}) {
  const chip = options.chip ?? made(input);
  const isBox = input.type === "checkbox";
  const get = () => (isBox ? String(input.checked) : input.value);
  const put = (text) => { if (isBox) input.checked = text === "true"; else input.value = text; };
  const held = { input, key, isDraft: false, seen: get(), stamp: options.stamp, put, get, kept, drop, note };

  function note() {
    const text = get();
    if (text === held.seen) return drop();
    held.isDraft = true;
    const done = store(key, { text, seen: held.seen, stamp: held.stamp, at: Date.now() });
    show("draft", done ? "on this device" : "only in this page: this browser keeps nothing");
  }
  function kept(text = get(), at = Date.now()) {
    held.seen = text;
    if (get() === text) { held.isDraft = false; store(key, null); show("kept", `in the build ${clock(at)}`); }
    else note();                       // typed on while it was being sent
  }
  function drop() {
    held.isDraft = false;
    put(held.seen);
    store(key, null);
    show("", "");
  }
  function show(look, words) {
    chip.className = look ? `state ${look}` : "state";
    chip.hidden = !words;
    chip.textContent = words;
  }

  const old = read(key);
  if (old && typeof old.text === "string" && old.text !== held.seen) {
    put(old.text);
    held.isDraft = true;
    held.stamp = old.stamp;          // `seen` is what this page shows; `stamp` what was seen then
    show("draft", `on this device since ${clock(old.at)}`);
    options.onRestore?.(old.text);
  } else {
    if (old) store(key, null);         // the build says the same by now
    show("", "");
  }
  input.addEventListener("input", note);
  if (input.tagName === "SELECT" || isBox) input.addEventListener("change", note);
  return held;
}

function made(input) {
  const chip = document.createElement("span");
  chip.id = `${input.id || `d${Math.random().toString(36).slice(2)}`}-state`;
  input.after(chip);
  const said = input.getAttribute("aria-describedby");
  input.setAttribute("aria-describedby", said ? `${said} ${chip.id}` : chip.id);
  return chip;
}
