"""What a machine is told to cut: contours on layers, one part or several on a sheet."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any, Literal

from keyturn.errors import ValueRefused
from keyturn.making.shape import (
    ClosedPath,
    Corner,
    Hole,
    Outline,
    arc_of,
    area,
    doubled,
    flattened,
)

Layer = Literal["CUT_OUTER", "CUT_INNER", "HOLES", "MARK"]
LAYERS: tuple[Layer, ...] = ("CUT_OUTER", "CUT_INNER", "HOLES", "MARK")
CHORD = 0.005  # [mm] of the polygons that a part is judged by
SAME_ANGLE = 1e-6  # share of a piece by which a quarter may be more than a quarter
MARK_HIGH, MARK_LOW = 5.0, 1.5  # [mm] height of letters: wanted, and the least that is read
PLAIN = " -_.,+()"
MOST_LETTERS = 40
LETTER = 0.8  # width of a drawn letter over its height, on the wide side


@dataclass(frozen=True)
class Contour:
    """One closed cut; a circle stays a circle."""

    layer: Layer
    shape: ClosedPath | Hole
    part: int = 0  # which of the parts on the sheet


@dataclass(frozen=True)
class Mark:
    """Words on the part, drawn and not cut, centred at x, y."""

    x: float  # [mm]
    y: float  # [mm]
    height: float  # [mm]
    words: str


@dataclass(frozen=True)
class Cutting:
    """Everything on one sheet, in the order in which it is cut."""

    contours: tuple[Contour, ...]
    marks: tuple[Mark, ...] = ()
    sheet: tuple[float, float] | None = None  # [mm] width, height; its corner is the origin
    kerf: float = 0.0  # [mm] that is taken into account already

    def bounds(self) -> tuple[float, float, float, float]:
        """Left, bottom, right, top of what is cut [mm]."""
        points = [point for contour in self.contours for point in outline_points(contour.shape)]
        xs, ys = [x for x, _ in points], [y for _, y in points]
        return min(xs), min(ys), max(xs), max(ys)


def outline_points(shape: ClosedPath | Hole, deviation: float = CHORD) -> list[tuple[float, float]]:
    """Points along a contour, as a polygon."""
    return flattened(circle(shape) if isinstance(shape, Hole) else shape, deviation)


def circle(hole: Hole) -> ClosedPath:
    """The hole as four quarter arcs, counter-clockwise from its right."""
    r, quarter = hole.diameter / 2.0, math.tan(math.pi / 8.0)
    around = ((r, 0.0), (0.0, r), (-r, 0.0), (0.0, -r))
    return ClosedPath(tuple(Corner(hole.x + x, hole.y + y, quarter) for x, y in around), hole.name)


def quartered(path: ClosedPath, most: float = math.pi / 2.0) -> ClosedPath:
    """The same path with no arc of more than ``most`` [rad].

    An arc given by its ends and radius is badly determined near a half circle; a quarter is not.
    """
    corners: list[Corner] = []
    for n, a in enumerate(path.corners):
        b = path.corners[(n + 1) % len(path.corners)]
        arc = arc_of(a, b)
        sweep = 4.0 * math.atan(a.bulge)
        count = 1 if arc is None else max(1, math.ceil(abs(sweep) / most - SAME_ANGLE))
        if arc is None or count == 1:
            corners.append(a)
            continue
        cx, cy, radius = arc
        start, bulge = math.atan2(a.y - cy, a.x - cx), math.tan(sweep / count / 4.0)
        corners.append(replace(a, bulge=bulge))
        for k in range(1, count):
            angle = start + sweep * k / count
            corners.append(
                Corner(cx + radius * math.cos(angle), cy + radius * math.sin(angle), bulge)
            )
    return replace(path, corners=tuple(corners))


def contours_of(part: Outline, number: int = 0) -> list[Contour]:
    """Holes, ports, then the outside."""
    inner = [Contour("HOLES", hole, number) for hole in part.holes]
    inner += [Contour("CUT_INNER", port, number) for port in part.ports]
    return [*inner, Contour("CUT_OUTER", part.outer, number)]


def polygon(part: Outline) -> Any:
    """The part as one polygon with its openings (shapely)."""
    from shapely.geometry import Polygon

    inner: list[ClosedPath | Hole] = [*part.holes, *part.ports]
    return Polygon(outline_points(part.outer), [outline_points(shape) for shape in inner])


def sized(part: Outline) -> Outline:
    """The part itself, or the reason why there is nothing to cut.

    Raises
    ------
    ValueRefused
        A sheet without thickness, a size that is no number, an outline that encloses nothing.
    """
    if part.thickness is not None and not part.thickness > 0.0:
        raise ValueRefused("the sheet has no thickness", typed=f"{part.thickness:g} mm",
                           accepted="more than 0 mm, such as 1.5 mm")  # fmt: skip
    paths = (part.outer, *part.ports)
    numbers = [v for path in paths for p in path.corners for v in (p.x, p.y, p.bulge)]
    numbers += [v for hole in part.holes for v in (hole.x, hole.y, hole.diameter)]
    if not all(math.isfinite(value) for value in numbers):
        raise ValueRefused("a size is not a number", advice="look through the outline file")
    if any(doubled(path) is not None for path in paths):
        raise ValueRefused("a corner of a path lies on the one after it",
                           advice="take one of the two out of the outline file")  # fmt: skip
    if any(len(path.corners) < 2 or abs(area(path)) < 0.01 for path in paths):
        raise ValueRefused("there is nothing to cut: a path encloses no area",
                           accepted="closed paths with an area")  # fmt: skip
    flat = [hole.name or "a hole" for hole in part.holes if not hole.diameter > 0.0]
    if flat:
        raise ValueRefused(f"{', '.join(flat)} has no size", accepted="a diameter above 0 mm")
    return part


def judged(part: Outline) -> Outline:
    """The part itself, or the reason why it cannot be cut.

    Raises
    ------
    ValueRefused
        As :func:`sized`; a path that crosses itself, openings that overlap each other or the edge.
    """
    sized(part)
    sheet = polygon(part)
    if not sheet.is_valid:
        from shapely.validation import explain_validity

        raise ValueRefused(
            f"{part.name} cannot be cut: a path crosses itself or another"
            f" ({explain_validity(sheet)})",
            advice="move or shrink what overlaps; a hole at the edge is cut as a slot",
        )  # fmt: skip
    return part


def mark(part: Outline, words: str) -> Mark | None:
    """The words where the part is widest; none where no place is wide enough."""
    import shapely

    # a file format gives some signs a meaning of their own
    words = "".join(c if c.isalnum() or c in PLAIN else " " for c in words)[:MOST_LETTERS].strip()
    if not words:
        return None
    widest = shapely.maximum_inscribed_circle(polygon(part), tolerance=0.5)
    (x, y), (rim_x, rim_y) = widest.coords[0], widest.coords[-1]
    room = math.hypot(rim_x - x, rim_y - y) - 0.5
    # half the diagonal of the words stays inside of the largest circle
    height = min(MARK_HIGH, 2.0 * room / math.hypot(1.0, LETTER * len(words)))
    return Mark(float(x), float(y), float(height), words) if height >= MARK_LOW else None


def carried(x: float, y: float, turn: int, dx: float, dy: float) -> tuple[float, float]:
    """A point turned by ``turn`` quarters of a circle about the origin, then moved [mm]."""
    c, s = ((1, 0), (0, 1), (-1, 0), (0, -1))[turn % 4]
    return c * x - s * y + dx, s * x + c * y + dy


def moved(part: Outline, turn: int, dx: float, dy: float) -> Outline:
    """The part turned by ``turn`` quarters of a circle about the origin, then moved."""

    def at(x: float, y: float) -> tuple[float, float]:
        return carried(x, y, turn, dx, dy)

    def path(old: ClosedPath) -> ClosedPath:
        return replace(old, corners=tuple(Corner(*at(p.x, p.y), p.bulge) for p in old.corners))

    holes = tuple(
        replace(hole, x=at(hole.x, hole.y)[0], y=at(hole.x, hole.y)[1]) for hole in part.holes
    )
    return replace(
        part, outer=path(part.outer), holes=holes, ports=tuple(path(port) for port in part.ports)
    )
