// Papers: bring a journal or a whole build back from a file. Every refusal is said at its file.

import { bring } from "./archive.js";
import { Refused, car, inWords, say } from "./core.js";

const id = (name) => document.getElementById(name);

async function send(path, file, kind) {
  let answer;
  try { answer = await fetch(path, { method: "POST", body: file, headers: { "content-type": kind }, credentials: "same-origin" }); }
  catch { throw new Error("The server did not take the file: no connection, or the file is too large. Look at the journal before you try again."); }
  const row = await answer.json().catch(() => null);
  if (!answer.ok) throw new Refused(answer.status, row?.error ?? { problem: `refused (${answer.status})` });
  return row;
}

/** A button that gives the file of an input to `take`. */
function importer(word, take) {
  const input = id(`${word}-file`), button = id(`${word}-import`), fault = id(`${word}-fault`);
  const say_fault = (words) => { fault.textContent = words; fault.hidden = !words; };
  button.addEventListener("click", async () => {
    say_fault("");
    const file = input.files[0];
    if (!file) return say_fault("Choose a file first.");
    button.disabled = true;
    try { await take(file); }
    catch (refused) {
      // a refusal of a file is told as what the file is or holds
      const words = inWords(refused);
      say_fault(/^(is|holds|cannot) /.test(words) ? `The file ${words}` : words);
    }
    finally { button.disabled = false; }
  });
}

importer("journal", async (file) => {
  const row = await send(`/api/car/${car}/papers/import`, file, "application/x-ndjson");
  if (row.added) location.reload();
  else say("The journal holds all of that already; nothing was added.");
});
importer("build", async (file) => {
  const name = id("build-name").value.trim();
  if (!name) { id("build-name").focus(); throw new Error("Type a name for the new build."); }
  location.href = await bring(file, name, id("build-stand"));
});
