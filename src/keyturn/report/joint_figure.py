"""Where the sheet is pressed how hard: the outline in three kinds of ground, least and greatest."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from keyturn.making.joint import JointResult
from keyturn.making.joint_tables import bedding
from keyturn.making.shape import ClosedPath, flattened
from keyturn.report.show import number
from keyturn.report.svg import LINE, SMALL, THIN, Drawing, points, wrap

# what a cell is, worst ground first: motif, colour, words
KINDS = (
    ("cross", "short", "not bedded: below the seating stress"),
    ("level", "holds", "bedded: above the seating stress, below what crushes the sheet"),
    ("grid", "tight", "above what the sheet stands: crushed"),
)
HEIGHT = 420.0


def pressure_figure(result: JointResult, width: float = 720.0, *, inline: bool = False) -> str:
    """Median contact pressure after tightening, on the real outline."""
    outline = result.joint.outline
    least, most = _extremes(result)
    about = f"Contact pressure from {_mega(least[2])} to {_mega(most[2])} MPa"
    d = Drawing(f"pressed{width:.0f}", width, "Contact pressure on the sheet", about,
                inline=inline)  # fmt: skip
    outer = flattened(outline.outer, 0.1)
    xs, ys = [p[0] for p in outer], [p[1] for p in outer]
    scale = min((width - 4) / (max(xs) - min(xs)), HEIGHT / (max(ys) - min(ys)))
    left = (width - (max(xs) - min(xs)) * scale) / 2

    def at(x: float, y: float) -> tuple[float, float]:
        return left + (x - min(xs)) * scale, 2.0 + (max(ys) - y) * scale

    def drawn(path: ClosedPath) -> str:
        return points((at(*p) for p in flattened(path, 0.1)), close=True)

    kinds = kinds_of(result)
    grid = result.map
    for n, (motif, token, _) in enumerate(KINDS):
        runs = []
        for row, first, last in _runs(kinds == n):
            x0, y0 = at(grid.left + first * grid.cell, grid.bottom + row * grid.cell)
            x1, y1 = at(grid.left + last * grid.cell, grid.bottom + (row + 1) * grid.cell)
            runs.append(points(((x0, y0), (x1, y0), (x1, y1), (x0, y1)), close=True))
        d.path("".join(runs), "none", fill=d.pattern(motif, token))
    bottom = 4.0 + (max(ys) - min(ys)) * scale
    # cells that stick out are covered: the sheet of paper with the part cut out of it
    paper = points(((0, 0), (width, 0), (width, bottom), (0, bottom)), close=True)
    d.path(paper + drawn(outline.outer), "none", fill="paper")
    d.path(drawn(outline.outer), width=LINE)
    for port in outline.ports:
        d.path(drawn(port), width=LINE, fill="paper")
    for hole in outline.holes:
        d.ring(*at(hole.x, hole.y), max(hole.diameter / 2 * scale, 1.5))
    edges = (width, bottom)
    for words, (x, v, _) in (("L", least), ("G", most)):
        px, py = (min(max(p, 9.0), end - 9.0) for p, end in zip(at(x, v), edges, strict=True))
        d.ring(px, py, 8.0)
        d.text(px, py + 4, words, SMALL, anchor="middle", bold=True)
    d.height = _legend(d, result, least[2], most[2], bottom)
    return d.render()


def kinds_of(result: JointResult) -> NDArray[np.int64]:
    """Index into KINDS of every cell, -1 where there is no sheet."""
    pressure = result.map.pressure
    seat, _ = bedding(result.material)
    kinds = np.where(pressure < seat, 0, np.where(pressure > result.material.crush_stress, 2, 1))
    return np.where(np.isnan(pressure), -1, kinds)


def _runs(mask: NDArray[np.bool_]) -> list[tuple[int, int, int]]:
    """Row, first and one past the last column of every unbroken stretch."""
    found = []
    for row, line in enumerate(mask):
        edges = np.flatnonzero(np.diff(np.concatenate(([0], line.astype(int), [0]))))
        found += [(row, int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]
    return found


def _extremes(result: JointResult) -> tuple[tuple[float, float, float], ...]:
    """Place [mm] and pressure [Pa] of the least and the greatest cell."""
    grid = result.map
    found = []
    for pick in (np.nanargmin, np.nanargmax):
        row, column = np.unravel_index(int(pick(grid.pressure)), grid.pressure.shape)
        x = grid.left + (float(column) + 0.5) * grid.cell
        y = grid.bottom + (float(row) + 0.5) * grid.cell
        found.append((x, y, float(grid.pressure[row, column])))
    return tuple(found)


def _mega(pressure: float) -> str:
    return number(pressure * 1e-6, 2)


def _legend(d: Drawing, result: JointResult, least: float, most: float, y: float) -> float:
    present = set(np.unique(kinds_of(result)).tolist())
    for n, (motif, token, words) in enumerate(KINDS):
        if n not in present:
            continue
        y += 8
        d.box(0, y, 26, 14, d.pattern(motif, token), token, THIN)
        for line in wrap(words, d.width - 34, SMALL):
            d.text(34, y + 11, line, SMALL)
            y += 14
    sheet = result.material
    said = (
        f"L least {_mega(least)} MPa, G greatest {_mega(most)} MPa, mean"
        f" {_mega(result.mean_stress.p50)} MPa, at {result.torque:.1f} N m, before creep. Beds"
        f" from {_mega(bedding(sheet)[0])} MPa, stands {_mega(sheet.crush_stress)} MPa."
        " Middle values; bolt friction spreads them."
    )
    y += 6
    for line in wrap(said, d.width, SMALL):
        y += 14
        d.text(0, y, line, SMALL)
    return y + 8
