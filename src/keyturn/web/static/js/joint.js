// The joint: what is typed goes to the judge, the verdict and the torque card come back.

import { ask, car, inWords } from "./core.js";
import { bind } from "./drafts.js";

const id = (name) => document.getElementById(name);

export function joint({ api, part, typed }) {
  const form = id("joint-form"), held = [];
  for (const field of form.elements) {
    if (!field.name) continue;
    const said = typed[field.name];
    if (said !== undefined) { if (field.type === "checkbox") field.checked = said === true; else field.value = said; }
    held.push(bind(field, `make.${part}.joint.${field.name}`, field.type === "checkbox" || field.tagName === "SELECT" ? { chip: document.createElement("span") } : {}));
  }

  function said() {
    const made = {};
    for (const field of form.elements) {
      if (!field.name) continue;
      if (field.type === "checkbox") made[field.name] = field.checked;
      else if (field.value.trim()) made[field.name] = field.value.trim();
    }
    return made;
  }

  function fault(refused) {
    const rows = refused.row?.faults ?? (refused.row ? [refused.row] : []);
    const words = rows.map((row) => [row.where?.key?.replaceAll("_", " "), row.problem, row.accepted && `accepted: ${row.accepted}`, row.do].filter(Boolean).join("; "));
    id("joint-fault").textContent = words.join(". ") || inWords(refused);
    id("joint-fault").hidden = false;
    const first = form.elements[rows[0]?.where?.key];
    if (first) { first.setAttribute("aria-invalid", "true"); first.focus(); }
  }

  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    id("joint-fault").hidden = true;
    for (const field of form.elements) field.removeAttribute("aria-invalid");
    const button = form.querySelector("button.main");
    button.disabled = true;
    id("joint-says").replaceChildren(Object.assign(document.createElement("p"), { textContent: "Working it out ..." }));
    try {
      const made = await ask("POST", api("joint"), { said: said() });
      for (const one of held) one.kept();
      show(made);
    } catch (refused) {
      id("joint-says").replaceChildren();
      fault(refused);
    } finally { button.disabled = false; }
  });

  function show(made) {
    const stamp = Object.assign(document.createElement("span"), { className: `stamp ${made.verdict.replace(" ", "-")}`, textContent: made.verdict });
    const head = document.createElement("p"), words = Object.assign(document.createElement("p"), { textContent: made.headline });
    head.append(stamp);
    const figures = [["card", "Torque card"], ["pressure", "Pressure on the sheet"]].map(([key, title]) => {
      const figure = document.createElement("figure");
      for (const look of ["wide", "narrow"]) {
        const box = document.createElement("div");
        box.className = look;
        // drawn by the server of this page, every word in it escaped there
        box.append(document.importNode(new DOMParser().parseFromString(made[key][look], "text/html").querySelector("svg"), true));
        figure.append(box);
      }
      figure.setAttribute("aria-label", title);
      return figure;
    });
    const take = Object.assign(document.createElement("a"), { className: "button", href: `/car/${car}/make/${part}/card.svg`, download: "", textContent: "Torque card to print" });
    id("joint-says").replaceChildren(head, words, take, ...figures);
  }
}
