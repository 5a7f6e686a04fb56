// Synchronized traces of a log on one time axis: lanes one under the other, what was found below them
// in its own rows, a cursor that reads every channel. What is drawn of a pixel is its least and
// greatest sample, so that no short spike is lost.
//
//   const plot = traces({traced, at, found});  plot.mark(spans, words)  plot.show(start, end)
//   plot.relist({traced, found})               document "cursor": {detail: {time}}

import { car, inWords, say } from "./core.js";
import { LONG, clock, font, line, onLook, palette, pattern, ring, sized, stepOf, text, ticks, tickWords, timeTicks, within } from "./traces_draw.js";
import { watchHands } from "./traces_hands.js";
import { views } from "./traces_views.js";
import { digits, ready, show, unitOf } from "./units.js";

const id = (name) => document.getElementById(name);
const LEAST = 1e-3; // [s] of a window
const ROOM = 4; // [px] between a trace and its frame: the first and the last sample stand free of it
const GRADE = { look: "dots", "stop the run": "slanted", "end the session": "crossed" };
const STORE = `traces:${car}`;

export function traces({ traced, at, found }) {
  const plot = id("plot"), canvas = id("lanes"), address = `/api/car/${car}/drive/logs/${at}`;
  const duration = Math.max(traced.duration, LEAST);
  const state = { start: 0, end: duration, cursor: null, marked: [], exact: false };
  let lanes = [], shown = [], box = null, reading = false, wanted = null, later = 0;
  // what has come is drawn at once: waiting for a frame first would cost one
  const data = views(address, () => { cancelAnimationFrame(frame); paint(); }, (fault) => say(`The traces are not redrawn: ${inWords(fault)}`));

  // --- which channels ------------------------------------------------------------------------------
  function remembered() { try { return JSON.parse(localStorage.getItem(STORE)); } catch { return null; } }
  function choose() {
    const names = traced.channels.map((one) => one.name), kept = remembered()?.filter((name) => names.includes(name));
    shown = kept?.length ? kept : traced.channels.filter((one) => one.first).map((one) => one.name);
    if (!shown.length) shown = names.slice(0, 4);
    laneUp();
    chooser();
  }
  function laneUp() {
    lanes = [];
    for (const one of traced.channels.filter((row) => shown.includes(row.name))) {
      const other = one.with && lanes.find((lane) => lane.rows[0].name === one.with);
      if (other) other.rows.push(one); else lanes.push({ rows: [one] });
    }
  }
  function chooser() {
    id("channels").replaceChildren(...traced.channels.map((one) => {
      const label = document.createElement("label"), tick = document.createElement("input");
      label.className = "big";
      tick.type = "checkbox";
      tick.checked = shown.includes(one.name);
      tick.addEventListener("change", () => {
        shown = tick.checked ? [...shown, one.name] : shown.filter((name) => name !== one.name);
        if (!shown.length) { shown = [one.name]; tick.checked = true; say("One channel at least is drawn."); }
        try { localStorage.setItem(STORE, JSON.stringify(shown)); } catch { /* this page only */ }
        laneUp();
        begin();
        move(state.cursor);
      });
      label.append(tick, `${one.words}${one.derived ? " (derived)" : ""}`);
      return label;
    }));
  }

  // --- where everything stands, CSS pixels -----------------------------------------------------------
  function layout() {
    const width = plot.clientWidth, phone = width < 600, gutter = phone ? 48 : 60, high = phone ? 78 : 92;
    const rows = found().findings, strip = rows.length ? 26 : 0, stretches = found().stretches.length ? 26 : 0;
    const top = 8, each = high + 26, below = top + lanes.length * each;
    const height = below + strip * rows.length + stretches + 40;
    box = { width, gutter, plotWidth: Math.max(40, width - gutter - 12), high, each, top, below, strip, stretches, bottom: below + strip * rows.length + stretches, height, phone };
  }
  const px = (time) => box.gutter + ((time - state.start) / (state.end - state.start)) * box.plotWidth;
  const timeAt = (x) => state.start + ((x - box.gutter) / box.plotWidth) * (state.end - state.start);
  const ratio = () => Math.min(2, Math.max(1, devicePixelRatio || 1));
  const wish = (start, end) => ({ names: traced.channels.map((one) => one.name).filter((name) => shown.includes(name)), start, end, pixels: Math.max(2, Math.round(box.plotWidth * ratio())) });

  /** The whole log first, to have something at hand for every window; then the window. */
  function begin() {
    layout();
    data.forget();
    if (state.start > 0 || state.end < duration) data.want({ ...wish(0, duration), whole: true });
    ask();
  }

  /** Draw what is at hand now, and ask for what is not. */
  function ask() {
    layout();
    const whole = state.start <= 0 && state.end >= duration;
    data.want({ ...wish(state.start, state.end), whole });
    draw();
  }

  let frame = 0;
  function draw() { if (!frame) frame = requestAnimationFrame(paint); }

  function paint() {
    frame = 0;
    layout();
    const { pen } = sized(canvas, box.width, box.height), names = wish(0, 1).names;
    const rows = new Map(data.best(names, state.start, state.end).map((view, n) => [names[n], view]));
    marks(pen, true);
    lanes.forEach((lane, n) => laneOf(pen, lane, box.top + n * box.each + 20, rows));
    gaps(pen);
    resets(pen);
    foundRows(pen);
    axis(pen);
    cursorLine(pen);
    state.rows = rows;
    state.exact = names.every((name) => { const view = rows.get(name); return view && view.start === state.start && view.end === state.end; });
    plot.dataset.drawn = state.exact ? `${state.start} ${state.end}` : "coarse";
    plot.dataset.box = JSON.stringify({ gutter: box.gutter, plotWidth: box.plotWidth, top: box.top + 20, each: box.each, high: box.high, lanes: lanes.map((lane) => lane.rows.map((row) => row.name)) });
    if (state.exact) { table(); plot.dispatchEvent(new CustomEvent("drawn")); }
  }

  function scaleOf(lane, rows) {
    let low = Infinity, high = -Infinity;
    for (const one of lane.rows) {
      const view = rows.get(one.name);
      if (!view) continue;
      const [a, b] = id("fit").checked ? within(view, state.start, state.end) : [view.low, view.high];
      if (a < low) low = a;
      if (b > high) high = b;
    }
    return high >= low ? [low, high] : [0, 1];
  }
  const unitFor = (one) => unitOf(one.quantity) ?? { shown: "", factor: 1, offset: 0 };

  function laneOf(pen, lane, top, rows) {
    const { ink, quiet, fuel, line: weight } = palette(), unit = unitFor(lane.rows[0]);
    let [low, high] = scaleOf(lane, rows).map((si) => (si - unit.offset) / unit.factor);
    const room = Math.max((high - low) * 0.05, Math.abs(high) * 1e-6, 1e-9);
    low -= room; high += room;
    const py = (si) => top + box.high - (((si - unit.offset) / unit.factor - low) / (high - low)) * box.high;
    const levels = ticks(low, high, 3), step = stepOf(levels);
    pen.lineWidth = 0.7;
    for (const level of levels) {
      const y = top + box.high - ((level - low) / (high - low)) * box.high;
      pen.strokeStyle = quiet;
      pen.setLineDash([1, 3]);
      pen.beginPath(); pen.moveTo(box.gutter, y); pen.lineTo(box.gutter + box.plotWidth, y); pen.stroke();
      pen.setLineDash([]);
      pen.strokeStyle = ink;
      pen.beginPath(); pen.moveTo(box.gutter - ROOM - 4, y); pen.lineTo(box.gutter - ROOM, y); pen.stroke();
      text(pen, tickWords(level, step), box.gutter - ROOM - 6, Math.min(Math.max(y, top + 5), top + box.high - 5), { align: "right" });
    }
    pen.save();
    pen.beginPath(); pen.rect(box.gutter - ROOM + 1, top, box.plotWidth + 2 * ROOM - 2, box.high); pen.clip();
    for (const [n, one] of [...lane.rows.entries()].reverse()) {
      const view = rows.get(one.name);
      if (!view) continue;
      pen.strokeStyle = n ? fuel : ink;
      pen.lineWidth = n ? weight + 0.3 : weight;
      pen.setLineDash(n ? [7, 3] : []);
      line(pen, view, px, py);
    }
    pen.setLineDash([]);
    pen.restore();
    pen.lineWidth = weight;
    pen.strokeStyle = ink;
    pen.strokeRect(box.gutter - ROOM, top, box.plotWidth + 2 * ROOM, box.high);
    const [first, ...others] = lane.rows, title = `${first.words}${unit.shown ? `, ${unit.shown}` : ""}`;
    text(pen, title, 0, top - 11, { size: 12, bold: true });
    font(pen, 12, true);
    let x = pen.measureText(title).width + 12;
    for (const one of others) {
      pen.strokeStyle = fuel; pen.lineWidth = 2; pen.setLineDash([7, 3]);
      pen.beginPath(); pen.moveTo(x, top - 11); pen.lineTo(x + 24, top - 11); pen.stroke(); pen.setLineDash([]);
      text(pen, one.brief, x + 28, top - 11, { size: 11 });
      font(pen, 11);
      x += 36 + pen.measureText(one.brief).width;
    }
  }

  // --- what was found, on the time axis ------------------------------------------------------------
  function spanBox(pen, span, top, high, kind, colour) {
    const left = Math.max(box.gutter, px(span.start)), right = Math.min(box.gutter + box.plotWidth, px(span.end));
    if (right < box.gutter || left > box.gutter + box.plotWidth) return;
    const width = Math.max(3, right - left);
    pen.fillStyle = kind === "open" ? palette().paper : kind === "full" ? palette()[colour] : pattern(pen, kind, colour);
    pen.fillRect(left, top, width, high);
    pen.strokeStyle = palette()[colour];
    pen.lineWidth = 1.3;
    pen.strokeRect(left, top, width, high);
  }
  function foundRows(pen) {
    const { findings, stretches } = found();
    findings.forEach((one, n) => {
      const top = box.below + n * box.strip;
      ring(pen, String(n + 1), 9, top + 14, 8);
      rowLine(pen, top + 20);
      for (const span of one.spans) spanBox(pen, span, top + 11, 9, GRADE[one.grade], "short");
      text(pen, `${one.kind}: ${one.grade}`, box.gutter + 2, top + 4, { size: 10.5 });
    });
    if (!box.stretches) return;
    const top = box.below + findings.length * box.strip;
    rowLine(pen, top + 20);
    for (const one of stretches) spanBox(pen, one, top + 13, 7, one.kind === "pull" ? "full" : "open", "ink");
    text(pen, "stretches: filled is a pull, open is steady", box.gutter + 2, top + 5, { size: 10.5 });
  }
  function rowLine(pen, y) {
    pen.strokeStyle = palette().quiet; pen.lineWidth = 0.7;
    pen.beginPath(); pen.moveTo(box.gutter, y); pen.lineTo(box.gutter + box.plotWidth, y); pen.stroke();
  }
  function marks(pen) {
    for (const span of state.marked) {
      const left = Math.max(box.gutter, px(span.start)), right = Math.min(box.gutter + box.plotWidth, px(span.end));
      if (right < box.gutter || left > box.gutter + box.plotWidth) continue;
      const width = Math.max(3, right - left);
      pen.globalAlpha = 0.45;
      pen.fillStyle = pattern(pen, "slanted", "quiet");
      pen.fillRect(left, box.top + 16, width, box.bottom - box.top - 16);
      pen.globalAlpha = 1;
      pen.strokeStyle = palette().quiet; pen.lineWidth = 0.7;
      pen.strokeRect(left, box.top + 16, width, box.bottom - box.top - 16);
    }
  }
  function gaps(pen) {
    for (const [start, end] of traced.gaps) {
      const left = Math.max(box.gutter, px(start)), right = Math.min(box.gutter + box.plotWidth, px(end));
      if (right - left < 30) continue;
      text(pen, "gap", (left + right) / 2, box.top + 20 + box.high / 2, { align: "center", colour: "quiet" });
    }
  }
  /** Where the logger began again: its clock is not to be trusted across this line. */
  function resets(pen) {
    for (const at_ of traced.resets) {
      const x = px(at_);
      if (x < box.gutter || x > box.gutter + box.plotWidth) continue;
      pen.strokeStyle = palette().quiet; pen.lineWidth = 1.3; pen.setLineDash([3, 3]);
      pen.beginPath(); pen.moveTo(x, box.top + 20); pen.lineTo(x, box.bottom + 4); pen.stroke(); pen.setLineDash([]);
      text(pen, "restart", Math.min(x + 4, box.width - 50), box.top + 28, { colour: "quiet", back: true });
    }
  }
  /** Where the cursor stands and what is written there; nothing when it is out of the window. */
  function cursorAt(pen) {
    const x = state.cursor === null ? NaN : px(state.cursor);
    if (!(x >= box.gutter - 1 && x <= box.gutter + box.plotWidth + 1)) return null;
    const words = clock(state.cursor, (state.end - state.start) / 1000, state.end >= LONG);
    font(pen, 11, true);
    const half = pen.measureText(words).width / 2 + 3;
    return { x, words, half, middle: Math.min(Math.max(x, box.gutter + half), box.width - half) };
  }
  function axis(pen) {
    const { ink } = palette(), y = box.bottom + 4, levels = timeTicks(state.start, state.end, box.plotWidth / 80), step = stepOf(levels), taken = cursorAt(pen);
    pen.strokeStyle = ink; pen.lineWidth = palette().line;
    pen.beginPath(); pen.moveTo(box.gutter, y); pen.lineTo(box.gutter + box.plotWidth, y); pen.stroke();
    let free = -Infinity;
    for (const level of levels) {
      const x = px(level), words = clock(level, step, state.end >= LONG);
      pen.lineWidth = 0.7;
      pen.beginPath(); pen.moveTo(x, y); pen.lineTo(x, y + 5); pen.stroke();
      font(pen);
      const half = pen.measureText(words).width / 2, hidden = taken && Math.abs(taken.middle - x) < taken.half + half + 4;
      if (!hidden && x - half > free && x + half < box.width) { text(pen, words, x, y + 14, { align: "center" }); free = x + half + 6; }
    }
    text(pen, state.end < LONG ? "time, s" : "time, min:s", box.gutter + box.plotWidth, y + 29, { align: "right" });
  }
  function cursorLine(pen) {
    const at_ = cursorAt(pen);
    if (!at_) return;
    const { ink } = palette(), y = box.bottom + 4;
    pen.strokeStyle = ink; pen.lineWidth = 1.3; pen.setLineDash([12, 3, 2, 3]);
    pen.beginPath();
    lanes.forEach((_, n) => { const top = box.top + n * box.each + 20; pen.moveTo(at_.x, top); pen.lineTo(at_.x, top + box.high); });
    pen.moveTo(at_.x, box.below + 10); pen.lineTo(at_.x, y);
    pen.stroke();
    pen.setLineDash([]);
    pen.beginPath(); pen.moveTo(at_.x, y); pen.lineTo(at_.x - 4, y + 6); pen.lineTo(at_.x + 4, y + 6); pen.closePath();
    pen.fillStyle = ink; pen.fill();
    text(pen, at_.words, at_.middle, y + 14, { align: "center", bold: true });
  }

  // --- the cursor reads ----------------------------------------------------------------------------
  function move(time) {
    if (time === null) return;
    state.cursor = Math.min(Math.max(time, 0), duration);
    plot.setAttribute("aria-valuenow", state.cursor.toFixed(3));
    draw();
    wanted = state.cursor;
    read();
    document.dispatchEvent(new CustomEvent("cursor", { detail: { time: state.cursor } }));
  }
  async function read() {
    if (reading || wanted === null) return;
    reading = true;
    const time = wanted;
    wanted = null;
    try {
      const query = new URLSearchParams({ channels: wish(0, 1).names.join(","), at: time });
      const answer = await fetch(`${address}/values?${query}`, { credentials: "same-origin" });
      if (answer.ok) { state.read = await answer.json(); spoken(); table(); }
    } catch { /* no connection: what stands there was read at the time that it names */ }
    reading = false;
    read();
  }
  function spoken() {
    const words = traced.channels.filter((one) => one.name in state.read.values).map((one) => {
      const value = state.read.values[one.name];
      return `${one.words} ${value === null ? "no value" : show(value, one.quantity)}`;
    });
    plot.setAttribute("aria-valuetext", `${state.read.time.toFixed(2)} seconds: ${words.join("; ")}`);
    id("at-time").textContent = `${clock(state.read.time, 0.001)}${state.read.time < LONG ? " s" : ""}${state.read.row === null ? "" : `, row ${state.read.row}`}`;
    plot.dataset.read = state.read.time;
  }
  function table() {
    const body = id("at").tBodies[0], cells = (values) => values.map((value) => { const cell = document.createElement("td"); cell.className = "n"; cell.textContent = value; return cell; });
    body.replaceChildren(...traced.channels.filter((one) => shown.includes(one.name)).map((one) => {
      const row = document.createElement("tr"), head = document.createElement("th"), view = state.rows?.get(one.name);
      head.scope = "row";
      const value = state.read?.values[one.name], [low, high] = view ? within(view, state.start, state.end) : [NaN, NaN];
      const unit = unitFor(one), plain = (si) => digits((si - unit.offset) / unit.factor);
      const short = (si) => (!Number.isFinite(si) ? "–" : box.phone ? plain(si) : `${plain(si)} ${unit.shown}`.trim());
      head.textContent = box.phone && unit.shown ? `${one.words}, ${unit.shown}` : one.words;
      row.dataset.channel = one.name;
      row.append(head, ...cells([Number.isFinite(value) ? (box.phone ? short(value) : show(value, one.quantity)) : "–", short(low), short(high)]));
      return row;
    }));
  }

  // --- the window ------------------------------------------------------------------------------------
  function window_(start, end) {
    let span = Math.min(Math.max(end - start, LEAST), duration);
    const middle = (start + end) / 2;
    if (span > duration * 0.9999) span = duration;
    let from = Math.min(Math.max(middle - span / 2, 0), duration - span);
    if (!Number.isFinite(from)) from = 0;
    if (from === state.start && from + span === state.end) return false;
    state.start = from;
    state.end = span === duration ? duration : from + span;
    ask();
    clearTimeout(later);
    later = setTimeout(() => history.replaceState(null, "", `#t=${state.start.toFixed(3)},${state.end.toFixed(3)}`), 400);
    return true;
  }
  const zoom = (factor, around = state.cursor !== null && state.cursor >= state.start && state.cursor <= state.end ? state.cursor : (state.start + state.end) / 2) =>
    window_(around - (around - state.start) * factor, around + (state.end - around) * factor);
  const pan = (share) => window_(state.start + share * (state.end - state.start), state.end + share * (state.end - state.start));
  const acts = { left: () => pan(-0.5), right: () => pan(0.5), in: () => zoom(0.5), out: () => zoom(2), all: () => window_(0, duration) };

  watchHands(plot, {
    timeAt, width: () => box.plotWidth, span: () => state.end - state.start, window: () => [state.start, state.end],
    set: window_, zoom, pan, move, acts, cursor: () => state.cursor, duration,
    picked: (x, y) => pick(x, y),
  });
  for (const button of document.querySelectorAll("[data-act]")) button.addEventListener("click", () => acts[button.dataset.act]());
  id("fit").addEventListener("change", draw);

  /** A tap on the rows below the lanes takes the finding or the stretch that is there. */
  function pick(x, y) {
    if (y < box.below || y > box.bottom) return;
    const { findings, stretches } = found(), row = box.strip ? Math.floor((y - box.below) / box.strip) : findings.length;
    const near = (one) => x >= px(one.start) - 8 && x <= px(one.end) + 8;
    const hit = row < findings.length ? findings[row].spans.find(near) : stretches.find(near);
    if (hit) document.dispatchEvent(new CustomEvent("picked", { detail: { start: hit.start, end: hit.end } }));
  }

  function mark(spans) { state.marked = spans; draw(); }
  function showSpan(start, end) {
    const room = Math.max(2, (end - start) * 0.6);
    window_(start - room, end + room);
    move((start + end) / 2);
  }
  function relist(now) {
    const same = JSON.stringify(now.channels) === JSON.stringify(traced.channels);
    traced = now;
    if (same) { draw(); return; }
    choose();
    begin();
    move(state.cursor ?? state.start);
  }

  new ResizeObserver(() => { if (!box || plot.clientWidth !== box.width) ask(); }).observe(plot);
  onLook(draw);
  // on a phone the buttons lie under the thumb, but only while there is something to move
  new IntersectionObserver(([seen]) => document.querySelector(".tools").classList.toggle("away", !seen.isIntersecting)).observe(plot);
  document.addEventListener("units", () => { draw(); if (state.read) { spoken(); table(); } });
  if (plot.clientWidth >= 600) id("chooser").open = true;
  const hash = /^#t=([\d.]+),([\d.]+)$/.exec(location.hash);
  if (hash && Number(hash[2]) > Number(hash[1]) && Number(hash[2]) <= duration + 0.001) { state.start = Number(hash[1]); state.end = Math.min(duration, Number(hash[2])); }
  choose();
  begin();
  move(state.start);
  ready.then(() => { draw(); if (state.read) { spoken(); table(); } });
  return { mark, show: showSpan, relist, move };
}
