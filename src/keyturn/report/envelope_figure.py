"""The envelope: probability that all holds over speed and manifold pressure, and what limits."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from keyturn.report.contours import Pair, depth, lines, region, smooth
from keyturn.report.plot import Box, Places, Plot, around, label, leader, rounded_range
from keyturn.report.show import kpa, kpa_array, psi, rpm, rpm_array, whole
from keyturn.report.svg import LINE, SMALL, THICK, Drawing, clean, points, text_width, wrap
from keyturn.system.result import CheckResult, Envelope, FloatArray

# pattern and colour by rank of area: neither carries the meaning, the name in the region does
LOOKS = (
    ("dots", "fuel"),
    ("diagonal", "air"),
    ("level", "ink"),
    ("cross", "fuel"),
    ("upright", "air"),
    ("grid", "ink"),
    ("back", "fuel"),
    ("dots", "air"),
    ("cross", "ink"),
)
LEVELS = ((0.95, None), (0.80, "8 3"), (0.50, "4 3"), (0.05, "1.5 3"))
MIDDLE_ONLY = ((0.50, None),)  # without samples there is one line: on one side it is enough


def envelope(result: CheckResult, width: float = 720.0, *, inline: bool = False) -> str:
    """Regions named by the limiting part, contours of probability, full-load line, worst point."""
    data = result.envelope
    worst = _worst(result)
    parts = _ranked(data)
    about = f"Limiting parts: {', '.join(parts)}."
    if worst:
        about += f" Worst: {whole(rpm(worst[0]))} rev/min, {whole(kpa(worst[1]))} kPa absolute."
    drawing = Drawing(
        f"envelope{width:.0f}", width, "Where it holds, and what limits", about, inline=inline
    )
    speed, pressure = rpm_array(data.engine_speed), kpa_array(data.manifold_pressure)
    plot = _plot(drawing, data)
    height = plot.height
    places = plot.places()
    masks = _regions(plot, data, parts, speed, pressure)
    sampled = result.samples > 0
    contours = _contours(plot, places, data, speed, pressure, LEVELS if sampled else MIDDLE_ONLY)
    edge = _beyond(plot, data, speed)
    plot.frame()
    places.take_line(edge, 4)
    plot.y_axis("manifold, kPa absolute", grid=False)
    ambient = kpa(result.barometer)
    plot.right_axis("boost, psi", lambda v: psi((v - ambient) * 1e3))
    plot.x_axis("engine speed, rev/min")
    if worst:
        spot = _mark_worst(plot, places, worst)
    for n, part in enumerate(parts):
        inside = (masks[n] > 0.0) & data.reachable
        _name_region(plot, places, part, inside, speed, pressure)
    if worst:
        _name_worst(plot, places, worst, spot)
    _name_line(plot, places, edge)
    for words, chain in contours:
        _name_contour(plot, places, words if sampled else "just enough", chain)
    foot = _legend(drawing, parts, plot.top + height + 56)
    drawing.height = (
        _shares(drawing, data, bool(contours), foot) if sampled else _middle(drawing, foot)
    )
    return drawing.render()


def _plot(drawing: Drawing, data: Envelope) -> Plot:
    height = 345.0 if drawing.width >= 600 else 320.0
    speed, pressure = rpm_array(data.engine_speed), kpa_array(data.manifold_pressure)
    return Plot(drawing, 46, 34, drawing.width - 92, height, _span(speed), _span(pressure))


def map_frame(result: CheckResult, width: float) -> dict[str, float | list[float]]:
    """Where the map lies in the drawing of that width, for a finger that points at it."""
    plot = _plot(Drawing("frame", width, "", "", inline=True), result.envelope)
    return {
        "width": width, "left": plot.left, "top": plot.top, "across": plot.width,
        "down": plot.height, "rpm": list(plot.x_range), "map_kpa": list(plot.y_range),
    }  # fmt: skip


def _span(values: FloatArray) -> tuple[float, float]:
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    return (low, high) if high > low else rounded_range(low, high)


def _ranked(data: Envelope) -> list[str]:
    """Limiting parts of the reachable points, largest area first."""
    names, counts = np.unique(data.limiting[data.reachable], return_counts=True)
    order = np.argsort(-counts, kind="stable")
    return [str(names[n]) for n in order if str(names[n])]


def _worst(result: CheckResult) -> tuple[float, float, str] | None:
    """The worst point of the limiting part, else of the map; none when all points are alike."""
    worst = result.limiting
    if worst.engine_speed is not None and worst.manifold_pressure is not None:
        return worst.engine_speed, worst.manifold_pressure, worst.part
    data = result.envelope
    share = np.where(data.reachable & np.isfinite(data.p_holds), data.p_holds, math.inf)
    known = share[np.isfinite(share)]
    if not known.size or float(np.ptp(known)) < 0.01:
        return None
    i, j = np.unravel_index(int(np.argmin(share)), share.shape)
    return (
        float(data.engine_speed[i]),
        float(data.manifold_pressure[j]),
        str(data.limiting[i, j]),
    )


def _regions(
    plot: Plot, data: Envelope, parts: list[str], speed: FloatArray, pressure: FloatArray
) -> list[FloatArray]:
    """Fill every region; returns the margin by which each part is the limiting one."""
    d = plot.drawing
    shares = np.stack(
        [smooth((data.limiting == part).astype(float)) for part in parts]
        or [np.zeros(data.p_holds.shape)]
    )
    margins: list[FloatArray] = []
    for n, _part in enumerate(parts):
        others = np.delete(shares, n, axis=0)
        rest = others.max(axis=0) if len(others) else np.zeros_like(shares[n])
        margin = shares[n] - rest
        motif, token = LOOKS[n % len(LOOKS)]
        outline = "".join(
            points([(plot.px(a), plot.py(b)) for a, b in polygon], close=True)
            for polygon in region(speed, pressure, margin)
        )
        d.path(outline, "none", fill=d.pattern(motif, token))
        for chain in lines(speed, pressure, margin, 0.0):
            d.path(points([(plot.px(a), plot.py(b)) for a, b in chain]), "ink", 0.9)
        margins.append(margin)
    return margins


def _contours(
    plot: Plot,
    places: Places,
    data: Envelope,
    speed: FloatArray,
    pressure: FloatArray,
    levels: Sequence[tuple[float, str | None]],
) -> list[tuple[str, list[Pair]]]:
    """Lines of equal probability; the longest piece of each carries the number."""
    named: list[tuple[str, list[Pair]]] = []
    for level, dash in levels:
        longest: list[Pair] = []
        for chain in lines(speed, pressure, data.p_holds, level):
            path = [(plot.px(a), plot.py(b)) for a, b in chain]
            plot.drawing.path(points(path), "paper", 4.2)
            plot.drawing.path(points(path), "ink", 1.9, dash=dash)
            below = [p for p in path if _reached(plot, data, p)]
            longest = max(longest, below, key=len)
        if len(longest) > 1:
            named.append((f"{level * 100:.0f} %", longest))
    for _, chain in named:
        places.take_line(chain, 2)
    return named


def _reached(plot: Plot, data: Envelope, point: Pair) -> bool:
    speeds = [plot.px(v) for v in rpm_array(data.engine_speed).tolist()]
    line = np.interp(point[0], speeds, kpa_array(data.full_load_pressure))
    return point[1] > plot.py(float(line)) + 6


def _beyond(plot: Plot, data: Envelope, speed: FloatArray) -> list[Pair]:
    """Hatch what lies above the full-load line, then draw the line."""
    full = np.clip(kpa_array(data.full_load_pressure), *plot.y_range)
    edge = plot.along(speed.tolist(), full.tolist())
    if not edge:
        return []
    over = [*edge, (edge[-1][0], plot.top), (edge[0][0], plot.top)]
    d = plot.drawing
    d.path(points(over, close=True), "none", fill="paper")
    d.path(points(over, close=True), "none", fill=d.pattern("back", "quiet"), opacity=0.55)
    d.path(points(edge), "ink", THICK)
    return edge


def _mark_worst(plot: Plot, places: Places, worst: tuple[float, float, str]) -> Pair:
    """A crossed ring at the worst point; its place in the drawing."""
    x = min(max(plot.px(rpm(worst[0])), plot.left), plot.left + plot.width)
    y = min(max(plot.py(kpa(worst[1])), plot.top), plot.top + plot.height)
    d = plot.drawing
    d.ring(x, y, 7, "short")
    d.path(points(((x - 11, y), (x + 11, y))), "short", LINE)
    d.path(points(((x, y - 11), (x, y + 11))), "short", LINE)
    places.take((x - 11, y - 11, 22, 22))
    return x, y


def _name_worst(plot: Plot, places: Places, worst: tuple[float, float, str], spot: Pair) -> None:
    named = wrap(clean(f"worst for {worst[2]}"), 190, SMALL)[:2]
    words = "\n".join([*named, f"{whole(rpm(worst[0]))} rev/min, {whole(kpa(worst[1]))} kPa"])
    spots = around(*spot, words, 14)
    box = label(plot.drawing, places, spots, words, colour="short", bold=True)
    leader(plot.drawing, *spot, box)


def _name_line(plot: Plot, places: Places, edge: list[Pair]) -> None:
    if not edge:
        return
    order = sorted(range(len(edge)), key=lambda n: abs(n - len(edge) * 0.4))
    spots = [(edge[n][0], edge[n][1] + dy) for dy in (-13, -20, 15, -30) for n in order]
    label(plot.drawing, places, spots, "full load", bold=True)
    words = "not reached"
    high = [(edge[n][0], (edge[n][1] + plot.top) / 2) for n in order]
    fits = [spot for spot in high if spot[1] - plot.top > 12]
    if fits:
        label(plot.drawing, places, fits, words, colour="quiet", must=False)


def _name_contour(plot: Plot, places: Places, words: str, chain: list[Pair]) -> None:
    """On the line itself where there is room (its own trace does not count)."""
    order = sorted(range(len(chain)), key=lambda n: abs(n - len(chain) // 2))
    spots = [
        (chain[n][0] + dx, chain[n][1] + dy)
        for dx, dy in ((0, -11), (0, 12), (24, 0), (-24, 0))
        for n in order
    ]
    label(plot.drawing, places, spots, words, bold=True, must=False)


def _name_region(
    plot: Plot,
    places: Places,
    part: str,
    inside: NDArray[np.bool_],
    speed: FloatArray,
    pressure: FloatArray,
) -> None:
    """The part's name where the region is deepest; too small a region has it in the key only."""
    within = depth(inside)
    best = np.argsort(-within, axis=None, kind="stable")[:400:4]
    lines = wrap(clean(part), 104, SMALL)
    lines = [*lines[:2], "…"] if len(lines) > 3 else lines
    words = "\n".join(lines)
    w = max(text_width(line, SMALL) for line in lines) + 6
    h = (SMALL + 2) * len(lines) + 2
    cell = plot.width / max(len(speed) - 1, 1), plot.height / max(len(pressure) - 1, 1)
    boxes: list[Box] = []
    for flat in best:
        i, j = np.unravel_index(int(flat), inside.shape)
        half_i, half_j = math.ceil(w / 2 / cell[0]), math.ceil(h / 2 / cell[1])
        patch = inside[max(0, i - half_i) : i + half_i + 1, max(0, j - half_j) : j + half_j + 1]
        if patch.all():
            x, y = plot.px(float(speed[i])), plot.py(float(pressure[j]))
            boxes.append((x - w / 2, y - h / 2, w, h))
    if boxes:
        cost = places.costs(boxes)
        n = int(np.argmin(np.round(cost)))
        if cost[n] > 0.3 * w * h:
            return
        x, y, _, _ = boxes[n]
        label(plot.drawing, places, [(x + w / 2, y + h / 2)], words, bold=True)


