"""An ear: the edge let out around a hole that lies too near to it, as arcs.

The ear is a circle about the hole that leaves the wanted sheet around it, and runs out into the
edge by arcs tangent to both. Nothing of the part is taken away.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

from keyturn.errors import ValueRefused
from keyturn.making.along import Point, Spot, crossed, nearest, rest
from keyturn.making.edit import Allowances, hole_of, opened_hole
from keyturn.making.land import Land
from keyturn.making.offset import offset
from keyturn.making.shape import ClosedPath, Corner, Hole, Outline, doubled, flattened

ROOTS = (3.0, 1.5, 0.75, 0.0)  # [mm] radius at its roots, the largest that fits; common practice
CHORD = 0.002  # [mm] deviation of the polygons that an ear is judged by


def eared(part: Outline, name: str, allow: Allowances | None = None) -> Outline:
    """The part with an ear around one hole; as wide as the allowances ask for when it is cut.

    Raises
    ------
    ValueRefused
        The hole has sheet enough, is not in the part, or the ear would not be a plain one.
    """
    number, hole = hole_of(part, name)
    corners = [corner for run in _runs(part, hole, allow or Allowances()) for corner in run]
    holes = (*part.holes[:number], replace(hole, open_to_edge=False), *part.holes[number + 1 :])
    return replace(part, outer=replace(part.outer, corners=tuple(corners)), holes=holes)


def ear_of(part: Outline, land: Land, allow: Allowances | None = None) -> list[list[Point]]:
    """The edge that an ear at a narrow land would have, to be drawn; empty where there is none."""
    if land.b != "edge":
        return []
    try:
        return ear_lines(part, land.a, allow)
    except ValueRefused:
        return []


def ear_lines(part: Outline, name: str, allow: Allowances | None = None) -> list[list[Point]]:
    """The new edge alone: one row of points for each run of it."""
    _, hole = hole_of(part, name)
    runs = _runs(part, hole, allow or Allowances())
    # a run and the rest of the path take turns; the last corner of a run is where the rest begins
    return [
        flattened(ClosedPath((*run, Corner(after[0].x, after[0].y))), 0.02)
        for run, after in zip(runs[0::2], runs[1::2], strict=True)
    ]


def _runs(part: Outline, hole: Hole, allow: Allowances) -> list[list[Corner]]:
    """Ear, rest of the path, ear, rest ...: the new outer path in pieces."""
    radius = opened_hole(hole, allow).diameter / 2.0 + allow.edge - allow.outer
    centre = (hole.x, hole.y)
    within, joined = _shapes(part.outer, centre, radius)
    if not within:
        raise _refused(hole, "its centre lies outside of the part")
    if joined is None:
        raise _refused(hole, "it would close a bay of the edge")
    for root in ROOTS:
        runs = _rounded(part.outer, centre, radius, root)
        if runs is None:
            continue
        if not runs:
            raise ValueRefused(
                f"{hole.name or 'the hole'} needs no ear", typed=f"{hole.diameter:.2f} mm",
                accepted=f"a hole with less than {allow.edge:g} mm to the edge",
            )  # fmt: skip
        if _right(part.outer, runs, joined, root):
            return runs
    raise _refused(hole, "its roots do not fit between its neighbours")


def _refused(hole: Hole, why: str) -> ValueRefused:
    return ValueRefused(
        f"{hole.name or 'the hole'} cannot have an ear: {why}",
        advice="cut it as a slot, or draw the ear into the outer path by hand",
    )


def _shapes(outer: ClosedPath, centre: Point, radius: float) -> tuple[bool, Any]:
    """Is the hole in the part; and the part joined with the ear's circle, None with a gap in it."""
    from shapely.geometry import Point as Dot
    from shapely.geometry import Polygon

    old = Polygon(flattened(outer, CHORD))
    joined = old.union(Dot(centre).buffer(radius, quad_segs=180))
    plain = joined.geom_type == "Polygon" and not joined.interiors
    return bool(old.contains(Dot(centre))), joined if plain else None


def _rounded(
    outer: ClosedPath, centre: Point, radius: float, root: float
) -> list[list[Corner]] | None:
    """The runs with roots of that radius; None where they do not fit, empty without a crossing."""
    spots = crossed(outer, centre, radius)
    if len(spots) < 2:
        return []
    if root > 0.0:
        wider = offset(outer, root)
        middles = crossed(wider.path, centre, radius + root)
        if not wider.exact or len(middles) != len(spots):
            return None
        feet = [nearest(outer, spot.at) for spot in middles]
        tips = [_toward(centre, spot.at, radius) for spot in middles]
        middle_points = [spot.at for spot in middles]
    else:
        feet, tips = spots, [spot.at for spot in spots]
        middle_points = tips
    # from outside into the circle first
    first = 0 if _inside(outer, feet[0], feet[1], centre, radius) else 1
    order = [(k + first) % len(spots) for k in range(len(spots))]
    runs = []
    for k in range(0, len(order), 2):
        enter, leave = order[k], order[k + 1]
        following = order[(k + 2) % len(order)]
        run = [Corner(*tips[enter], _sweep(centre, tips[enter], tips[leave], 1.0))]
        if root > 0.0:
            run.insert(0, Corner(*feet[enter].at, _sweep(middle_points[enter], feet[enter].at,
                                                         tips[enter], -1.0)))  # fmt: skip
            run.append(Corner(*tips[leave], _sweep(middle_points[leave], tips[leave],
                                                   feet[leave].at, -1.0)))  # fmt: skip
        runs += [run, rest(outer, feet[leave], feet[following])]
    return runs


def _inside(outer: ClosedPath, a: Spot, b: Spot, centre: Point, radius: float) -> bool:
    """Does the path run within the circle from ``a`` to ``b``?"""
    between = rest(outer, a, b)
    points = flattened(ClosedPath((*between, Corner(*b.at))), 0.01)
    middle = points[len(points) // 2] if len(points) > 2 else (
        (a.at[0] + b.at[0]) / 2.0, (a.at[1] + b.at[1]) / 2.0
    )  # fmt: skip
    return math.dist(middle, centre) < radius


def _toward(centre: Point, to: Point, radius: float) -> Point:
    far = math.dist(centre, to)
    return (centre[0] + (to[0] - centre[0]) / far * radius,
            centre[1] + (to[1] - centre[1]) / far * radius)  # fmt: skip


def _sweep(centre: Point, a: Point, b: Point, way: float) -> float:
    """Bulge of the arc about ``centre`` from ``a`` to ``b``, ``way`` +1 counter-clockwise."""
    turned = math.atan2(b[1] - centre[1], b[0] - centre[0]) - math.atan2(
        a[1] - centre[1], a[0] - centre[0]
    )
    return way * math.tan((way * turned) % (2.0 * math.pi) / 4.0)


def _right(outer: ClosedPath, runs: list[list[Corner]], joined: Any, root: float) -> bool:
    """It crosses nothing, holds all of the part and of the circle, and little more at the roots."""
    from shapely.geometry import Polygon

    corners = tuple(corner for run in runs for corner in run)
    path = replace(outer, corners=corners)
    if doubled(path) is not None:
        return False
    made = Polygon(flattened(path, CHORD))
    if not made.is_valid:
        return False
    # a root fills less than the square of its radius
    more, agrees = float(made.area - joined.area), CHORD * joined.length
    return bool(joined.difference(made).area < agrees and more < agrees + len(runs) * root**2)
