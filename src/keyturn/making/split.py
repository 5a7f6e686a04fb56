"""A part that is larger than the sheet, cut in two with a dovetail that holds it together."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

from keyturn.errors import ValueRefused
from keyturn.making.shape import ClosedPath, Corner, Hole, Outline, flattened

HEAD = 10.0  # [mm] width of the tongue where it is widest
NECK = 6.0  # [mm] where it leaves the edge
LONG = 8.0  # [mm]
LAND = 3.0  # [mm] of sheet around the tongue; common practice, no source
STEP = 1.0  # [mm] between places that are tried
CHORD = 0.01  # [mm] of the arcs; a split part is made of chords


@dataclass(frozen=True)
class Split:
    """Two parts that lie together as the one did, and where they were parted."""

    parts: tuple[Outline, Outline]
    x: float  # [mm] of the parting line


def fits(part: Outline, width: float, height: float) -> bool:
    """Does it lie on a sheet of that size, along either side?"""
    xs, ys = zip(*flattened(part.outer), strict=True)
    a, b = max(xs) - min(xs), max(ys) - min(ys)
    return bool((a <= width and b <= height) or (a <= height and b <= width))


def split(part: Outline, around: float | None = None, width: float = math.inf) -> Split:
    """Part the outline across x with one dovetail in each strip of sheet that is cut.

    ``around`` [mm] is where it should be, the middle when unsaid; ``width`` [mm] how long a half
    may be. The nearest place is taken at which the line meets no hole and every strip is wide
    enough for a tongue; each strip gets one.

    Raises
    ------
    ValueRefused
        There is no such place.
    """
    xs = [x for x, _ in flattened(part.outer)]
    low, high = min(xs), max(xs)
    wish = (low + high) / 2.0 if around is None else around
    tried = [
        wish + sign * n * STEP for n in range(int((high - low) / STEP) + 1) for sign in (1, -1)
    ]
    sheet = _sheet(part)
    for x in tried:
        if not (low + LONG < x < high - LONG) or x - low > width or high - x + LONG > width:
            continue
        halves = _parted(part, sheet, x)
        if halves is not None:
            return Split(halves, x)
    raise ValueRefused(
        "there is no place for a joint: every line meets a hole or a strip that is too narrow",
        advice="a larger sheet, or two joints made by hand",
    )


def _sheet(part: Outline) -> Any:
    """The sheet with its ports cut out; the holes stay closed."""
    from shapely.geometry import Polygon

    outer = Polygon(flattened(part.outer, CHORD))
    for port in part.ports:
        outer = outer.difference(Polygon(flattened(port, CHORD)))
    return outer


def _parted(part: Outline, sheet: Any, x: float) -> tuple[Outline, Outline] | None:
    from shapely.geometry import LineString, Point, Polygon, box

    left, bottom, right, top = sheet.bounds
    line = sheet.intersection(LineString([(x, bottom - 1), (x, top + 1)]))
    strips = list(line.geoms) if hasattr(line, "geoms") else [line]
    tongues = []
    for strip in strips:
        if strip.geom_type != "LineString" or strip.is_empty:
            return None  # the line only touches the sheet, or misses it within a port
        (_, y0), (_, y1) = sorted(strip.coords, key=lambda p: p[1])[:: len(strip.coords) - 1]
        if y1 - y0 < HEAD + 2.0 * LAND:
            return None
        middle = (y0 + y1) / 2.0
        tongues.append(Polygon([
            (x - 0.5, middle - NECK / 2), (x, middle - NECK / 2), (x + LONG, middle - HEAD / 2),
            (x + LONG, middle + HEAD / 2), (x, middle + NECK / 2), (x - 0.5, middle + NECK / 2),
        ]))  # fmt: skip
    for hole in part.holes:
        disc = Point(hole.x, hole.y).buffer(hole.diameter / 2.0 + LAND)
        if disc.intersects(line) or any(disc.intersects(tongue) for tongue in tongues):
            return None
    first = sheet.intersection(box(left - 1, bottom - 1, x, top + 1))
    for tongue in tongues:
        if not sheet.buffer(-LAND / 2.0).contains(tongue.intersection(box(x, bottom, right, top))):
            return None
        first = first.union(tongue)
    second = sheet.difference(first)
    if first.geom_type != "Polygon" or second.geom_type != "Polygon":
        return None
    return _half(part, first, "a"), _half(part, second, "b")


def _half(part: Outline, shape: Any, letter: str) -> Outline:
    from shapely.geometry import Point

    def path(ring: Any, name: str) -> ClosedPath:
        points = list(ring.coords)[:-1]
        if not ring.is_ccw:
            points.reverse()
        return ClosedPath(tuple(Corner(float(px), float(py)) for px, py in points), name)

    holes: tuple[Hole, ...] = tuple(
        hole for hole in part.holes if shape.contains(Point(hole.x, hole.y))
    )
    ports = tuple(path(ring, f"port {n}") for n, ring in enumerate(shape.interiors, 1))
    return replace(part, name=f"{part.name} {letter}", outer=path(shape.exterior, ""), holes=holes,
                   ports=ports)  # fmt: skip
