// What the journal has not acknowledged yet. Each is kept on this device under a token of its own
// before it is sent, and sent again until the server answers; the server stores a token once, so
// that a lost answer, a reload, a second tab or a restart never makes two of one.
//
//   add(typed, words) -> token      flush()      all()      drop(token)      of readings
//   box(prefix, post) makes another one; post(item, signal) sends an item
//   document "outbox": the list changed;  document "sent": {detail: {item, answer}}

import { Refused, ask, car, token } from "./core.js";

const AGAIN = [2, 4, 8, 15, 30, 60]; // [s] between tries while nobody answers
const PATIENCE = 15000; // [ms] for one answer

export const changed = () => document.dispatchEvent(new Event("outbox"));

/** One such list of this device. */
export function box(prefix, post) {
  const memory = new Map(); // where this browser stores nothing: lost with the page, and said so
  let tries = 0, timer = 0, running = null;

  function put(item) {
    try { localStorage.setItem(prefix + item.token, JSON.stringify(item)); }
    catch { memory.set(item.token, { ...item, page: true }); }
    changed();
  }

  function get(name) {
    try { return JSON.parse(localStorage.getItem(prefix + name)) ?? memory.get(name) ?? null; }
    catch { return memory.get(name) ?? null; }
  }

  function drop(name) {
    memory.delete(name);
    try { localStorage.removeItem(prefix + name); } catch { /* nothing was stored */ }
    changed();
  }

  /** Everything that is on this device only, the oldest first. */
  function all() {
    let names = [...memory.keys()];
    try {
      names = names.concat(Object.keys(localStorage).filter((name) => name.startsWith(prefix))
        .map((name) => name.slice(prefix.length)));
    } catch { /* memory only */ }
    return names.map(get).filter((item) => item?.typed).sort((a, b) => a.at - b.at);
  }

  function add(typed, words) {
    const item = { token: token(), typed, words, at: Date.now() };
    put(item);
    return item.token;
  }

  /** Send what waits, one after the other; a call while that is done sends what came since. */
  function flush() {
    const mine = (running ?? Promise.resolve()).then(() => alone(send)).finally(() => { if (running === mine) running = null; });
    running = mine;
    return mine;
  }

  /** One tab at a time where the browser can say so; elsewhere the token alone keeps them apart. */
  function alone(work) {
    return navigator.locks ? navigator.locks.request(prefix, work) : work();
  }

  async function send() {
    clearTimeout(timer);
    for (const { token: name } of all()) {
      const item = get(name); // another tab may have sent it meanwhile
      if (!item || item.fault) continue;
      try {
        const signal = AbortSignal.timeout(PATIENCE);
        const answer = await post(item, signal);
        tries = 0;
        drop(name);
        document.dispatchEvent(new CustomEvent("sent", { detail: { item, answer } }));
      } catch (fault) {
        if (fault instanceof Refused && [404, 409, 413, 415, 422].includes(fault.status)) {
          put({ ...item, fault: fault.row });
          continue;
        }
        // not reached, not paired, too fast, or the server itself failed: it waits
        timer = setTimeout(flush, 1000 * AGAIN[Math.min(tries++, AGAIN.length - 1)]);
        return;
      }
    }
  }

  document.addEventListener("linked", () => { tries = 0; flush(); });
  addEventListener("online", flush);
  addEventListener("storage", (event) => { if (event.key?.startsWith(prefix)) changed(); });
  return { add, all, drop, flush, get };
}

export const { add, all, drop, flush } = box(`outbox:${car}:`, (item, signal) =>
  ask("POST", `/api/car/${car}/read`, { ...item.typed, token: item.token }, { signal }));
