"""A hole that is open to the edge: a slot joined with the outer path, its arcs kept."""

from __future__ import annotations

import math
from dataclasses import replace

from keyturn.errors import ValueRefused
from keyturn.making.along import TINY, Point, Spot, nearest, pieces, rest, share_of
from keyturn.making.shape import SAME, ClosedPath, Corner, Hole, Outline, arc_of, flattened


def opened(part: Outline) -> Outline:
    """The part with every hole that is open to the edge cut as a slot of the outer path.

    The slot is as wide as the hole and leaves it by the shortest way.

    Raises
    ------
    ValueRefused
        The hole is not in the part, or its slot would not be a plain one.
    """
    slots = [hole for hole in part.holes if hole.open_to_edge]
    if not slots:
        return part
    outer = part.outer
    for hole in slots:
        outer = _joined(outer, hole)
    return replace(
        part, outer=outer, holes=tuple(hole for hole in part.holes if not hole.open_to_edge)
    )


def _refused(hole: Hole, why: str) -> ValueRefused:
    return ValueRefused(f"{hole.name or 'the hole'} cannot be opened to the edge: {why}",
                        advice="draw the slot into the outer path by hand")  # fmt: skip


def _joined(outer: ClosedPath, hole: Hole) -> ClosedPath:
    from shapely.geometry import Polygon

    ux, uy = _way_out(outer, hole)
    tx, ty = -uy, ux  # along the edge, as the outer path runs there
    r = hole.diameter / 2.0
    first = (hole.x - r * tx, hole.y - r * ty)
    last = (hole.x + r * tx, hole.y + r * ty)
    enter, leave = _meets(outer, first, (ux, uy)), _meets(outer, last, (ux, uy))
    if enter is None or leave is None:
        raise _refused(hole, "its sides do not reach the edge")
    corners = [Corner(*enter.at), Corner(*first, -1.0), Corner(*last), *rest(outer, leave, enter)]
    kept = [
        corner for n, corner in enumerate(corners)
        if math.dist(_xy(corner), _xy(corners[(n + 1) % len(corners)])) >= SAME
    ]  # fmt: skip
    made = replace(outer, corners=tuple(kept))
    shape, before = Polygon(flattened(made)), Polygon(flattened(outer))
    if not shape.is_valid or not before.buffer(0.1).covers(shape):
        raise _refused(hole, "the slot would cut through another side")
    return made


def _xy(corner: Corner) -> Point:
    return corner.x, corner.y


def _way_out(outer: ClosedPath, hole: Hole) -> Point:
    """Direction from the hole's centre to the nearest point of the edge."""
    from shapely.geometry import Point as Dot
    from shapely.geometry import Polygon

    if not Polygon(flattened(outer, 0.001)).contains(Dot(hole.x, hole.y)):
        raise _refused(hole, "its centre lies outside of the part")
    near = nearest(outer, (hole.x, hole.y)).at
    dx, dy = near[0] - hole.x, near[1] - hole.y
    long = math.hypot(dx, dy)
    if long < 0.01:
        raise _refused(hole, "its centre lies on the edge")
    return dx / long, dy / long


def _meets(outer: ClosedPath, start: Point, way: Point) -> Spot | None:
    """The nearest crossing of the outer path with the ray; None where the ray starts outside."""
    found: list[Spot] = []
    for n, a, b in pieces(outer):
        arc = arc_of(a, b)
        found += _on_line(n, a, b, start, way) if arc is None else _on_arc(n, a, arc, start, way)
    # an even count of crossings ahead: the ray starts outside, beyond a strongly curved edge
    return min(found, key=lambda c: c.far) if len(found) % 2 else None


def _on_line(n: int, a: Corner, b: Corner, start: Point, way: Point) -> list[Spot]:
    ex, ey = b.x - a.x, b.y - a.y
    across = way[0] * ey - way[1] * ex
    if abs(across) < TINY:
        return []
    dx, dy = a.x - start[0], a.y - start[1]
    far, share = (dx * ey - dy * ex) / across, (dx * way[1] - dy * way[0]) / across
    if far < 0.0 or not 0.0 <= share < 1.0:
        return []
    return [Spot(n, share, (a.x + share * ex, a.y + share * ey), far)]


def _on_arc(
    n: int, a: Corner, arc: tuple[float, float, float], start: Point, way: Point
) -> list[Spot]:
    cx, cy, radius = arc
    dx, dy = cx - start[0], cy - start[1]
    along, aside = dx * way[0] + dy * way[1], dx * way[1] - dy * way[0]
    if abs(aside) >= radius:
        return []
    root = math.sqrt(radius**2 - aside**2)
    found = []
    for far in (along - root, along + root):
        x, y = start[0] + far * way[0], start[1] + far * way[1]
        share = share_of(a, arc, (x, y))
        if far >= 0.0 and share < 1.0:
            found.append(Spot(n, share, (x, y), far))
    return found
