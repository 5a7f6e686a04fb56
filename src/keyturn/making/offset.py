"""A closed path moved sideways by a distance, arcs kept as arcs.

A line moves, an arc changes its radius. Where two neighbours then part, an arc about the old
corner joins them; where they then cross, they are cut at the crossing. What this cannot do (a
radius that vanishes) goes to shapely, whose answer is chords; the caller is told which of the two
it was. The chords are judged by themselves, by distances to the old path, and refused where they
are not what was asked for: where a neck closes about an island, or the old path crosses itself.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from keyturn.errors import ValueRefused
from keyturn.making.shape import SAME, ClosedPath, Corner, arc_of, area, flattened

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

AGREES = 2e-3  # share of the area moved by which the exact path may differ from the polygon's
CHORD = 0.002  # [mm] deviation of the polygon that the exact path is judged by
STRAY = 0.01  # [mm] that chords may lie off their distance: five times CHORD, a tenth of any cut
STEP = 1.0  # [mm] between places of a path that are asked

Point = tuple[float, float]


@dataclass(frozen=True)
class _Piece:
    """One moved line or arc; ``turn`` is +1, -1 or 0 for counter-clockwise, clockwise, line."""

    start: Point
    end: Point
    centre: Point
    radius: float
    turn: int
    corner: Point  # the old corner at its end


@dataclass(frozen=True)
class Offset:
    """``exact`` is False where the path had to be made of chords."""

    path: ClosedPath
    exact: bool


def offset(path: ClosedPath, distance: float) -> Offset:
    """The path at ``distance`` [mm] outside of ``path``; inside where it is negative.

    Raises
    ------
    ValueRefused
        Nothing is left of the path, or it falls into pieces.
    """
    if abs(distance) < SAME:
        return Offset(path, exact=True)
    # to the right of travel is outside of a counter-clockwise path
    right = distance if area(path) > 0.0 else -distance
    exact = _exact(path, right)
    polygon, broken = _buffered(path, distance)
    if exact is not None and _same(exact, polygon, distance):
        return Offset(exact, exact=True)
    if not broken and not _lies(path, polygon, distance):
        broken = "it does not keep that distance everywhere"
    if broken:
        raise ValueRefused(
            f"{path.name or 'the path'}: moved by {distance:.2f} mm {broken}",
            typed=f"{distance:.2f} mm", accepted="a smaller distance",
            advice="where the path is narrow or notched, draw it wider by hand",
        )  # fmt: skip
    corners = tuple(Corner(x, y) for x, y in polygon)
    made = replace(path, corners=corners)
    return Offset(made if area(made) * area(path) > 0 else reversed_path(made), exact=False)


def reversed_path(path: ClosedPath) -> ClosedPath:
    """The same path in the other direction."""
    corners = path.corners
    count = len(corners)
    turned = [
        Corner(corners[n].x, corners[n].y, -corners[(n - 1) % count].bulge)
        for n in range(count - 1, -1, -1)
    ]
    return replace(path, corners=tuple(turned))


def _pieces(path: ClosedPath, right: float) -> list[_Piece] | None:
    pieces = []
    for n, a in enumerate(path.corners):
        b = path.corners[(n + 1) % len(path.corners)]
        if math.hypot(b.x - a.x, b.y - a.y) < SAME:
            return None
        piece = _moved(a, b, right)
        if piece is None:
            return None
        pieces.append(piece)
    return pieces


def _moved(a: Corner, b: Corner, right: float) -> _Piece | None:
    """One piece moved to the right of its travel; None where its radius would vanish."""
    arc = arc_of(a, b)
    if arc is None:
        long = math.hypot(b.x - a.x, b.y - a.y)
        nx, ny = (b.y - a.y) / long * right, -(b.x - a.x) / long * right
        return _Piece((a.x + nx, a.y + ny), (b.x + nx, b.y + ny), (0.0, 0.0), 0.0, 0, (b.x, b.y))
    cx, cy, radius = arc
    turn = 1 if a.bulge > 0 else -1
    grown = radius + turn * right
    if grown <= SAME:
        return None
    scale = grown / radius

    def moved(p: Corner) -> Point:
        return cx + (p.x - cx) * scale, cy + (p.y - cy) * scale

    return _Piece(moved(a), moved(b), (cx, cy), grown, turn, (b.x, b.y))


def _exact(path: ClosedPath, right: float) -> ClosedPath | None:
    pieces = _pieces(path, right)
    if pieces is None:
        return None
    count = len(pieces)
    starts: list[Point] = [piece.start for piece in pieces]
    ends: list[Point] = [piece.end for piece in pieces]
    joins: list[Corner | None] = [None] * count  # arc that follows piece n
    for n, piece in enumerate(pieces):
        after = (n + 1) % count
        other = pieces[after]
        if math.dist(piece.end, other.start) < SAME:
            continue
        if _parts(piece, other, right):
            joins[n] = Corner(*piece.end, _join_bulge(piece, other, right))
            continue
        crossing = _crossing(piece, other)
        if crossing is None:
            return None
        ends[n] = starts[after] = crossing
    corners: list[Corner] = []
    for n, piece in enumerate(pieces):
        bulge = _bulge(piece, starts[n], ends[n])
        if bulge is None:
            return None
        corners.append(Corner(*starts[n], bulge))
        joined = joins[n]
        if joined is not None:
            corners.append(joined)
    return replace(path, corners=tuple(corners))


def _direction(piece: _Piece, at: Point) -> Point:
    """Direction of travel at one of its ends."""
    if piece.turn == 0:
        dx, dy = piece.end[0] - piece.start[0], piece.end[1] - piece.start[1]
        long = math.hypot(dx, dy)
        return dx / long, dy / long
    rx, ry = (at[0] - piece.centre[0]) / piece.radius, (at[1] - piece.centre[1]) / piece.radius
    return -ry * piece.turn, rx * piece.turn


def _turning(piece: _Piece, other: _Piece) -> float:
    """Angle by which the travel turns left at the corner between them."""
    ax, ay = _direction(piece, piece.end)
    bx, by = _direction(other, other.start)
    return math.atan2(ax * by - ay * bx, ax * bx + ay * by)


def _parts(piece: _Piece, other: _Piece, right: float) -> bool:
    """True where the moved neighbours leave a gap: the corner is on the side moved to."""
    return _turning(piece, other) * right > 0.0


def _join_bulge(piece: _Piece, other: _Piece, right: float) -> float:
    cx, cy = piece.corner
    a = math.atan2(piece.end[1] - cy, piece.end[0] - cx)
    b = math.atan2(other.start[1] - cy, other.start[0] - cx)
    sweep = math.remainder(b - a, 2.0 * math.pi)
    # the join turns the way the corner does
    if sweep * right < 0.0:
        sweep += math.copysign(2.0 * math.pi, right)
    return math.tan(sweep / 4.0)


def _bulge(piece: _Piece, start: Point, end: Point) -> float | None:
    """Bulge of the piece between its new ends; None where they have swapped places."""
    if piece.turn == 0:
        old = (piece.end[0] - piece.start[0], piece.end[1] - piece.start[1])
        new = (end[0] - start[0], end[1] - start[1])
        return 0.0 if old[0] * new[0] + old[1] * new[1] > 0.0 else None
    cx, cy = piece.centre

    def swept(a: Point, b: Point) -> float:
        turned = math.atan2(b[1] - cy, b[0] - cx) - math.atan2(a[1] - cy, a[0] - cx)
        return (turned * piece.turn) % (2.0 * math.pi)

    whole = swept(piece.start, piece.end)
    sweep = swept(start, end)
    if sweep > whole + 1e-9 or sweep <= 0.0:
        return None
    return piece.turn * math.tan(sweep / 4.0)


def _crossing(piece: _Piece, other: _Piece) -> Point | None:
    """Where two moved neighbours cross, nearest to their old corner."""
    if piece.turn == 0 and other.turn == 0:
        found = _line_line(piece, other)
    elif piece.turn == 0:
        found = _line_circle(piece, other)
    elif other.turn == 0:
        found = _line_circle(other, piece)
    else:
        found = _circle_circle(piece, other)
    return min(found, key=lambda p: math.dist(p, piece.corner), default=None)


def _line_line(a: _Piece, b: _Piece) -> list[Point]:
    (ax, ay), (bx, by) = _direction(a, a.end), _direction(b, b.start)
    across = ax * by - ay * bx
    if abs(across) < 1e-12:
        return []
    dx, dy = b.start[0] - a.start[0], b.start[1] - a.start[1]
    t = (dx * by - dy * bx) / across
    return [(a.start[0] + t * ax, a.start[1] + t * ay)]


def _line_circle(line: _Piece, arc: _Piece) -> list[Point]:
    ux, uy = _direction(line, line.end)
    dx, dy = arc.centre[0] - line.start[0], arc.centre[1] - line.start[1]
    along, aside = dx * ux + dy * uy, dx * uy - dy * ux
    rest = arc.radius**2 - aside**2
    if rest < 0.0:
        return []
    root = math.sqrt(rest)
    return [
        (line.start[0] + (along + sign * root) * ux, line.start[1] + (along + sign * root) * uy)
        for sign in (1.0, -1.0)
    ]


def _circle_circle(a: _Piece, b: _Piece) -> list[Point]:
    dx, dy = b.centre[0] - a.centre[0], b.centre[1] - a.centre[1]
    apart = math.hypot(dx, dy)
    if apart < SAME:
        return []
    along = (apart**2 + a.radius**2 - b.radius**2) / (2.0 * apart)
    rest = a.radius**2 - along**2
    if rest < 0.0:
        return []
    root = math.sqrt(rest)
    ux, uy = dx / apart, dy / apart
    return [
        (a.centre[0] + along * ux - sign * root * uy, a.centre[1] + along * uy + sign * root * ux)
        for sign in (1.0, -1.0)
    ]


def _buffered(path: ClosedPath, distance: float) -> tuple[list[Point], str]:
    """The same by shapely on a fine polygon; nothing, and why, where that is no one path."""
    from shapely.geometry import Polygon

    old = Polygon(flattened(path, CHORD))
    if not old.is_valid:
        return [], "cannot be told: it crosses itself"
    grown = old.buffer(distance, quad_segs=64)
    if grown.is_empty or grown.geom_type != "Polygon":
        return [], "nothing whole is left"
    if grown.interiors:
        return [], "it closes about an island"
    return [(float(x), float(y)) for x, y in list(grown.exterior.coords)[:-1]], ""


def _same(path: ClosedPath, polygon: list[Point], distance: float) -> bool:
    """Does the exact path agree with the polygon's, and does it not cross itself?"""
    from shapely.geometry import Polygon

    if not polygon:
        return False
    mine = Polygon(flattened(path, CHORD))
    if not mine.is_valid:
        return False
    other = Polygon(polygon)
    moved = max(abs(distance) * other.length, 1e-9)
    return bool(mine.symmetric_difference(other).area < AGREES * moved + CHORD * other.length)


