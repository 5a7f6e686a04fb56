// The door: pair this device, or, at the computer itself, renew the code and turn devices out.

import { ask, inWords } from "./core.js";

const form = document.getElementById("pair");
const field = document.getElementById("code");

/** Where the device wanted to go before it was sent here; a page of ours, nothing else. */
function then() {
  const asked = new URLSearchParams(location.search).get("then") ?? "/";
  return /^\/(?![/\\])/.test(asked) ? asked : "/";
}

async function pair() {
  const wrong = document.getElementById("wrong");
  wrong.textContent = "";
  try {
    await ask("POST", "/api/door", { code: field.value });
    location.replace(then());
  } catch (fault) {
    wrong.textContent = inWords(fault);
    field.focus();
    field.select();
  }
}

if (form) {
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    if (field.value.trim()) pair();
    else field.focus();
  });
  // a link from elsewhere comes without the cookie; asked from here, a paired device is known
  const stands = await ask("GET", "/api/door").catch(() => ({ paired: false }));
  const read = location.hash.slice(1);
  if (stands.paired) location.replace(then());
  else if (/^\d{8}$/.test(read)) {
    // the code of the drawing stands behind the #, which no browser sends and no log holds
    history.replaceState(null, "", location.pathname + location.search);
    field.value = read;
    pair();
  } else field.focus();
}

async function done(method, path) {
  try {
    await ask(method, path);
    location.reload();
  } catch (fault) {
    document.getElementById("says").textContent = inWords(fault);
  }
}

document.getElementById("renew")?.addEventListener("click", () => done("POST", "/api/door/code"));
document.getElementById("out")?.addEventListener("click", () => done("DELETE", "/api/door/devices"));
for (const time of document.querySelectorAll("time[data-seconds]")) {
  const at = new Date(Number(time.dataset.seconds) * 1000);
  time.dateTime = at.toISOString();
  time.textContent = at.toLocaleString([], { dateStyle: "medium", timeStyle: "short" });
}
