"""How much sheet is left between openings and to the edge, and what to do where it is too little.

One definition throughout: every opening counts as it will be cut, after its clearance.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import combinations
from typing import Any

from keyturn.making.shape import ClosedPath, Hole, Outline, flattened

LEAST_LAND = 3.0  # [mm] between two openings; common practice, no source
LEAST_EDGE = 3.0  # [mm] from an opening to the edge; common practice, no source
CHORD = 0.005  # [mm] deviation of the polygons that are measured between


@dataclass(frozen=True)
class Land:
    """The narrowest sheet between two things."""

    a: str
    b: str  # another opening, or "edge"
    width: float  # [mm]; negative where they overlap
    at: tuple[float, float]  # [mm] its middle
    least: float  # [mm]

    @property
    def enough(self) -> bool:
        return self.width >= self.least - 2.0 * CHORD

    def problem(self) -> str:
        """Where there is no sheet at all."""
        if self.b == "edge":
            return f"{self.a} stands across the edge"
        return f"{self.a} and {self.b} overlap once they have their allowances"

    def proposal(self) -> str:
        """What would help, in words; empty where it is enough."""
        if self.enough:
            return ""
        wanted = f"{self.least:.1f} mm wanted"
        if self.b == "edge":
            here = f"{self.width:.1f} mm to the edge" if self.width > 0.0 else "across the edge"
            return (
                f"{self.a}: {here}, {wanted}: let the outline grow there (an ear), or cut the hole"
                " as a slot that is open to the edge"
            )
        here = f"{self.width:.1f} mm between them" if self.width > 0.0 else "they overlap"
        return f"{self.a} and {self.b}: {here}, {wanted}: less clearance, or one opening for both"


def opening_names(outline: Outline) -> list[str]:
    """Names of holes, then of ports, in the order of the file."""
    return [hole.name or f"hole {n}" for n, hole in enumerate(outline.holes, 1)] + [
        port.name or f"port {n}" for n, port in enumerate(outline.ports, 1)
    ]


def lands(
    outline: Outline, least: float = LEAST_LAND, least_edge: float = LEAST_EDGE
) -> tuple[Land, ...]:
    """Every land, narrowest against its limit first; slots open to the edge are left out."""
    edge = _polygon(outline.outer)
    shapes = [_disc(hole) for hole in outline.holes] + [_polygon(port) for port in outline.ports]
    names = opening_names(outline)
    closed = [
        n
        for n in range(len(shapes))
        if n >= len(outline.holes) or not outline.holes[n].open_to_edge
    ]
    rows = [_to_edge(names[n], shapes[n], edge, least_edge) for n in closed]
    rows += [_between(names[a], shapes[a], names[b], shapes[b], least)
             for a, b in combinations(closed, 2)]  # fmt: skip
    return tuple(sorted(rows, key=lambda row: row.width - row.least))


def _polygon(path: ClosedPath) -> Any:
    from shapely.geometry import Polygon

    return Polygon(flattened(path, CHORD))


def _disc(hole: Hole) -> Any:
    from shapely.geometry import Polygon

    count = 256
    radius = hole.diameter / 2.0
    return Polygon([
        (hole.x + radius * math.cos(2 * math.pi * k / count),
         hole.y + radius * math.sin(2 * math.pi * k / count))
        for k in range(count)
    ])  # fmt: skip


def _to_edge(name: str, shape: Any, edge: Any, least: float) -> Land:
    from shapely.ops import nearest_points

    a, b = nearest_points(shape.exterior, edge.exterior)
    width = float(shape.exterior.distance(edge.exterior))
    if not edge.contains(shape):
        width = -max(width, float(shape.difference(edge).area) ** 0.5)
    return Land(name, "edge", width, ((a.x + b.x) / 2, (a.y + b.y) / 2), least)


def _between(a: str, first: Any, b: str, second: Any, least: float) -> Land:
    from shapely.ops import nearest_points

    p, q = nearest_points(first, second)
    width = float(first.distance(second))
    if first.intersects(second):
        width = -(float(first.intersection(second).area) ** 0.5)
    return Land(a, b, width, ((p.x + q.x) / 2, (p.y + q.y) / 2), least)
