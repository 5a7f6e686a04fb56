// Drawing of traces and of the corridor on a canvas: ink, patterns, ticks, text. The colours are those
// of the page (css/base.css), read again when the look changes.

export const TAU = 2 * Math.PI;
const NAMES = ["ink", "paper", "sheet", "fuel", "holds", "tight", "short", "air", "quiet"];
let colours = null;

export function palette() {
  if (!colours) {
    const style = getComputedStyle(document.documentElement);
    colours = Object.fromEntries(NAMES.map((name) => [name, style.getPropertyValue(`--${name}`).trim()]));
    colours.line = parseFloat(style.getPropertyValue("--line")) || 1.3;
    colours.family = getComputedStyle(document.body).fontFamily;
    colours.sun = document.documentElement.dataset.look === "sun";
  }
  return colours;
}

/** Call `draw` whenever the look of the page changes. */
export function onLook(draw) {
  const again = () => { colours = null; draw(); };
  new MutationObserver(again).observe(document.documentElement, { attributes: true, attributeFilter: ["data-look"] });
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", again);
}

/** A canvas as large as it stands on the page, in CSS pixels from here on; its pixels stay sharp. */
export function sized(canvas, width, height) {
  const ratio = Math.min(2, Math.max(1, devicePixelRatio || 1));
  const wide = Math.round(width * ratio), high = Math.round(height * ratio);
  if (canvas.width !== wide || canvas.height !== high) { canvas.width = wide; canvas.height = high; }
  canvas.style.width = `${width}px`;
  canvas.style.height = `${height}px`;
  const pen = canvas.getContext("2d");
  pen.setTransform(ratio, 0, 0, ratio, 0, 0);
  pen.fillStyle = palette().paper;
  pen.fillRect(0, 0, width, height);
  return { pen, ratio };
}

export function font(pen, size = 11, bold = false) {
  const { family, sun } = palette();
  pen.font = `${bold || sun ? "bold " : ""}${sun ? size + 1 : size}px ${family}`;
}

/** Words with paper behind them, so that no line runs through them. */
export function text(pen, words, x, y, { size = 11, align = "left", bold = false, colour = "ink", back = false } = {}) {
  font(pen, size, bold);
  pen.textAlign = align;
  pen.textBaseline = "middle";
  if (back) {
    const width = pen.measureText(words).width, left = align === "right" ? x - width : align === "center" ? x - width / 2 : x;
    pen.fillStyle = palette().paper;
    pen.fillRect(left - 2, y - size * 0.75, width + 4, size * 1.5);
  }
  pen.fillStyle = palette()[colour];
  pen.fillText(words, x, y);
}

/** Round numbers in the range, about `wanted` of them. */
export function ticks(low, high, wanted) {
  if (!(high > low)) return [];
  const raw = (high - low) / Math.max(1, wanted), ten = 10 ** Math.floor(Math.log10(raw));
  const step = [1, 2, 2.5, 5, 10].map((n) => n * ten).find((n) => n >= raw * 0.999);
  const found = [];
  for (let n = Math.ceil(low / step - 1e-9); n * step <= high + step * 1e-9 && found.length < 60; n += 1) found.push(n * step);
  return found;
}

export function tickWords(value, step) {
  const places = Math.max(0, Math.min(6, -Math.floor(Math.log10(step) + 1e-9)));
  const more = step && Math.abs(step * 10 ** places - Math.round(step * 10 ** places)) > 1e-6 ? 1 : 0;
  const words = (Math.abs(value) < step * 1e-6 ? 0 : value).toFixed(places + more);
  return words.replace("-", "−");
}

export const stepOf = (marks) => (marks.length > 1 ? marks[1] - marks[0] : Math.abs(marks[0]) || 1);

export const LONG = 120; // [s] from which an axis goes in minutes and seconds

/** Time as it is read: seconds on a short axis, else minutes and seconds. */
export function clock(seconds, step = 1, long = seconds >= LONG) {
  const places = Math.max(0, Math.min(4, Math.ceil(-Math.log10(step) - 1e-9)));
  const sign = seconds < 0 ? "−" : "", all = Number(Math.abs(seconds).toFixed(places));
  if (!long) return `${sign}${all.toFixed(places)}`;
  const minutes = Math.floor(all / 60 + 1e-9), rest = Math.max(0, all - 60 * minutes);
  return `${sign}${minutes}:${rest.toFixed(places).padStart(places ? places + 3 : 2, "0")}`;
}

/** Round steps of time: of seconds below a minute, of minutes above. */
export function timeTicks(start, end, wanted) {
  const raw = (end - start) / wanted;
  if (raw < 20) return ticks(start, end, wanted);
  const step = [30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 43200, 86400].find((n) => n >= raw) ?? 604800;
  const found = [];
  for (let n = Math.ceil(start / step - 1e-9); n * step <= end; n += 1) found.push(n * step);
  return found;
}

// --- patterns: level, slanted, crossed lines and dots, as on every drawing of keyturn ------------
const tiles = new Map();
const SIZE = 8;

