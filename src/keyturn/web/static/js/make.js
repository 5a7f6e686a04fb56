// Make: photos or callipers to an outline, corrections, proof, cut files; the joint beside it.

import { Refused, Unreachable, ask, car, inWords, onLive, say } from "./core.js";
import { bind, clock, store } from "./drafts.js";
import { callipers } from "./callipers.js";
import { fill, typedNumber } from "./feature.js";
import { fault, form } from "./form.js";
import { joint } from "./joint.js";
import { features, overlay, same } from "./overlay.js";
import { pictures } from "./tracing.js";

const id = (name) => document.getElementById(name);
let view = JSON.parse(id("view").textContent);
let chosen = null, corner = 0;
const part = view?.part ?? "";
const api = (word) => `/api/car/${car}/make/${part}/${word}`;

// --- changes: sent at once, kept on this device until the build has them ----------------------------
const PENDING = `make.${part}.pending`;
let pending = (() => { try { return JSON.parse(localStorage.getItem(`draft:${car}:${PENDING}`))?.changes ?? []; } catch { return []; } })();
let sending = Promise.resolve();

function keep() { return store(PENDING, pending.length ? { changes: pending, at: Date.now() } : null); }

function change(wish) {
  pending.push(wish);
  keep();
  sending = sending.then(send);
  return sending;
}

async function send() {
  if (!pending.length) return;
  const count = pending.length;
  try {
    const made = await ask("POST", api("change"), { revision: view.revision, changes: pending });
    pending = pending.slice(count);
    keep();
    id("kept").className = "state kept";
    id("kept").textContent = `in the build ${clock()}`;
    id("kept").hidden = false;
    if (!id("feature").querySelector("[aria-invalid=true]")) fault("feature", "");
    render(made);
  } catch (refused) {
    if (refused instanceof Unreachable) { waiting(); return; }
    const eared = pending.some((wish) => wish.do === "ear");
    pending = [];
    keep();
    const words = refused instanceof Refused && refused.status === 409 ? "The outline was changed elsewhere meanwhile; nothing was written. It is shown as it is now." : inWords(refused);
    if (eared) wrongLand(words);
    else fault(id("feature").hidden ? "page" : "feature", words);
    await again();
  }
  waiting();
}

function waiting() {
  const box = id("pending");
  box.replaceChildren();
  if (!pending.length) return;
  const row = document.createElement("p"), go = document.createElement("button"), away = document.createElement("button");
  row.className = "card row";
  row.append(`${pending.length} ${pending.length === 1 ? "change" : "changes"} of the outline `, Object.assign(document.createElement("span"), { className: "state draft", textContent: "on this device" }), go, away);
  go.textContent = "Send";
  away.textContent = "Throw away";
  go.addEventListener("click", () => { sending = sending.then(send); });
  away.addEventListener("click", () => { pending = []; keep(); waiting(); render(view); });
  box.append(row);
}

async function again() {
  try { render(await ask("GET", `/api/car/${car}/make/${part}`)); } catch { /* shown as it was */ }
}

// --- what is drawn of a view ------------------------------------------------------------------------
const drawn = overlay({ choose, move });

function choose(feature, k = 0) {
  chosen = features(view.outline).find((row) => same(row, feature)) ?? null; corner = k;
  drawn.show(view, chosen, corner);
  list();
  fill(view, chosen, corner, { change, choose });
}

/** A mark was dragged by so much; sent when it is let go. */
function move(feature, spot, dx, dy, done) {
  const now = features(view.outline).find((row) => same(row, feature));
  if (!now) return;
  let wish;
  if (spot === "corner") {
    const corners = now.corners.map((c) => [...c]);
    corners[corner][0] += dx; corners[corner][1] += dy;
    wish = { do: "corner", index: now.index, corner, x: corners[corner][0], y: corners[corner][1] };
    now.corners = corners;
  } else if (spot === "size") {
    now.diameter = Math.max(0.5, now.diameter + 2 * dx);
    wish = { do: "hole", index: now.index, diameter: now.diameter };
  } else {
    now.x += dx; now.y += dy;
    wish = { do: "hole", index: now.index, x: now.x, y: now.y };
  }
  drawn.preview(now, corner);
  fill(view, now, corner, { change, choose }, true);
  if (done && Math.hypot(dx, dy) > 1e-6) change(rounded(wish));
  else if (done) choose(features(view.outline).find((row) => same(row, feature)), corner);
}

const rounded = (wish) => Object.fromEntries(Object.entries(wish).map(([key, value]) => [key, typeof value === "number" ? Math.round(value * 1e4) / 1e4 : value]));
const plus = (value) => (value ? ` ±${value.toFixed(2)}` : "");

