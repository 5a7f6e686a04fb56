// The joint: what is typed goes to the judge, the verdict and the torque card come back.

import { ask, car } from "./core.js";
import { form } from "./form.js";

const id = (name) => document.getElementById(name);

export function joint({ api, part, typed }) {
  const made = form("joint", { typed, drafts: `make.${part}.joint`, act: async (said) => {
    id("joint-says").replaceChildren(Object.assign(document.createElement("p"), { textContent: "Working it out ..." }));
    try {
      const answer = await ask("POST", api("joint"), { said });
      made.kept();
      show(answer);
    } catch (refused) { id("joint-says").replaceChildren(); throw refused; }
  } });

  function show(answer) {
    const stamp = Object.assign(document.createElement("span"), { className: `stamp ${answer.verdict.replace(" ", "-")}`, textContent: answer.verdict });
    const head = document.createElement("p"), words = Object.assign(document.createElement("p"), { textContent: answer.headline });
    head.append(stamp);
    const figures = [["card", "Torque card"], ["pressure", "Pressure on the sheet"]].map(([key, title]) => {
      const figure = document.createElement("figure");
      for (const look of ["wide", "narrow"]) {
        const box = document.createElement("div");
        box.className = look;
        // drawn by the server of this page, every word in it escaped there
        box.append(document.importNode(new DOMParser().parseFromString(answer[key][look], "text/html").querySelector("svg"), true));
        figure.append(box);
      }
      figure.setAttribute("aria-label", title);
      return figure;
    });
    const take = Object.assign(document.createElement("a"), { className: "button", href: `/car/${car}/make/${part}/card.pdf`, download: "", textContent: "Torque card to print" });
    id("joint-says").replaceChildren(head, words, take, ...figures);
  }
}
