// A form of Make: what was typed comes back, a refusal stands at its field, one button that waits.

import { inWords } from "./core.js";
import { bind } from "./drafts.js";

const id = (name) => document.getElementById(name);

/** Words in the line kept for them under a field or a form; none hide it. */
export function fault(name, words) {
  const line = id(`${name}-fault`);
  if (line) { line.textContent = words; line.hidden = !words; }
  return line;
}

/** `act(said)` is asked on submit and may throw. `typed`: what the build has; `drafts`: under which
    name fields are kept on this device; `quiet`: without a chip that says so; `after`: whatever came
    of it, once the button is back. */
export function form(name, { act, typed = {}, drafts = "", quiet = false, after = () => {} }) {
  const box = id(`${name}-form`), held = [];
  const fields = () => [...box.elements].filter((item) => item.name && !item.disabled && item.type !== "radio");
  const isBox = (field) => field.type === "checkbox";

  for (const field of fields()) {
    const was = typed[field.name];
    if (was !== undefined) { if (isBox(field)) field.checked = was === true; else field.value = was; }
    const silent = quiet || isBox(field) || field.tagName === "SELECT";
    if (drafts) held.push(bind(field, `${drafts}.${field.name}`, { chip: silent ? document.createElement("span") : id(`${field.id}-state`) }));
  }

  const said = () => Object.fromEntries(fields().map((field) => [field.name, isBox(field) ? field.checked : field.value.trim()]));

  function clear() {
    fault(name, "");
    for (const field of box.elements) { field.removeAttribute("aria-invalid"); if (field.id) fault(field.id, ""); }
  }

  /** Every row of a refusal at its field; what belongs to none stands below. */
  function refuse(refused) {
    const rows = refused.row?.faults ?? (refused.row ? [refused.row] : [{ problem: inWords(refused) }]);
    const rest = [];
    let first = null;
    for (const row of rows) {
      const key = row.where?.key ?? "", words = [row.problem, row.accepted && `accepted: ${row.accepted}`, ...(row.missing ?? []), row.do].filter(Boolean).join("; ");
      const field = fields().find((item) => item.name === key || item.dataset.also === key);
      if (field && fault(field.id, words)) { field.setAttribute("aria-invalid", "true"); first ??= field; }
      else rest.push(key && rows.length > 1 ? `${key.replaceAll("_", " ")}: ${words}` : words);
    }
    fault(name, rest.join(". "));
    first?.focus();
  }

  box.addEventListener("submit", async (event) => {
    event.preventDefault();
    clear();
    const button = box.querySelector("button.main"), was = button.disabled;
    button.disabled = true;
    try { await act(said()); }
    catch (refused) { refuse(refused); }
    finally { button.disabled = was; after(); }
  });
  return { box, said, clear, refuse, kept: () => held.filter((one) => one.isDraft).forEach((one) => one.kept()) };
}