function list() {
  const box = id("features");
  box.replaceChildren(...features(view.outline).map((item) => {
    const row = document.createElement("li"), button = document.createElement("button");
    button.type = "button";
    button.setAttribute("aria-pressed", same(item, chosen));
    const words = item.kind === "hole" ? `${item.role === "bolt" ? "" : `${item.role} `}Ø${item.diameter.toFixed(2)}${plus(item.doubt)}${item.centre_uncertainty ? `, centre${plus(item.centre_uncertainty)}` : ""}${item.open_to_edge ? ", slot" : ""}`
      : `${item.corners.length} corners${item.doubt ? `, edge${plus(item.doubt)}` : ""}`;
    button.append(Object.assign(document.createElement("strong"), { textContent: item.name }), Object.assign(document.createElement("span"), { textContent: words }));
    button.addEventListener("click", () => { choose(item); id("features").querySelector("[aria-pressed=true]")?.focus(); });
    row.append(button);
    return row;
  }));
}

export function render(made) {
  const fresh = made && !view?.outline && made.outline;
  view = made;
  const there = Boolean(view?.outline);
  for (const name of ["found", "proof", "cut", "joint"]) id(name).hidden = !there;
  id("undo").disabled = !view?.undo;
  if (view?.fault) fault("page", `The outline file cannot be read: ${[view.fault.problem, ...(view.fault.faults ?? []).map((row) => `${row.where?.key ?? ""} ${row.problem}`)].join("; ")}. Mend it, or take the last change back.`);
  if (!there) return;
  const { outline, box } = view;
  id("about").textContent = `${(box[2] - box[0]).toFixed(1)} x ${(box[3] - box[1]).toFixed(1)} mm, the ${outline.side} is drawn; ± at 95 %. ${outline.scale_verified ? "The scale is confirmed." : "The scale is not confirmed: do the proof."}`;
  const real = outline.holes.some((hole) => ["photo", "scan"].includes(hole.source)) ? ["Rendered photos check the tracing, no real part yet: count on 0.15 mm in the middle of all holes and 0.3 mm at the worst."] : [];
  id("notes").replaceChildren(...[...outline.notes, ...real].map((words) => Object.assign(document.createElement("li"), { textContent: words })));
  chosen = features(outline).find((row) => same(row, chosen)) ?? null;
  if (chosen?.corners && corner >= chosen.corners.length) corner = 0;
  list();
  fill(view, chosen, corner, { change, choose });
  drawn.show(view, chosen, corner);
  narrow(view);
  wanted();
  const place = `/car/${car}/make/${part}`;
  id("proof-a4").href = `${place}/proof.pdf?paper=a4`;
  id("proof-letter").href = `${place}/proof.pdf?paper=letter`;
  id("drawing").href = `${place}/drawing.svg`;
  lay();
  if (fresh) id("found").scrollIntoView({ block: "start" });
}

function narrow({ narrow: lands, cannot }) {
  const rows = lands.map((land) => {
    const row = document.createElement("li");
    row.append(land.words);
    if (land.hole) {
      const acts = document.createElement("div");
      acts.className = "row";
      for (const [words, act] of [[`Give ${land.hole} an ear`, () => ear(land.hole)], [`Cut ${land.hole} as a slot`, () => change({ do: "slot", name: land.hole })]]) {
        const button = Object.assign(document.createElement("button"), { type: "button", textContent: words });
        button.addEventListener("click", act);
        acts.append(button);
      }
      row.append(acts);
    }
    return row;
  });
  if (cannot) rows.unshift(Object.assign(document.createElement("li"), { className: "fault", textContent: cannot }));
  if (!rows.length) rows.push(Object.assign(document.createElement("li"), { textContent: "None: every land is as wide as wanted once the clearances are added." }));
  id("narrow").replaceChildren(...rows);
  id("ear-box").hidden = !lands.some((land) => land.hole);
}

// the land of an ear: what is no number is said here, what is out of bounds by the build
bind(id("ear-land"), `make.${part}.ear-land`, { chip: document.createElement("span") });

function wrongLand(words) {
  fault("ear-land", words);
  id("ear-land").setAttribute("aria-invalid", Boolean(words));
  if (words) id("ear-land").focus();
}

function ear(name) {
  const text = id("ear-land").value, land = typedNumber(text), none = !text.trim();
  wrongLand(none || Number.isFinite(land) ? "" : "Type a number of millimetres, such as 3 or 4.5; left empty it is 3");
  if (none) change({ do: "ear", name });
  else if (Number.isFinite(land)) change({ do: "ear", name, land });
}

