// The part over its photo: features with their uncertainty, chosen by tap or in the list, moved by
// finger under a loupe, by arrow keys, or by numbers. Millimetres; y is turned over for the screen.

const SVG = "http://www.w3.org/2000/svg";
const FINE = 0.05, COARSE = 0.5;      // [mm] an arrow key
const LOUPE = 12;                     // [mm] across the loupe
const AROUND = 6, NEAR = 60;           // [mm] shown around the part; all that is shown when nearer
const FINGER = 22;                    // [px] half of what a finger needs
const id = (name) => document.getElementById(name);

export function draw(tag, attributes = {}, text = "") {
  const made = document.createElementNS(SVG, tag);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  if (text) made.textContent = text;
  return made;
}

/** A closed path of corners [x, y, bulge] as SVG data. */
export function data(corners) {
  const at = ([x, y]) => `${x.toFixed(4)} ${(-y).toFixed(4)}`;
  let steps = `M ${at(corners[0])}`;
  corners.forEach((a, n) => {
    const b = corners[(n + 1) % corners.length], bulge = a[2];
    if (Math.abs(bulge) < 1e-9) { steps += ` L ${at(b)}`; return; }
    const chord = Math.hypot(b[0] - a[0], b[1] - a[1]), radius = (chord * (1 + bulge * bulge)) / (4 * Math.abs(bulge));
    steps += ` A ${radius.toFixed(5)} ${radius.toFixed(5)} 0 ${Math.abs(bulge) > 1 ? 1 : 0} ${bulge > 0 ? 0 : 1} ${at(b)}`;
  });
  return `${steps} Z`;
}

/** Every feature of an outline in the order of the list. */
export function features(outline) {
  return [
    { kind: "outer", index: null, name: "outside", corners: outline.outer.corners, doubt: outline.outer.uncertainty },
    ...outline.holes.map((hole, index) => ({ kind: "hole", index, ...hole, name: hole.name || `hole ${index + 1}`, doubt: hole.diameter_uncertainty })),
    ...outline.ports.map((port, index) => ({ kind: "port", index, name: port.name || `port ${index + 1}`, corners: port.corners, doubt: port.uncertainty })),
  ];
}

export const same = (a, b) => Boolean(a && b && a.kind === b.kind && a.index === b.index);

