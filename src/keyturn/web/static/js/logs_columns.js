// The columns of a log: what was said of them is kept on this device until it is confirmed; each change
// is asked about at once, and the table says what follows from it.

import { Refused, ask, inWords, say } from "./core.js";

const id = (name) => document.getElementById(name);

export function columns({ address, store, confirmed, refused }) {
  let said = read(), revision = null, asked = 0;

  function read() { try { return JSON.parse(localStorage.getItem(store)) ?? {}; } catch { return {}; } }
  function keep() {
    try { if (Object.keys(said).length) localStorage.setItem(store, JSON.stringify(said)); else localStorage.removeItem(store); } catch { /* this page only */ }
  }

  async function load() {
    const mine = ++asked, box = id("columns");
    box.setAttribute("aria-busy", "true");
    try {
      const view = await ask("POST", `${address}/columns`, { said });
      if (mine !== asked) return;
      revision ??= view.revision;
      const made = new DOMParser().parseFromString(view.piece, "text/html").body;
      const focus = document.activeElement?.closest("[data-channel]")?.dataset.channel, kind = document.activeElement?.matches("[data-unit]") ? "[data-unit]" : "[data-column]";
      const open = [...box.querySelectorAll("details")].map((one) => one.open);
      box.replaceChildren(...made.childNodes);
      box.querySelectorAll("details").forEach((one, n) => { one.open = open[n] ?? false; });
      id("said-chip").hidden = !Object.keys(said).length;
      id("confirm").disabled = false;
      if (focus) box.querySelector(`[data-channel="${focus}"] ${kind}`)?.focus({ preventScroll: true });
    } catch (fault) {
      if (mine !== asked) return;
      if (fault instanceof Refused && fault.row.typed && Object.keys(said).length) {
        // something said before does not fit this log: said aloud, and taken back
        say(`${inWords(fault)}: taken back`);
        said = {};
        keep();
        load();
        return;
      }
      refused(fault);
    } finally { if (mine === asked) box.removeAttribute("aria-busy"); }
  }

  function saying(channel, words) { said[channel] = words; keep(); load(); }

  id("columns").addEventListener("change", (event) => {
    const row = event.target.closest("[data-channel]");
    if (!row) return;
    const column = row.querySelector("[data-column]").value, unit = row.querySelector("[data-unit]");
    if (!column) saying(row.dataset.channel, "none");
    else if (event.target.matches("[data-unit]") && unit.value) saying(row.dataset.channel, `${column} as ${unit.value}`);
    else saying(row.dataset.channel, column);
  });
  id("columns").addEventListener("click", (event) => {
    const button = event.target.closest("[data-say]");
    if (button) saying(button.closest("[data-channel]").dataset.channel, button.dataset.say);
  });
  id("confirm").addEventListener("click", async () => {
    if (id("confirm").disabled || id("confirm").onclick) return;
    id("confirm").disabled = true;
    try {
      await ask("POST", `${address}/confirm`, { said, revision });
      said = {};
      keep();
      confirmed();
    } catch (fault) {
      id("confirm").disabled = false;
      if (fault instanceof Refused && fault.status === 409) revision = fault.row.revision ?? "";
      refused(fault);
    }
  });
  return { load };
}