id("undo").addEventListener("click", async () => {
  await sending;
  try { render(await ask("POST", api("undo"), { revision: view.revision })); say("Taken back."); }
  catch (refused) { say(inWords(refused)); again(); }
});
id("add-hole").addEventListener("click", async () => {
  await change({ do: "add-hole", x: (view.box[0] + view.box[2]) / 2, y: (view.box[1] + view.box[3]) / 2, diameter: view.outline.holes[0]?.diameter ?? 6.6 });
  choose(features(view.outline).filter((row) => row.kind === "hole").at(-1));
});
id("add-port").addEventListener("click", async () => {
  await change({ do: "port", x: (view.box[0] + view.box[2]) / 2, y: (view.box[1] + view.box[3]) / 2, width: 20, height: 20, radius: 3 });
  choose(features(view.outline).at(-1));
});

// --- the proof ----------------------------------------------------------------------------------------
let asked = "";
function wanted() {
  const now = view.wanted.map((row) => row.words).join("|");
  if (now === asked) return;           // what is typed there stays
  asked = now;
  id("wanted").replaceChildren(...view.wanted.map((row, n) => {
    const box = document.createElement("div"), label = document.createElement("label"), input = document.createElement("input"), line = document.createElement("span");
    box.className = "field";
    label.htmlFor = input.id = `m-${n + 1}`;
    label.textContent = `${n + 1}. ${row.words} (drawn ${row.value.toFixed(2)} mm)`;
    Object.assign(input, { name: `measured.${n + 1}`, maxLength: 40, inputMode: "decimal", autocomplete: "off" });
    Object.assign(line, { id: `m-${n + 1}-fault`, className: "fault small", hidden: true });
    line.setAttribute("role", "alert");
    input.setAttribute("aria-describedby", line.id);
    box.append(label, input, line);
    bind(input, `make.${part}.${label.textContent.slice(0, 60)}`);
    return box;
  }));
}

form("proof", { act: async (said) => {
  const measured = [1, 2, 3].map((n) => said[`measured.${n}`]);
  const { proof, view: made } = await ask("POST", api("proof"), { revision: view.revision, measured, ruler: id("ruler").checked });
  id("proof-says").replaceChildren(...[proof.sentence, ...proof.rows.map((row) => `${row.words}: ${row.left >= 0 ? "+" : ""}${row.left.toFixed(2)} mm left`), ...proof.notes].map((words, n) => Object.assign(document.createElement("p"), { textContent: words, className: n ? "small" : "next" })));
  render(made);
} });

// --- cut files ------------------------------------------------------------------------------------------
const cut = form("cut", { drafts: `make.${part}.cut`, quiet: true, act: async () => {
  id("cut-picture").hidden = true;
  id("cut-says").replaceChildren();
  const made = await ask("GET", `${api("cut")}?${query()}`);
  id("cut-says").replaceChildren(...[...made.words, ...made.answer.narrow].map((words) => Object.assign(document.createElement("p"), { textContent: words })));
  await shown(made.words[0]);
  lay();
} });
const query = () => new URLSearchParams(Object.entries(cut.said()).filter(([, value]) => value)).toString();

function lay() {
  const place = `/car/${car}/make/${part}`;
  for (const kind of ["dxf", "svg"]) id(`cut-${kind}`).href = `${place}/cut.${kind}?${query()}`;
}
cut.box.addEventListener("input", lay);

/** The very file that is handed out, its lines drawn as wide as a screen needs. */
async function shown(words) {
  const answer = await fetch(`/car/${car}/make/${part}/cut.svg?${query()}`, { credentials: "same-origin" });
  if (!answer.ok) return;
  const drawing = new DOMParser().parseFromString(await answer.text(), "image/svg+xml").documentElement;
  for (const name of ["width", "height"]) drawing.removeAttribute(name);
  drawing.setAttribute("role", "img");
  drawing.setAttribute("aria-label", `What is cut: ${words}`);
  id("cut-picture").replaceChildren(document.importNode(drawing, true));
  id("cut-picture").hidden = false;
}

// --- start -----------------------------------------------------------------------------------------------
const name = () => part || id("name").value.trim();
if (id("name")) bind(id("name"), "make.name");
const arrived = (made, where) => { if (part === where) render(made); else location.href = `/car/${car}/make?part=${where}`; };
pictures({ name, arrived });
callipers({ name, arrived, typed: view?.callipers ?? {}, revision: () => view?.revision ?? "" });
joint({ api, part, typed: view?.joint ?? {} });
document.addEventListener("linked", () => { if (pending.length && document.body.dataset.ready) waiting(); });
onLive("job", () => {});              // the stream says when the server is away
if (view) render(view);
waiting();
document.body.dataset.ready = "yes";