/** `acts.choose(feature, corner)`, `acts.move(feature, spot, dx, dy, done)`: spot "centre", "size" or a corner. */
export function overlay(acts) {
  const svg = id("overlay"), loupe = id("loupe"), box = id("loupe-box");
  let view = null, chosen = null, corner = 0, near = false, photo = true, spot = "centre", frame = null;

  const scale = () => svg.clientWidth / frame.width;       // px per mm

  function show(made, pick, k = 0) {
    view = made; chosen = pick; corner = k;
    if (!view?.outline) return;
    const held = document.activeElement?.classList.contains("handle") ? document.activeElement.dataset.spot : null;
    frame = sight();
    svg.setAttribute("viewBox", `${frame.left} ${-frame.top} ${frame.width} ${frame.height}`);
    svg.replaceChildren(scene(), names(), ...handles());
    magnify();
    if (held) svg.querySelector(`[data-spot="${held}"]`)?.focus();
  }

  /** The middle of what is looked at, so that no more than a margin beyond the part is shown. */
  function within(v, least, most) {
    const half = NEAR / 2 - AROUND;
    return most - least <= 2 * half ? (least + most) / 2 : Math.min(Math.max(v, least + half), most - half);
  }

  /** Which piece is looked at: all of the part, or 60 mm about what is chosen. */
  function sight() {
    const [left, low, right, high] = view.box;
    if (near && chosen) {
      const [x, y] = chosen.kind === "hole" ? [chosen.x, chosen.y] : chosen.corners[corner] ?? chosen.corners[0];
      return { left: within(x, left, right) - NEAR / 2, top: within(y, low, high) + NEAR / 2, width: NEAR, height: NEAR };
    }
    return { left: left - AROUND, top: high + AROUND, width: right - left + 2 * AROUND, height: high - low + 2 * AROUND };
  }

  function scene() {
    const group = draw("g", { id: "scene" });
    const place = view.seen?.place;
    if (place && photo) group.append(draw("image", { href: `/car/${document.body.dataset.car}/make/${view.part}/flat.jpg?${view.revision}`, x: place.left, y: -place.top, width: place.width, height: place.height, preserveAspectRatio: "none" }));
    for (const item of features(view.outline)) group.append(...feature(item));
    for (const land of view.narrow) group.append(draw("circle", { class: "mark-narrow", cx: land.x, cy: -land.y, r: Math.max(land.width, land.least) / 2 + 6 / scale() }), ...land.ear.map((line) => draw("polyline", { class: "ear", points: line.map(([x, y]) => `${x.toFixed(3)},${(-y).toFixed(3)}`).join(" ") })));
    return group;
  }

  function feature(item) {
    const round = item.kind === "hole";
    const shape = (look, more = {}) => round
      ? draw("circle", { class: look, cx: item.x, cy: -item.y, r: item.diameter / 2, ...more })
      : draw("path", { class: look, d: data(item.corners), ...more });
    const made = [shape("fit under")];
    // at its true width: seen in the loupe, where a millimetre is wide
    const wide = round ? item.doubt : item.doubt && 2 * item.doubt;
    if (wide) made.push(shape("band", { "stroke-width": wide }));
    made.push(shape(`fit ink${same(item, chosen) ? " chosen" : ""}`));
    if (round) {
      const r = Math.max(1, 4 / scale());
      made.push(draw("path", { class: "thin", d: `M ${item.x - r} ${-item.y} h ${2 * r} M ${item.x} ${-item.y - r} v ${2 * r}` }));
      if (item.centre_uncertainty) made.push(draw("circle", { class: "thin", cx: item.x, cy: -item.y, r: item.centre_uncertainty }));
    }
    const doubted = view.seen?.features.find((row) => row.name === (item.kind === "outer" ? "outer" : item.name))?.doubted ?? [];
    if (doubted.length) made.push(draw("path", { class: "doubt", d: crosses(doubted, 3 / scale()) }));
    return made;
  }

  const crosses = (spots, r) => spots.map(([x, y]) => `M ${x - r} ${-y - r} l ${2 * r} ${2 * r} m 0 ${-2 * r} l ${-2 * r} ${2 * r}`).join(" ");

  /** Beside the scene: the loupe shows no words. */
  function names() {
    const group = draw("g");
    group.append(...features(view.outline).filter((item) => item.kind !== "outer").map(tag));
    return group;
  }

  function tag(item) {
    const size = 12 / scale(), round = item.kind === "hole";
    const [x, y] = round ? [item.x + item.diameter / 2 + 3 / scale(), item.y] : middle(item.corners);
    return draw("text", { class: "tag", x, y: -y + size / 3, "font-size": size, "stroke-width": size / 4, "text-anchor": round ? "start" : "middle" }, item.name.replace("hole ", ""));
  }

  const middle = (corners) => [0, 1].map((k) => corners.reduce((sum, c) => sum + c[k], 0) / corners.length);

  /** The mark of the size lies towards the middle of what is seen. */
  const side = () => (chosen.x > frame.left + frame.width / 2 ? -1 : 1);

  // --- what is taken hold of --------------------------------------------------------------------
  function spots() {
    if (!chosen) return [];
    if (chosen.kind === "hole") return [["centre", chosen.x, chosen.y, `${chosen.name}: centre`], ["size", chosen.x + side() * chosen.diameter / 2, chosen.y, `${chosen.name}: size`]];
    const c = chosen.corners[corner];
    return c ? [["corner", c[0], c[1], `${chosen.name}: corner ${corner + 1}`]] : [];
  }

  /** The mark of the size does not lie on that of the centre. */
  const beside = () => side() * Math.max(0, (2 * FINGER) / scale() - chosen.diameter / 2);

  function handles() {
    return spots().map(([name, x, y, words]) => {
      const shift = name === "size" ? beside() : 0;
      const made = draw("circle", { class: "handle", "data-spot": name, cx: x + shift, cy: -y, r: FINGER / scale(), tabindex: 0, role: "button", "aria-label": `${words}, arrow keys move it` });
      // touch-action counts for no shape inside of a drawing: without this the browser takes the drag
      made.addEventListener("touchstart", (event) => event.preventDefault(), { passive: false });
      made.addEventListener("pointerdown", (event) => grab(event, name, made));
      made.addEventListener("focus", () => { spot = name; magnify(); });
      made.addEventListener("keydown", (event) => key(event, name));
      return made;
    });
  }

  function grab(event, name, target) {
    event.preventDefault();
    event.stopPropagation();
    spot = name;
    target.setPointerCapture(event.pointerId);
    const start = [event.clientX, event.clientY], fine = LOUPE / box.clientWidth || 0.07;
    const turn = name === "size" ? side() : 1;
    const by = (now) => [turn * (now.clientX - start[0]) * fine, -(now.clientY - start[1]) * fine];
    magnify();
    const move = (now) => acts.move(chosen, name, ...by(now), false);
    const end = (now) => {
      for (const [kind, hear] of [["pointermove", move], ["pointerup", end], ["pointercancel", end]]) target.removeEventListener(kind, hear);
      acts.move(chosen, name, ...(now.type === "pointerup" ? by(now) : [0, 0]), true);
    };
    for (const [kind, hear] of [["pointermove", move], ["pointerup", end], ["pointercancel", end]]) target.addEventListener(kind, hear);
  }

  let waits = 0, gone = [0, 0];
  function key(event, name) {
    const step = event.shiftKey ? COARSE : FINE;
    const way = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] }[event.key];
    if (event.key === "Enter" || event.key === " ") { event.preventDefault(); id("feature-title").focus(); return; }
    if (!way) return;
    event.preventDefault();
    // a size has one direction only: right and up make it larger
    const far_x = name === "size" ? way[0] + way[1] : way[0], far_y = name === "size" ? 0 : way[1];
    gone = [gone[0] + far_x * step, gone[1] + far_y * step];
    acts.move(chosen, name, ...gone, false);
    clearTimeout(waits);
    const feature = chosen, far = gone;
    waits = setTimeout(() => { gone = [0, 0]; acts.move(feature, name, ...far, true); }, 500);
  }

  // --- the loupe ----------------------------------------------------------------------------------
  function magnify() {
    const here = spots().find((row) => row[0] === spot) ?? spots()[0];
    box.hidden = !here;
    if (!here) return;
    const [, x, y] = here, half = LOUPE / 2;
    loupe.setAttribute("viewBox", `${x - half} ${-y - half} ${LOUPE} ${LOUPE}`);
    const name = chosen.kind === "outer" ? "outer" : chosen.name;
    const seen = view.seen?.features.find((row) => row.name === name)?.points ?? [];
    loupe.replaceChildren(draw("use", { href: "#scene" }),
      draw("path", { class: "dots", d: seen.filter(([px, py]) => Math.hypot(px - x, py - y) < LOUPE).map(([px, py]) => `M ${px} ${-py} h 0`).join(" ") || "M 0 0" }),
      draw("path", { class: "thin", d: `M ${x - 1} ${-y} h 2 M ${x} ${-y - 1} v 2` }));
  }

  /** The chosen feature moved on the screen only, until it is let go. */
  function preview(feature, k) {
    chosen = feature; corner = k;
    const outline = structuredClone(view.outline);
    if (feature.kind === "hole") Object.assign(outline.holes[feature.index], { x: feature.x, y: feature.y, diameter: feature.diameter });
    else (feature.kind === "outer" ? outline.outer : outline.ports[feature.index]).corners = feature.corners;
    const before = view;
    view = { ...view, outline };
    svg.querySelector("#scene").replaceWith(scene());
    for (const [name, x, y] of spots()) {
      const handle = svg.querySelector(`[data-spot="${name}"]`);
      handle?.setAttribute("cx", x + (name === "size" ? beside() : 0));
      handle?.setAttribute("cy", -y);
    }
    magnify();
    view = before;
  }

  svg.addEventListener("click", (event) => {
    if (!view?.outline || event.target.classList.contains("handle")) return;
    const at = svg.getBoundingClientRect(), k = scale();
    const x = frame.left + (event.clientX - at.left) / k, y = frame.top - (event.clientY - at.top) / k;
    acts.choose(...nearest(x, y, (2 * FINGER) / k));
  });

  function nearest(x, y, reach) {
    let best = [null, 0], least = reach;
    for (const item of features(view.outline)) {
      const tries = item.kind === "hole"
        ? [[Math.min(Math.hypot(item.x - x, item.y - y), Math.abs(Math.hypot(item.x - x, item.y - y) - item.diameter / 2)), 0]]
        : item.corners.map((c, k) => [Math.hypot(c[0] - x, c[1] - y), k]);
      for (const [far, k] of tries) if (far < least) { least = far; best = [item, k]; }
    }
    return best;
  }

  box.addEventListener("pointerdown", (event) => { if (chosen) grab(event, (spots().find((row) => row[0] === spot) ?? spots()[0])[0], box); });
  id("near").addEventListener("click", () => { near = !near; id("near").setAttribute("aria-pressed", near); show(view, chosen, corner); });
  id("picture").addEventListener("click", () => { photo = !photo; id("picture").setAttribute("aria-pressed", photo); show(view, chosen, corner); });
  new ResizeObserver(() => { if (view?.outline) show(view, chosen, corner); }).observe(svg.parentElement);
  return { show, preview };
}