def _legend(drawing: Drawing, parts: list[str], y: float) -> float:
    """Pattern, name; every part stands here even when its region is too small for words."""
    drawing.text(0, y, "Part with the least headroom:", SMALL, colour="quiet")
    columns = 3 if drawing.width >= 600 else 1
    room = drawing.width / columns
    y += 8
    for start in range(0, len(parts), columns):
        deepest = 1
        for n, part in enumerate(parts[start : start + columns]):
            motif, token = LOOKS[(start + n) % len(LOOKS)]
            x = n * room
            drawing.box(x, y, 30, 14, drawing.pattern(motif, token), token, 1.0)
            rows = wrap(clean(part), room - 44, SMALL)
            for down, line in enumerate(rows):
                drawing.text(x + 36, y + 11 + 12 * down, line, SMALL)
            deepest = max(deepest, len(rows))
        y += 8 + 12 * deepest
    return y


def _middle(drawing: Drawing, y: float) -> float:
    words = "Line: just enough with middle values. How sure that is follows with the bands."
    return _under(drawing, words, y)


def _shares(drawing: Drawing, data: Envelope, contours: bool, y: float) -> float:
    """What the lines mean."""
    reachable = data.p_holds[data.reachable & np.isfinite(data.p_holds)]
    words = "Lines: share of samples in which everything holds."
    if contours:
        x = 0.0
        for level, dash in LEVELS:
            drawing.line(x, y + 8, x + 30, y + 8, "ink", 1.9, dash)
            drawing.text(x + 36, y + 12, f"{level * 100:.0f} %", SMALL)
            x += 86
        y += 18
    if not contours and reachable.size:
        least = float(reachable.min())
        side = "above 95 %" if least >= 0.95 else "below 5 %" if reachable.max() < 0.05 else "alike"
        words = f"No line is crossed: the share of samples that hold is {side} everywhere reached."
    return _under(drawing, words, y)


def _under(drawing: Drawing, words: str, y: float) -> float:
    for line in wrap(words, drawing.width, SMALL):
        drawing.text(0, y + 12, line, SMALL, colour="quiet")
        y += 13
    return y + 8
