// What the server sends of a log, kept and handed out: the finest that covers a window at once, the
// exact one when it comes. Only the newest wish is asked for, one at a time.

import { Refused, Unreachable } from "./core.js";

const MOST = 24;

/** Binary answer of web/traces.py: heads of four, then two rows for each channel. */
function unpacked(buffer, names, start, end) {
  const numbers = new Float32Array(buffer);
  let at = 4 * names.length;
  return names.map((name, n) => {
    const [form, count, low, high] = numbers.subarray(4 * n, 4 * n + 4);
    const view = { name, form, low, high, start, end, first: numbers.subarray(at, at + count), second: numbers.subarray(at + count, at + 2 * count) };
    at += 2 * count;
    return view;
  });
}

export function views(address, arrived, failed) {
  const kept = []; // {names, start, end, pixels, rows}
  let wish = null, busy = false, whole = null;

  const same = (one, asked) => one.start === asked.start && one.end === asked.end && one.pixels === asked.pixels && asked.names.every((name) => one.names.includes(name));

  /** For each channel the best that is at hand, or nothing. */
  function best(names, start, end) {
    const fits = (one) => one.start <= start + 1e-9 && one.end >= end - 1e-9;
    return names.map((name) => {
      let found = null;
      for (const one of whole ? [whole, ...kept] : kept) {
        if (!one.names.includes(name)) continue;
        if (!found || (fits(one) && (!fits(found) || one.end - one.start < found.end - found.start))) found = one;
      }
      return found?.rows.find((row) => row.name === name) ?? null;
    });
  }

  function want(asked) {
    const known = [whole, ...kept].find((one) => one && same(one, asked));
    wish = known ? null : asked;
    if (known) return true;
    next();
    return false;
  }

  async function next() {
    if (busy || !wish) return;
    const asked = wish;
    wish = null;
    busy = true;
    try {
      const query = new URLSearchParams({ channels: asked.names.join(","), start: asked.start, end: asked.end, pixels: asked.pixels });
      let answer;
      try { answer = await fetch(`${address}/traces?${query}`, { credentials: "same-origin" }); }
      catch { throw new Unreachable("the server does not answer"); }
      if (!answer.ok) throw new Refused(answer.status, (await answer.json().catch(() => null))?.error ?? { problem: `refused (${answer.status})` });
      const rows = unpacked(await answer.arrayBuffer(), asked.names, asked.start, asked.end);
      const made = { ...asked, rows };
      if (asked.whole) whole = made;
      else { kept.unshift(made); kept.length = Math.min(kept.length, MOST); }
      busy = false;
      arrived(made);
    } catch (fault) { busy = false; failed(fault); }
    next();
  }

  function forget() { kept.length = 0; whole = null; }

  return { best, want, forget, waits: () => busy || wish !== null };
}