function strokes(pen, kind) {
  pen.beginPath();
  if (kind === "dots") { pen.arc(2, 2, 0.9, 0, TAU); pen.fill(); return; }
  if (kind === "level") { pen.moveTo(0, 4); pen.lineTo(SIZE, 4); }
  if (kind === "slanted" || kind === "crossed") { pen.moveTo(-2, SIZE + 2); pen.lineTo(SIZE + 2, -2); pen.moveTo(-2, 2); pen.lineTo(2, -2); pen.moveTo(SIZE - 2, SIZE + 2); pen.lineTo(SIZE + 2, SIZE - 2); }
  if (kind === "crossed") { pen.moveTo(-2, -2); pen.lineTo(SIZE + 2, SIZE + 2); pen.moveTo(SIZE - 2, -2); pen.lineTo(SIZE + 2, 2); pen.moveTo(-2, SIZE - 2); pen.lineTo(2, SIZE + 2); }
  pen.stroke();
}

export function pattern(pen, kind, colour) {
  const value = palette()[colour], key = `${kind} ${value}`;
  if (!tiles.has(key)) {
    const tile = document.createElement("canvas");
    tile.width = tile.height = kind === "dots" ? 5 : SIZE;
    const small = tile.getContext("2d");
    small.strokeStyle = small.fillStyle = value;
    small.lineWidth = 1.1;
    strokes(small, kind);
    tiles.set(key, pen.createPattern(tile, "repeat"));
  }
  return tiles.get(key);
}

/** A number in a ring, as parts are numbered on a drawing. */
export function ring(pen, words, x, y, radius = 8, filled = false) {
  const { ink, paper } = palette();
  pen.beginPath();
  pen.arc(x, y, radius, 0, TAU);
  pen.fillStyle = filled ? ink : paper;
  pen.fill();
  pen.lineWidth = 1.3;
  pen.strokeStyle = ink;
  pen.stroke();
  text(pen, words, x, y + 0.5, { align: "center", bold: true, colour: filled ? "paper" : "ink" });
}

/** The trace of one view, from `px(time)` and `py(value)`; what is not there is not drawn. */
export function line(pen, view, px, py) {
  if (view.form) samples(pen, view, px, py); else bars(pen, view, px, py);
}

/** Least to greatest of each pixel as an upright bar, long enough to meet the one before it: a line
    through as many corners would take many times as long to ink. Dashes leave bars out. */
function bars(pen, { first, second, start, end }, px, py) {
  const count = first.length, step = (px(end) - px(start)) / count, left = px(start), half = pen.lineWidth / 2;
  const wide = Math.max(pen.lineWidth, step), dash = pen.getLineDash();
  let above = NaN, below = NaN, at = 0; // the bar before this one: its ends, and where it stood
  pen.fillStyle = pen.strokeStyle;
  for (let n = 0; n < count; n += 1) {
    const low = first[n], x = left + (n + 0.5) * step;
    if (low !== low) { above = NaN; continue; }
    if (low === Infinity) continue;
    let top = py(second[n]), bottom = py(low);
    const own = [top, bottom];
    if (above === above) {
      if (x - at > 1.5 * step) sloped(pen, at, (above + below) / 2, x, (top + bottom) / 2);
      else if (top > below) top = below;
      else if (bottom < above) bottom = above;
    }
    [above, below] = own;
    at = x;
    if (dash.length && (x % (dash[0] + dash[1])) > dash[0]) continue;
    pen.fillRect(x - wide / 2, top - half, wide, bottom - top + 2 * half);
  }
}

function sloped(pen, x, y, toX, toY) {
  pen.beginPath();
  pen.moveTo(x, y);
  pen.lineTo(toX, toY);
  pen.stroke();
}

function samples(pen, { first, second, start, end }, px, py) {
  const span = end - start, count = first.length, dot = pen.lineWidth * 1.6;
  pen.beginPath();
  let run = 0, x = 0, y = 0;
  const alone = () => { if (run === 1) { pen.moveTo(x - dot / 2, y); pen.lineTo(x + dot / 2, y); } };
  for (let n = 0; n < count; n += 1) {
    if (second[n] !== second[n]) { alone(); run = 0; continue; }
    x = px(start + span * first[n]);
    y = py(second[n]);
    if (run) pen.lineTo(x, y); else pen.moveTo(x, y);
    run += 1;
  }
  alone();
  pen.stroke();
}

/** Least and greatest of a view that lie within a window. */
export function within(view, from, to) {
  let low = Infinity, high = -Infinity;
  const { form, first, second, start, end } = view, count = first.length;
  for (let n = 0; n < count; n += 1) {
    const at = start + (end - start) * (form ? first[n] : (n + 0.5) / count);
    if (at < from || at > to) continue;
    const a = form ? second[n] : first[n], b = form ? a : second[n];
    if (a < low) low = a;
    if (b > high && b !== Infinity) high = b;
  }
  return [low, high];
}