def _lies(path: ClosedPath, polygon: list[Point], distance: float) -> bool:
    """Is the polygon all that lies at the distance, on the right side of the path?

    Not the way it was made: distances of single points. Each of the polygon's lies that far from
    the path. And a point of the path that is moved along its normal a little farther than that, and
    lies so far from all of the path, has passed the polygon: no pocket of it was lost or filled.
    """
    import numpy as np
    import shapely

    ring = shapely.LinearRing(flattened(path, CHORD / 4.0))
    made = shapely.LinearRing(polygon)
    inner, outer = (ring, made) if distance > 0.0 else (made, ring)
    if not (made.is_valid and shapely.Polygon(outer).contains(shapely.Polygon(inner))):
        return False
    shapely.prepare([ring, made])
    corners, spots, _ = _spots(made)
    for places in (corners, spots):
        far = shapely.distance(ring, shapely.points(places))
        if np.abs(far - abs(distance)).max() > STRAY:
            return False
    _, spots, normal = _spots(ring)
    reach = abs(distance) + STRAY
    way = math.copysign(reach, distance) * (1.0 if ring.is_ccw else -1.0)
    to = shapely.points(spots + way * normal)
    inside = shapely.contains(shapely.Polygon(ring), to)  # on the wrong side: across a slit
    passed = (inside == (distance < 0.0)) & (shapely.distance(ring, to) > reach - CHORD)
    return bool(np.all(shapely.contains(shapely.Polygon(made), to[passed]) == (distance < 0.0)))


def _spots(ring: Any) -> tuple[Floats, Floats, Floats]:
    """Corners of a ring, at most STEP apart; the middles between them; the normals to its right."""
    import numpy as np
    import shapely

    corners = shapely.get_coordinates(shapely.segmentize(ring, STEP))
    chord = np.diff(corners, axis=0)
    long = np.hypot(*chord.T)
    kept = long > 0.0
    normal = np.stack([chord[kept, 1], -chord[kept, 0]], axis=1) / long[kept, None]
    return corners, (corners[:-1] + corners[1:])[kept] / 2.0, normal
