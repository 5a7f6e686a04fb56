"""Places on a closed path of lines and arcs: nearest to a point, crossed by a circle."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

from keyturn.making.shape import ClosedPath, Corner, arc_of

TINY = 1e-9  # [mm]

Point = tuple[float, float]


@dataclass(frozen=True)
class Spot:
    """One point of a path."""

    piece: int
    share: float  # of the piece, 0 to 1
    at: Point
    far: float = 0.0  # [mm] from where it was looked for

    @property
    def order(self) -> tuple[int, float]:
        return self.piece, self.share


def pieces(path: ClosedPath) -> Iterator[tuple[int, Corner, Corner]]:
    """Every piece with its number and its two ends."""
    for n, a in enumerate(path.corners):
        yield n, a, path.corners[(n + 1) % len(path.corners)]


def share_of(a: Corner, arc: tuple[float, float, float], at: Point) -> float:
    """Share of the arc from ``a`` at which a point of its circle lies; above 1 beyond its end."""
    cx, cy, _ = arc
    sweep = 4.0 * math.atan(a.bulge)
    turned = math.atan2(at[1] - cy, at[0] - cx) - math.atan2(a.y - cy, a.x - cx)
    return (math.copysign(1.0, sweep) * turned) % (2.0 * math.pi) / abs(sweep)


def nearest(path: ClosedPath, to: Point) -> Spot:
    """The point of the path nearest to ``to``: exact, a chord would lean what is built on it."""
    spots = [spot for n, a, b in pieces(path) for spot in _near(n, a, b, to)]
    return min(spots, key=lambda spot: spot.far)


def _near(n: int, a: Corner, b: Corner, to: Point) -> list[Spot]:
    arc = arc_of(a, b)
    if arc is None:
        ex, ey = b.x - a.x, b.y - a.y
        share = ((to[0] - a.x) * ex + (to[1] - a.y) * ey) / (ex * ex + ey * ey)
        share = min(1.0, max(0.0, share))
        at = (a.x + share * ex, a.y + share * ey)
        return [Spot(n, share, at, math.dist(at, to))]
    found = [Spot(n, share, (c.x, c.y), math.dist((c.x, c.y), to))
             for share, c in ((0.0, a), (1.0, b))]  # fmt: skip
    cx, cy, radius = arc
    far = math.dist(to, (cx, cy))
    if far > TINY:
        at = (cx + (to[0] - cx) / far * radius, cy + (to[1] - cy) / far * radius)
        share = share_of(a, arc, at)
        if share <= 1.0:
            found.append(Spot(n, share, at, math.dist(at, to)))
    return found


def crossed(path: ClosedPath, centre: Point, radius: float) -> list[Spot]:
    """Where the path crosses a circle, in the order of the path; a touch is no crossing."""
    spots = [spot for n, a, b in pieces(path) for spot in _on_circle(n, a, b, centre, radius)]
    return sorted(spots, key=lambda spot: spot.order)


def _on_circle(n: int, a: Corner, b: Corner, centre: Point, radius: float) -> list[Spot]:
    arc = arc_of(a, b)
    if arc is None:
        ex, ey = b.x - a.x, b.y - a.y
        long = math.hypot(ex, ey)
        ux, uy = ex / long, ey / long
        dx, dy = centre[0] - a.x, centre[1] - a.y
        along, aside = dx * ux + dy * uy, dx * uy - dy * ux
        rest = radius**2 - aside**2
        if rest <= TINY:
            return []
        shares = [(along + sign * math.sqrt(rest)) / long for sign in (-1.0, 1.0)]
        return [Spot(n, s, (a.x + s * ex, a.y + s * ey)) for s in shares if 0.0 <= s < 1.0]
    cx, cy, other = arc
    dx, dy = centre[0] - cx, centre[1] - cy
    apart = math.hypot(dx, dy)
    if apart < TINY:
        return []
    along = (apart**2 + other**2 - radius**2) / (2.0 * apart)
    rest = other**2 - along**2
    if rest <= TINY:
        return []
    root, ux, uy = math.sqrt(rest), dx / apart, dy / apart
    found = []
    for sign in (-1.0, 1.0):
        at = (cx + along * ux - sign * root * uy, cy + along * uy + sign * root * ux)
        share = share_of(a, arc, at)
        if share < 1.0:
            found.append(Spot(n, share, at))
    return found


def rest(path: ClosedPath, leave: Spot, enter: Spot) -> list[Corner]:
    """The path from ``leave`` on to ``enter``; its last corner's piece ends there."""
    count = len(path.corners)

    def bulge(piece: int, low: float, high: float) -> float:
        return math.tan(math.atan(path.corners[piece].bulge) * (high - low))

    if leave.piece == enter.piece and leave.share < enter.share:
        return [Corner(*leave.at, bulge(leave.piece, leave.share, enter.share))]
    corners = [Corner(*leave.at, bulge(leave.piece, leave.share, 1.0))]
    piece = (leave.piece + 1) % count
    while piece != enter.piece:
        corners.append(path.corners[piece])
        piece = (piece + 1) % count
    corners.append(replace(path.corners[piece], bulge=bulge(piece, 0.0, enter.share)))
    return corners
