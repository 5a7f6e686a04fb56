"""A hole that is open to the edge: a slot joined with the outer path, its arcs kept."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from keyturn.errors import ValueRefused
from keyturn.making.shape import ClosedPath, Corner, Hole, Outline, arc_of, flattened

TINY = 1e-9  # [mm]
FAR = 1e-7  # [mm] a corner nearer than that to the one before is the same

Point = tuple[float, float]


@dataclass(frozen=True)
class _Crossing:
    """Where a side of the slot meets the outer path."""

    far: float  # [mm] along the side
    piece: int
    share: float  # of the piece, 0 to 1
    at: Point


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
    corners = [Corner(*enter.at), Corner(*first, -1.0), Corner(*last), *_rest(outer, leave, enter)]
    kept = [
        corner for n, corner in enumerate(corners)
        if math.dist(_xy(corner), _xy(corners[(n + 1) % len(corners)])) > FAR
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
    from shapely.geometry import Point as Spot
    from shapely.geometry import Polygon

    if not Polygon(flattened(outer, 0.001)).contains(Spot(hole.x, hole.y)):
        raise _refused(hole, "its centre lies outside of the part")
    count = len(outer.corners)
    spots = [
        spot
        for n, a in enumerate(outer.corners)
        for spot in _nearest(a, outer.corners[(n + 1) % count], (hole.x, hole.y))
    ]
    near = min(spots, key=lambda spot: math.dist(spot, (hole.x, hole.y)))
    dx, dy = near[0] - hole.x, near[1] - hole.y
    long = math.hypot(dx, dy)
    if long < 0.01:
        raise _refused(hole, "its centre lies on the edge")
    return dx / long, dy / long


def _nearest(a: Corner, b: Corner, to: Point) -> list[Point]:
    """Points of one piece that may be the nearest: exact, a chord would lean the slot."""
    arc = arc_of(a, b)
    if arc is None:
        ex, ey = b.x - a.x, b.y - a.y
        share = ((to[0] - a.x) * ex + (to[1] - a.y) * ey) / (ex * ex + ey * ey)
        share = min(1.0, max(0.0, share))
        return [(a.x + share * ex, a.y + share * ey)]
    cx, cy, radius = arc
    far = math.dist(to, (cx, cy))
    if far < TINY:
        return [_xy(a), _xy(b)]
    x, y = cx + (to[0] - cx) / far * radius, cy + (to[1] - cy) / far * radius
    sweep = 4.0 * math.atan(a.bulge)
    turned = math.atan2(y - cy, x - cx) - math.atan2(a.y - cy, a.x - cx)
    on_it = (math.copysign(1.0, sweep) * turned) % (2.0 * math.pi) <= abs(sweep)
    return [_xy(a), _xy(b), (x, y)] if on_it else [_xy(a), _xy(b)]


def _meets(outer: ClosedPath, start: Point, way: Point) -> _Crossing | None:
    """The nearest crossing of the outer path with the ray; None where the ray starts outside."""
    found: list[_Crossing] = []
    for n, a in enumerate(outer.corners):
        b = outer.corners[(n + 1) % len(outer.corners)]
        arc = arc_of(a, b)
        found += _on_line(n, a, b, start, way) if arc is None else _on_arc(n, a, arc, start, way)
    # an even count of crossings ahead: the ray starts outside, beyond a strongly curved edge
    return min(found, key=lambda c: c.far) if len(found) % 2 else None


def _on_line(n: int, a: Corner, b: Corner, start: Point, way: Point) -> list[_Crossing]:
    ex, ey = b.x - a.x, b.y - a.y
    across = way[0] * ey - way[1] * ex
    if abs(across) < TINY:
        return []
    dx, dy = a.x - start[0], a.y - start[1]
    far, share = (dx * ey - dy * ex) / across, (dx * way[1] - dy * way[0]) / across
    if far < 0.0 or not 0.0 <= share < 1.0:
        return []
    return [_Crossing(far, n, share, (a.x + share * ex, a.y + share * ey))]


def _on_arc(
    n: int, a: Corner, arc: tuple[float, float, float], start: Point, way: Point
) -> list[_Crossing]:
    cx, cy, radius = arc
    sweep = 4.0 * math.atan(a.bulge)
    dx, dy = cx - start[0], cy - start[1]
    along, aside = dx * way[0] + dy * way[1], dx * way[1] - dy * way[0]
    if abs(aside) >= radius:
        return []
    root = math.sqrt(radius**2 - aside**2)
    found = []
    for far in (along - root, along + root):
        x, y = start[0] + far * way[0], start[1] + far * way[1]
        turned = math.atan2(y - cy, x - cx) - math.atan2(a.y - cy, a.x - cx)
        share = (math.copysign(1.0, sweep) * turned) % (2.0 * math.pi) / abs(sweep)
        if far >= 0.0 and share < 1.0:
            found.append(_Crossing(far, n, share, (x, y)))
    return found


def _rest(outer: ClosedPath, leave: _Crossing, enter: _Crossing) -> list[Corner]:
    """The outer path from where the slot ends, all around, to where it begins."""
    count = len(outer.corners)

    def part_of(piece: int, low: float, high: float) -> float:
        return math.tan(math.atan(outer.corners[piece].bulge) * (high - low))

    if leave.piece == enter.piece and leave.share < enter.share:
        # only where the slot takes all but a bit of one piece
        return [Corner(*leave.at, part_of(leave.piece, leave.share, enter.share))]
    corners = [Corner(*leave.at, part_of(leave.piece, leave.share, 1.0))]
    piece = (leave.piece + 1) % count
    while piece != enter.piece:
        corners.append(outer.corners[piece])
        piece = (piece + 1) % count
    corners.append(replace(outer.corners[piece], bulge=part_of(piece, 0.0, enter.share)))
    return corners
