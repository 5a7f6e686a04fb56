"""The drawn part: outline, ports, holes with their sizes, how well they are known, narrow lands."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from keyturn.errors import ValueRefused
from keyturn.making.ear import ear_of
from keyturn.making.land import Land, opening_names
from keyturn.making.shape import ClosedPath, Hole, Outline, flattened
from keyturn.making.slot import opened
from keyturn.report.plot import Places, around, label, leader
from keyturn.report.svg import LINE, SMALL, TEXT, THICK, THIN, Drawing, points, text_width, wrap

LEFT, RIGHT, TOP = 58.0, 14.0, 16.0
BELOW = 54.0  # for the dimensions along x
TALLEST = 1.3  # height of the part over the width of the figure
ROW = 15.0
SMOOTH = 0.1  # deviation of a chord in units of the figure
COARSE = 4.0  # the same where only room is kept for words
ROOMY = 600.0  # width from which sizes stand beside the names
FEW = 14  # holes that are named in a narrow figure; beyond, their marks would hide the part


@dataclass(frozen=True)
class _Sight:
    """From millimetres to the figure."""

    scale: float
    left: float
    bottom: float
    x0: float
    y0: float

    def at(self, x: float, y: float) -> tuple[float, float]:
        return self.x0 + (x - self.left) * self.scale, self.y0 - (y - self.bottom) * self.scale


def outline_figure(
    part: Outline, narrow: Sequence[Land] = (), width: float = 720.0, *, inline: bool = False
) -> str:
    """One part with its dimensions; ``narrow`` are the lands to point at."""
    drawing = Drawing(f"outline{width:.0f}", width, f"{part.name}, drawn", _about(part, narrow),
                      inline=inline)  # fmt: skip
    edge = flattened(part.outer, 0.01)
    xs, ys = [x for x, _ in edge], [y for _, y in edge]
    wide = max(xs, default=0.0) - min(xs, default=0.0)
    high = max(ys, default=0.0) - min(ys, default=0.0)
    if not (wide > 0.0 and high > 0.0):
        drawing.text(0, 20, "There is no outline yet.")
        drawing.height = 30
        return drawing.render()
    scale = min((width - LEFT - RIGHT) / wide, TALLEST * width / high)
    sight = _Sight(scale, min(xs), min(ys), LEFT, TOP + high * scale)
    _sheet(drawing, sight, part)
    places = Places((LEFT - 4.0, 0.0, width - LEFT + 4.0, TOP + high * scale + 4))
    _centres(drawing, sight, part, places)
    for land in narrow:
        _land(drawing, sight, part, land, places)
    _names(drawing, sight, part, places)
    base = TOP + high * scale
    _dimensions(drawing, sight, part, (min(xs), max(xs), min(ys), max(ys)))
    drawing.height = _list(drawing, part, narrow, base + BELOW)
    return drawing.render()


def _about(part: Outline, narrow: Sequence[Land]) -> str:
    return (
        f"The {part.side} of {part.name}: {len(part.holes)} holes, {len(part.ports)} ports;"
        f" {len(narrow)} lands are narrower than wanted."
    )


def _sheet(drawing: Drawing, sight: _Sight, part: Outline) -> None:
    """Sheet in a pale tone, what is cut out of it in paper."""
    try:
        cut = opened(part)
    except ValueRefused:
        cut = part  # a slot that cannot be cut is said where it is cut; here the hole is shown
    deviation = SMOOTH / sight.scale

    def data(path: ClosedPath) -> str:
        return points([sight.at(*p) for p in flattened(path, deviation)], close=True)

    drawing.path(data(cut.outer), "ink", THICK, fill="quiet", opacity=0.16)
    for port in cut.ports:
        drawing.path(data(port), "ink", LINE, fill="paper")
    for hole in cut.holes:
        x, y = sight.at(hole.x, hole.y)
        drawing.ring(x, y, max(hole.diameter / 2.0 * sight.scale, 1.5))


def _centres(drawing: Drawing, sight: _Sight, part: Outline, places: Places) -> None:
    """Centre marks; edges and holes are kept free of words."""
    for path in (part.outer, *part.ports):
        line = [sight.at(*p) for p in flattened(path, COARSE / sight.scale)]
        places.take_line([*line, line[0]], pad=1.5)
    for hole in part.holes:
        x, y = sight.at(hole.x, hole.y)
        r = hole.diameter / 2.0 * sight.scale
        places.take((x - r, y - r, 2.0 * r, 2.0 * r))
        for dx, dy in ((3.5, 0.0), (0.0, 3.5)):
            drawing.line(x - dx, y - dy, x + dx, y + dy, width=THIN)


def _names(drawing: Drawing, sight: _Sight, part: Outline, places: Places) -> None:
    """Names of ports and holes; sizes beside them where there is room."""
    names = opening_names(part)
    roomy = drawing.width >= ROOMY
    for name, port in zip(names[len(part.holes) :], part.ports, strict=True):
        spot = flattened(port, COARSE / sight.scale)
        x, y = sight.at(sum(p[0] for p in spot) / len(spot), sum(p[1] for p in spot) / len(spot))
        size = sides(port)
        words = f"{size[0]:.1f} x {size[1]:.1f}"
        # a wider box would hide the edge of the port
        fits = roomy and text_width(words, SMALL) + 8.0 < size[0] * sight.scale
        words = f"{_short(name)}\n{words}" if fits else _short(name)
        label(drawing, places, [(x, y)], words)
    for name, hole in zip(names, part.holes, strict=False):
        x, y = sight.at(hole.x, hole.y)
        words = f"{_short(name)} Ø{hole.diameter:.1f}" if roomy else _short(name)
        if roomy or len(part.holes) <= FEW:
            gap = hole.diameter / 2.0 * sight.scale + 2.0
            box = label(drawing, places, around(x, y, words, gap), words)
            leader(drawing, x, y, box)


def _short(name: str) -> str:
    return name.removeprefix("hole ").strip()[:12]


def _land(drawing: Drawing, sight: _Sight, part: Outline, land: Land, places: Places) -> None:
    """A ring around the narrow place with what is there and wanted; the ear that would do."""
    x, y = sight.at(*land.at)
    for line in ear_of(part, land):
        drawing.path(points([sight.at(*spot) for spot in line]), "short", LINE, dash="2 3")
    r = max(land.width, land.least) / 2.0 * sight.scale + 5.0
    circle = [(x + r * math.cos(a * math.pi / 18), y + r * math.sin(a * math.pi / 18))
              for a in range(36)]  # fmt: skip
    drawing.path(points(circle, close=True), "short", THICK, dash="5 2")
    words = f"{max(land.width, 0.0):.1f}"
    if drawing.width >= ROOMY:
        words += f" of {land.least:.1f}"
    box = label(drawing, places, around(x, y, words, r + 2.0), words, colour="short", bold=True)
    leader(drawing, x, y, box)


def _dimensions(
    drawing: Drawing, sight: _Sight, part: Outline, sides: tuple[float, float, float, float]
) -> None:
    """The whole of it, and from hole to hole, along both axes."""
    left, right, low, high = sides
    hx, hy = [hole.x for hole in part.holes], [hole.y for hole in part.holes]
    base = sight.at(left, low)[1]
    if len(hx) > 1 and max(hx) - min(hx) > 0.2 * (right - left):
        _level(drawing, sight, base, 16.0, (min(hx), max(hx)), "outer hole centres ")
    _level(drawing, sight, base, 38.0, (left, right), "")
    _upright(drawing, sight, 14.0, (low, high), left)
    if len(hy) > 1 and max(hy) - min(hy) > 0.3 * (high - low):
        _upright(drawing, sight, 36.0, (min(hy), max(hy)), left)


def _level(
    drawing: Drawing, sight: _Sight, base: float, down: float, ends: tuple[float, float],
    words: str,
) -> None:  # fmt: skip
    a, b, y = sight.at(ends[0], 0.0)[0], sight.at(ends[1], 0.0)[0], base + down
    drawing.line(a, y, b, y, width=THIN)
    for x in (a, b):
        drawing.line(x, base + 3, x, y + 4, "quiet", THIN)
        drawing.line(x - 3, y + 3, x + 3, y - 3, width=LINE)
    text = f"{words}{ends[1] - ends[0]:.1f}" + ("" if words else " mm")
    half = (len(text) * SMALL * 0.602 + 8) / 2
    drawing.box((a + b) / 2 - half, y - 7, 2 * half, 14, fill="paper")
    drawing.text((a + b) / 2, y + 4, text, SMALL, anchor="middle")


def _upright(
    drawing: Drawing, sight: _Sight, x: float, ends: tuple[float, float], left: float
) -> None:
    a, b, edge = sight.at(0.0, ends[0])[1], sight.at(0.0, ends[1])[1], sight.at(left, 0.0)[0]
    drawing.line(x, a, x, b, width=THIN)
    for y in (a, b):
        drawing.line(x - 4, y, edge - 3, y, "quiet", THIN)
        drawing.line(x - 3, y + 3, x + 3, y - 3, width=LINE)
    text, middle = f"{ends[1] - ends[0]:.1f}", (a + b) / 2
    half = (len(text) * SMALL * 0.602 + 8) / 2
    drawing.box(x - 7, middle - half, 14, 2 * half, fill="paper")
    drawing.text(x + 4, middle, text, SMALL, anchor="middle", turn=-90.0)


def _list(drawing: Drawing, part: Outline, narrow: Sequence[Land], y: float) -> float:
    """Sizes with their uncertainty, equal ones together; what is narrow and would help."""
    rows: list[tuple[str, bool]] = [("Sizes in mm; ± at 95 %", True)]
    rows += [(row, False) for row in size_rows(part)]
    if not part.scale_verified:
        rows.append(("Scale not confirmed: measure both check lengths, or do the proof.", True))
    if narrow:
        rows.append(("Narrow lands; dotted: the edge with an ear", True))
        rows += [(land.proposal(), False) for land in narrow if land.proposal()]
    for words, bold in rows:
        y += 4.0 if bold else 0.0
        for line in wrap(words, drawing.width, SMALL):
            y += ROW
            drawing.text(0, y, line, TEXT if bold else SMALL, bold=bold)
    return y + 8.0


def size_rows(part: Outline) -> list[str]:
    """One row for holes of one size and role, one for each port, one for the outside."""
    names = opening_names(part)
    groups: dict[tuple[str, str, str], list[int]] = {}
    for n, hole in enumerate(part.holes):
        size = f"Ø{hole.diameter:.2f}{_doubt(hole.diameter_uncertainty)}"
        slot = ", open to the edge" if hole.open_to_edge else ""
        groups.setdefault((hole.role + slot, size, _centre(hole)), []).append(n)
    rows = [
        f"{role} {size}{centre}: {', '.join(_short(names[n]) for n in members)}"
        for (role, size, centre), members in groups.items()
    ]
    for name, port in zip(names[len(part.holes) :], part.ports, strict=True):
        edge = "" if port.uncertainty is None else f", edge{_doubt(port.uncertainty)}"
        rows.append(f"{name}: {' x '.join(f'{side:.1f}' for side in sides(port))}{edge}")
    if part.outer.uncertainty is not None:
        rows.append(f"outside: edge{_doubt(part.outer.uncertainty)}")
    if part.thickness is not None:
        rows.append(f"sheet {part.thickness:g} thick")
    return rows


def sides(path: ClosedPath) -> tuple[float, float]:
    """Width and height of the box around it [mm]."""
    xs, ys = zip(*flattened(path, 0.01), strict=True)
    return max(xs) - min(xs), max(ys) - min(ys)


def _doubt(value: float | None) -> str:
    return "" if value is None else f" ±{value:.2f}"


def _centre(hole: Hole) -> str:
    return "" if hole.centre_uncertainty is None else f", centre ±{hole.centre_uncertainty:.2f}"
