// A whole build comes in from a file: how far it is, told by the server that counts it.

import { Refused, ask, token } from "./core.js";

const POLL = 300;

/** Makes the build `name` of `file`; `line` shows how far it is. The address of the new build. */
export async function bring(file, name, line) {
  const mine = token();
  const bar = document.createElement("progress"), words = document.createElement("span");
  bar.setAttribute("aria-label", "Import");
  line.replaceChildren(bar, " ", words);
  line.hidden = false;
  let over = false;
  const look = async () => {
    while (!over) {
      await new Promise((done) => { setTimeout(done, POLL); });
      const row = await ask("GET", `/api/archive/${mine}`).catch(() => null);
      if (over || !row?.words) continue;
      if (row.of > 0) { bar.max = row.of; bar.value = row.done; } else bar.removeAttribute("value");
      words.textContent = `${(row.done / 1e6).toFixed(1)} ${row.of > 0 ? `of ${(row.of / 1e6).toFixed(1)} ` : ""}MB ${row.words}`;
    }
  };
  look();
  try {
    let answer;
    try { answer = await fetch(`/api/archive?name=${encodeURIComponent(name)}&token=${mine}`, { method: "POST", body: file, headers: { "content-type": "application/zip" }, credentials: "same-origin" }); }
    catch { throw new Error("The server did not take the file: no connection, or the file is too large. Nothing was changed."); }
    const row = await answer.json().catch(() => null);
    if (!answer.ok) throw new Refused(answer.status, row?.error ?? { problem: `refused (${answer.status})` });
    return row.address;
  } finally { over = true; line.hidden = true; }
}
