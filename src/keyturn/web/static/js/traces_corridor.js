// The corridor of a log: pressure across the injector against fuel flow, the predicted band, what was
// measured. Points of the stretches that are chosen stand out; a point that is touched chooses.

import { onLook, palette, pattern, sized, stepOf, TAU, text, ticks, tickWords } from "./traces_draw.js";
import { ready, unitOf } from "./units.js";

const NEAR = 28; // [px] of a finger from a point
const plain = { shown: "", factor: 1, offset: 0 };

export function corridor({ canvas, points, band, picked }) {
  let marked = [], words = "", box = null;
  const count = points.time.length;
  const said = canvas.parentElement.querySelector("#corridor-said");

  const units = () => ({ flow: unitOf("fuel_flow") ?? plain, across: unitOf("across_injector") ?? plain });
  const extent = (rows) => rows.flat().filter((value) => value !== null).reduce(([low, high], value) => [Math.min(low, value), Math.max(high, value)], [Infinity, -Infinity]);
  const inside = (time) => marked.some((span) => time >= span.start - 1e-6 && time <= span.end + 1e-6);

  function layout() {
    const width = canvas.parentElement.clientWidth, height = width < 600 ? 280 : 340, { flow, across } = units();
    const [, most] = extent([points.flow, band.flow]), [low, high] = extent([points.across, band.low, band.high, [band.wanted]]);
    const as = (si, unit) => (si - unit.offset) / unit.factor, room = Math.max((high - low) * 0.06, Math.abs(high) * 0.01);
    const y = [as(low - room, across), as(high + room, across)], x = [0, as(most * 1.03, flow)];
    box = { width, height, left: 50, top: 52, wide: width - 50 - 12, high: height - 52 - 44, x, y, flow, across };
    box.px = (si) => box.left + ((as(si, flow) - x[0]) / (x[1] - x[0])) * box.wide;
    box.py = (si) => box.top + box.high - ((as(si, across) - y[0]) / (y[1] - y[0])) * box.high;
  }

  function draw() {
    if (!canvas.isConnected) return;
    layout();
    const { pen } = sized(canvas, box.width, box.height);
    if (!Number.isFinite(box.y[0]) || !(box.x[1] > 0)) { text(pen, "No flow was worked out, so there is nothing to draw.", 0, 40, { size: 12 }); return; }
    axes(pen);
    pen.save();
    pen.beginPath(); pen.rect(box.left, box.top, box.wide, box.high); pen.clip();
    bandOf(pen);
    dots(pen);
    pen.restore();
    legend(pen);
    const chosen = points.time.filter(inside).length;
    said.textContent = marked.length ? `${words}: ${chosen} of ${count} measured points.` : `${count} measured points.`;
    canvas.dataset.chosen = chosen;
    canvas.dataset.points = JSON.stringify(points.time.slice(0, 400).map((_, n) => [Math.round(box.px(points.flow[n])), Math.round(box.py(points.across[n])), inside(points.time[n])]));
  }

  function axes(pen) {
    const { ink, quiet, line } = palette(), base = box.top + box.high;
    const rows = ticks(...box.y, box.high / 48), columns = ticks(...box.x, box.wide / 80);
    pen.lineWidth = 0.7;
    for (const level of rows) {
      const y = base - ((level - box.y[0]) / (box.y[1] - box.y[0])) * box.high;
      pen.strokeStyle = quiet; pen.setLineDash([1, 3]);
      pen.beginPath(); pen.moveTo(box.left, y); pen.lineTo(box.left + box.wide, y); pen.stroke(); pen.setLineDash([]);
      text(pen, tickWords(level, stepOf(rows)), box.left - 7, y, { align: "right" });
    }
    for (const level of columns) {
      const x = box.left + ((level - box.x[0]) / (box.x[1] - box.x[0])) * box.wide;
      pen.strokeStyle = ink;
      pen.beginPath(); pen.moveTo(x, base); pen.lineTo(x, base + 5); pen.stroke();
      text(pen, tickWords(level, stepOf(columns)), x, base + 13, { align: "center" });
    }
    pen.strokeStyle = ink; pen.lineWidth = line;
    pen.strokeRect(box.left, box.top, box.wide, box.high);
    text(pen, `pressure across the injector, ${box.across.shown}`, 0, box.top - 12, { size: 12, bold: true });
    text(pen, `fuel flow to the engine, ${box.flow.shown}`, box.left + box.wide, base + 32, { size: 12, align: "right" });
  }

  function along(pen, row) {
    let open = false;
    band.flow.forEach((flow, n) => {
      if (row[n] === null || flow === null) { open = false; return; }
      pen[open ? "lineTo" : "moveTo"](box.px(flow), box.py(row[n]));
      open = true;
    });
  }

  function bandOf(pen) {
    const { fuel, ink } = palette(), there = band.flow.map((_, n) => n).filter((n) => band.low[n] !== null && band.high[n] !== null);
    pen.beginPath();
    for (const n of there) pen.lineTo(box.px(band.flow[n]), box.py(band.high[n]));
    for (const n of [...there].reverse()) pen.lineTo(box.px(band.flow[n]), box.py(band.low[n]));
    pen.fillStyle = pattern(pen, "dots", "fuel");
    pen.fill();
    pen.strokeStyle = fuel; pen.lineWidth = 0.7;
    for (const row of [band.low, band.high]) { pen.beginPath(); along(pen, row); pen.stroke(); }
    pen.lineWidth = 2.4; pen.setLineDash([7, 3]);
    pen.beginPath(); along(pen, band.middle); pen.stroke();
    pen.strokeStyle = ink; pen.lineWidth = 1.6; pen.setLineDash([12, 3, 2, 3]);
    const y = box.py(band.wanted);
    pen.beginPath(); pen.moveTo(box.left, y); pen.lineTo(box.left + box.wide, y); pen.stroke(); pen.setLineDash([]);
  }

  function mark(pen, x, y, pull, chosen) {
    const { ink, short, paper } = palette();
    if (pull) {
      const size = chosen ? 4 : 2;
      pen.fillStyle = chosen ? ink : short;
      if (chosen) { pen.fillStyle = paper; pen.fillRect(x - size - 1.5, y - size - 1.5, 2 * size + 3, 2 * size + 3); pen.fillStyle = short; }
      pen.fillRect(x - size, y - size, 2 * size, 2 * size);
      return;
    }
    pen.beginPath(); pen.arc(x, y, chosen ? 6 : 3.6, 0, TAU);
    if (chosen) { pen.fillStyle = ink; pen.fill(); }
    pen.strokeStyle = ink; pen.lineWidth = 1.3; pen.stroke();
  }

  function dots(pen) {
    const order = points.time.map((_, n) => n).sort((a, b) => inside(points.time[a]) - inside(points.time[b]));
    if (marked.length) pen.globalAlpha = 0.45;
    for (const n of order) {
      const chosen = inside(points.time[n]);
      if (chosen) pen.globalAlpha = 1;
      mark(pen, box.px(points.flow[n]), box.py(points.across[n]), points.pull[n], chosen);
    }
    pen.globalAlpha = 1;
  }

  function legend(pen) {
    const { fuel } = palette(), y = 12, items = [["predicted, 90 %", 30], ["wanted", 30], ["pull", 8], ["steady", 8]];
    let x = 0;
    for (const [label, wide] of items) {
      if (label.startsWith("pred")) { pen.fillStyle = pattern(pen, "dots", "fuel"); pen.fillRect(x, y - 7, wide, 14); pen.strokeStyle = fuel; pen.lineWidth = 1.3; pen.strokeRect(x, y - 7, wide, 14); }
      else if (label === "wanted") { pen.strokeStyle = palette().ink; pen.lineWidth = 1.6; pen.setLineDash([12, 3, 2, 3]); pen.beginPath(); pen.moveTo(x, y); pen.lineTo(x + wide, y); pen.stroke(); pen.setLineDash([]); }
      else mark(pen, x + 4, y, label === "pull", false);
      text(pen, label, x + wide + 6, y);
      x += wide + 6 + pen.measureText(label).width + (box.width < 420 ? 10 : 18);
    }
  }

  canvas.addEventListener("click", (event) => {
    if (!box) return;
    const frame = canvas.getBoundingClientRect(), x = event.clientX - frame.left, y = event.clientY - frame.top;
    let best = -1, least = NEAR;
    for (let n = 0; n < count; n += 1) {
      const far = Math.hypot(box.px(points.flow[n]) - x, box.py(points.across[n]) - y);
      if (far < least) { least = far; best = n; }
    }
    if (best >= 0) picked(points.time[best]);
  });
  new ResizeObserver(() => { if (!box || canvas.parentElement.clientWidth !== box.width) draw(); }).observe(canvas.parentElement);
  onLook(draw);
  document.addEventListener("units", draw);
  draw();
  ready.then(draw);
  return { mark: (spans, said_) => { marked = spans; words = said_; draw(); } };
}
