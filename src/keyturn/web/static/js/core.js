// What every page needs: asking the server, saying something, the live channel, the look.

export const car = document.body.dataset.car ?? "";

/** A refusal of the server; `row` holds problem, where, typed, accepted, do. */
export class Refused extends Error {
  constructor(status, row) {
    super(row.problem);
    this.status = status;
    this.row = row;
  }
}

/** The server did not answer at all: nothing is known about what became of the request. */
export class Unreachable extends Error {}

export async function ask(method, path, body, { signal } = {}) {
  let answer;
  try {
    answer = await fetch(path, {
      method,
      signal,
      headers: body === undefined ? {} : { "content-type": "application/json" },
      body: body === undefined ? undefined : JSON.stringify(body),
      credentials: "same-origin",
    });
  } catch (fault) {
    if (fault.name === "AbortError") throw fault;
    throw new Unreachable("the server does not answer");
  }
  const text = await answer.text();
  let row = null;
  try { row = text ? JSON.parse(text) : null; } catch { /* not ours: a proxy or a dead server */ }
  if (answer.status === 401) atTheDoor();
  if (!answer.ok) throw new Refused(answer.status, row?.error ?? { problem: `refused (${answer.status})` });
  return row;
}

/** A name that nobody else makes; crypto.randomUUID is missing on a plain http page. */
export const token = () =>
  [...crypto.getRandomValues(new Uint8Array(16))].map((n) => n.toString(16).padStart(2, "0")).join("");

export function say(words, seconds = 6) {
  const line = document.createElement("p");
  line.textContent = words;
  document.getElementById("says").append(line);
  setTimeout(() => line.remove(), seconds * 1000);
}

/** The words of a refusal in one line. */
export function inWords(fault) {
  if (!(fault instanceof Refused)) return fault.message;
  const { problem, accepted, do: advice } = fault.row;
  return [problem, accepted && `accepted: ${accepted}`, advice].filter(Boolean).join("; ");
}

// --- live channel: one event stream per page that is looked at --------------------------------
// A browser opens six connections to a server for all of its tabs together. A tab that nobody looks
// at gives its own back; when it is looked at again, the stream begins with how the build stands.
const hearers = new Map();
let stream = null;
let again = 0;

/** Call `hear(data)` for every event of that name: "build", "journal", "job". */
export function onLive(name, hear) {
  const known = hearers.get(name);
  if (known) known.push(hear);
  else {
    hearers.set(name, [hear]);
    if (stream) attach(name);
  }
  if (!stream && !document.hidden) open();
}

function attach(name) {
  stream.addEventListener(name, (event) => {
    const data = JSON.parse(event.data);
    for (const hear of hearers.get(name)) hear(data);
  });
}

function open() {
  clearTimeout(again);
  if (!car || stream || !hearers.size) return;
  stream = new EventSource(`/api/car/${car}/live`);
  for (const name of hearers.keys()) attach(name);
  stream.onopen = () => linked("");
  stream.onerror = () => {
    linked("no connection: what you type is kept on this device");
    // a server that is away is asked again by the browser; a refusal has to be asked again by us
    if (stream?.readyState === EventSource.CLOSED) {
      shut();
      again = setTimeout(open, 5000);
      ask("GET", "/api/door").then((stands) => stands.paired || atTheDoor()).catch(() => {});
    }
  };
}

function shut() {
  clearTimeout(again);
  stream?.close();
  stream = null;
}

document.addEventListener("visibilitychange", () => (document.hidden ? shut() : open()));

/** This device was turned out: it has to pair, and comes back here after that. */
function atTheDoor() {
  location.assign(`/door?then=${encodeURIComponent(location.pathname)}`);
}

function linked(words) {
  const chip = document.getElementById("link");
  if (chip) chip.textContent = words;
  document.body.dataset.linked = words ? "no" : "yes";
  if (!words) document.dispatchEvent(new Event("linked"));
}

// --- look: auto, light, dark, sunlight -------------------------------------------------------
const LOOKS = ["auto", "light", "dark", "sun"];
const button = document.getElementById("look");
function named() { button.textContent = `Look: ${document.documentElement.dataset.look}`; }
button?.addEventListener("click", () => {
  const now = LOOKS.indexOf(document.documentElement.dataset.look);
  const next = LOOKS[(now + 1) % LOOKS.length];
  document.documentElement.dataset.look = next;
  document.cookie = `look=${next}; path=/; max-age=31536000; samesite=strict`;
  named();
});
if (button) named();
