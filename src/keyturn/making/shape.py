"""A flat part as plain data, millimetres throughout: one outline, holes, ports.

x to the right, y up, seen on the drawn face. A closed path is a row of corners, each with the
bulge of the piece that leaves it: bulge = tan(included angle / 4), positive to the left
(counter-clockwise arc), 0 a straight line, as in the LWPOLYLINE entity of DXF.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Literal

SAME = 1e-7  # [mm] corners nearer than that are one point
STRAIGHT = 1e-9  # a bulge below is a line: its arc leaves a chord of a metre by less than 1 nm
Side = Literal["front", "back"]  # which face of the gasket is drawn
Role = Literal["bolt", "dowel", "passage"]


@dataclass(frozen=True)
class Corner:
    x: float  # [mm]
    y: float  # [mm]
    bulge: float = 0.0  # of the piece from here to the next corner


@dataclass(frozen=True)
class ClosedPath:
    """A closed row of lines and arcs; the outer one runs counter-clockwise."""

    corners: tuple[Corner, ...]
    name: str = ""
    uncertainty: float | None = None  # [mm] 95 %, of any point of it
    source: str = ""  # "photo", "scan", "callipers", "typed"


@dataclass(frozen=True)
class Hole:
    x: float  # [mm]
    y: float  # [mm]
    diameter: float  # [mm]
    role: Role = "bolt"
    name: str = ""
    centre_uncertainty: float | None = None  # [mm] 95 % radius
    diameter_uncertainty: float | None = None  # [mm] 95 %
    source: str = ""
    open_to_edge: bool = False  # cut as a slot out to the edge


@dataclass(frozen=True)
class Outline:
    """One flat part as it is to be; what is cut from it is made from this, never the reverse."""

    outer: ClosedPath
    holes: tuple[Hole, ...] = ()
    ports: tuple[ClosedPath, ...] = ()
    name: str = "gasket"
    thickness: float | None = None  # [mm] of the sheet
    side: Side = "front"
    scale_verified: bool = False  # both check lengths were measured
    notes: tuple[str, ...] = field(default=())


def doubled(path: ClosedPath) -> int | None:
    """Index of the first corner that lies on the one after it: a piece without a direction."""
    for n, a in enumerate(path.corners):
        after = (n + 1) % len(path.corners)
        b = path.corners[after]
        if after != n and math.dist((a.x, a.y), (b.x, b.y)) < SAME:
            return n
    return None


def arc_of(a: Corner, b: Corner) -> tuple[float, float, float] | None:
    """Centre x, y and radius [mm] of the arc from ``a`` to ``b``; None for a line."""
    if abs(a.bulge) < STRAIGHT:
        return None
    chord = math.hypot(b.x - a.x, b.y - a.y)
    radius = chord * (1.0 + a.bulge**2) / (4.0 * abs(a.bulge))
    # signed distance from the chord's middle to the centre, to the left of the direction of travel
    offset = chord * (1.0 - a.bulge**2) / (4.0 * a.bulge)
    mx, my = (a.x + b.x) / 2.0, (a.y + b.y) / 2.0
    ux, uy = (b.x - a.x) / chord, (b.y - a.y) / chord
    return mx - uy * offset, my + ux * offset, radius


def flattened(path: ClosedPath, deviation: float = 0.01) -> list[tuple[float, float]]:
    """Points along the path, no chord farther than ``deviation`` [mm] from its arc."""
    points: list[tuple[float, float]] = []
    for n, a in enumerate(path.corners):
        b = path.corners[(n + 1) % len(path.corners)]
        points.append((a.x, a.y))
        arc = arc_of(a, b)
        if arc is None:
            continue
        cx, cy, radius = arc
        sweep = 4.0 * math.atan(a.bulge)
        step = 2.0 * math.acos(max(-1.0, 1.0 - min(deviation / radius, 1.0)))
        count = max(1, math.ceil(abs(sweep) / max(step, 1e-3)))
        start = math.atan2(a.y - cy, a.x - cx)
        points += [
            (cx + radius * math.cos(start + sweep * k / count),
             cy + radius * math.sin(start + sweep * k / count))
            for k in range(1, count)
        ]  # fmt: skip
    return points


def area(path: ClosedPath) -> float:
    """Enclosed area [mm2], exact for lines and arcs; positive when counter-clockwise."""
    total = 0.0
    for n, a in enumerate(path.corners):
        b = path.corners[(n + 1) % len(path.corners)]
        total += (a.x * b.y - b.x * a.y) / 2.0
        arc = arc_of(a, b)
        if arc is not None:
            sweep = 4.0 * math.atan(a.bulge)
            total += arc[2] ** 2 * (sweep - math.sin(sweep)) / 2.0
    return total


def length(path: ClosedPath) -> float:
    """Length along the path [mm]."""
    total = 0.0
    for n, a in enumerate(path.corners):
        b = path.corners[(n + 1) % len(path.corners)]
        arc = arc_of(a, b)
        if arc is None:
            total += math.hypot(b.x - a.x, b.y - a.y)
        else:
            total += arc[2] * abs(4.0 * math.atan(a.bulge))
    return total
