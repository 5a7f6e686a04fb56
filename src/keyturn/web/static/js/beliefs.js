// Find: priors of causes moved through the build's [priors], and readings from a file.

import { Refused, ask, car, inWords, onLive, say } from "./core.js";
import { bind } from "./drafts.js";
import { node } from "./entry.js";

const id = (name) => document.getElementById(name);
const parts = `/api/car/${car}/parts`;

// --- what was believed beforehand ----------------------------------------------------------------
const rows = () => JSON.parse(id("belief-rows").textContent);
const chosen = () => rows().find((row) => row.name === id("move-cause").value);
const held = ["move-p", "move-why"].map((name) => bind(id(name), `find.${name}`));

function fault(words) {
  id("move-fault").textContent = words;
  id("move-fault").hidden = !words;
  if (words) id("move-p").setAttribute("aria-invalid", "true"); else id("move-p").removeAttribute("aria-invalid");
}

function usual() {
  const row = chosen();
  id("move-usual").textContent = `${row.words}. Usual: ${row.usual}; ${row.reason}.`;
}

async function again() {
  try {
    const answer = await fetch(`/car/${car}/find/beliefs`, { credentials: "same-origin" });
    if (!answer.ok) return;
    const made = new DOMParser().parseFromString(await answer.text(), "text/html").body;
    const inside = id("beliefs").contains(document.activeElement);
    id("beliefs").replaceChildren(...made.childNodes);
    if (inside) (id("beliefs").querySelector("button") ?? id("move").querySelector("summary")).focus();
    usual();
  } catch { /* asked again by the next event */ }
}

/** One edit of [priors]; what somebody else moved meanwhile is shown first. */
async function move(edit) {
  try {
    await ask("POST", parts, { edits: [edit], revision: document.body.dataset.revision });
    fault("");
    await again();
    return true;
  } catch (refused) {
    if (refused instanceof Refused && refused.status === 409) {
      await again();
      fault("Somebody moved it meanwhile: look at what stands there now, then do it again.");
    } else fault(inWords(refused));
    return false;
  }
}

id("move-cause").addEventListener("change", usual);
id("move-form").addEventListener("submit", async (event) => {
  event.preventDefault();
  const row = chosen(), value = id("move-p").value.trim();
  if (!value) { fault("How likely? Type a share such as 30 %."); return id("move-p").focus(); }
  if (await move({ key: `priors.${row.name}`, value, source: id("move-why").value.trim(), seen: row.seen })) {
    for (const one of held) one.drop();
    say("Written to the build; the answer is worked out anew.");
  } else id("move-p").focus();
});
id("beliefs").addEventListener("click", async (event) => {
  const { back, undo } = event.target.closest("button")?.dataset ?? {};
  if (back && await move({ key: back, value: null })) say("Back to the usual weight.");
  if (undo) {
    try {
      const { turned } = await ask("POST", `${parts}/undo`, { id: Number(undo) });
      say(`Taken back: ${turned}`);
    } catch (refused) { say(inWords(refused), 12); }
    again();
  }
});
onLive("build", again);
usual();

// --- many readings at once ---------------------------------------------------------------------------
function said(answer) {
  const box = id("many-said"), { stored, again: known, refused } = answer;
  const doubted = stored.filter((row) => row.status === "suspected").length;
  box.replaceChildren(node("p", [`${stored.length - known} stored`, known && `${known} were in the journal already`,
    doubted && `${doubted} kept apart until you say which unit`, `${refused.length} refused`].filter(Boolean).join(", ") + "."));
  if (!refused.length) return;
  const list = node("ul");
  for (const row of refused) {
    list.append(node("li", [`line ${row.where?.line ?? "?"}${row.where?.key ? `, ${row.where.key}` : ""}: ${row.problem}`,
      row.typed && `typed: ${row.typed}`, row.accepted && `accepted: ${row.accepted}`, row.do].filter(Boolean).join("; "), { class: "fault" }));
  }
  box.append(list);
}

id("many-send").addEventListener("click", async () => {
  const file = id("many-file").files[0], line = id("many-fault");
  const told = (words) => { line.textContent = words; line.hidden = !words; };
  told("");
  id("many-said").replaceChildren();
  const form = /\.(csv|toml)$/i.exec(file?.name ?? "")?.[1].toLowerCase();
  if (!file) return told("Choose a file first.");
  if (!form) return told("Choose a .csv or a .toml file.");
  id("many-send").disabled = true;
  try {
    const answer = await fetch(`/api/car/${car}/read/upload?form=${form}`, { method: "POST", body: file,
      headers: { "content-type": form === "csv" ? "text/csv" : "application/toml" }, credentials: "same-origin" });
    const row = await answer.json();
    if (!answer.ok) throw new Refused(answer.status, row.error);
    said(row);
    document.dispatchEvent(new Event("stored"));
  } catch (refused) {
    told(refused instanceof Refused
      ? `The file ${inWords(refused)}${refused.row.where?.line ? ` (line ${refused.row.where.line})` : ""}`
      : "The server did not answer. Send the file again when it does: no row is stored twice.");
  } finally { id("many-send").disabled = false; }
});
