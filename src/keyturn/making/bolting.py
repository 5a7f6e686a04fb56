"""In which order bolts are tightened, and to which torque in which pass."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from keyturn.build.schema import read_data

Pattern = Literal["cross", "spiral"]
Point = tuple[float, float]
ROUND_SPREAD = 0.35  # a ring whose radii differ by more than this share is no ring
SAME_RADIUS = 0.15  # of the largest: bolts as far out as each other
LEAST_PASSES = 4
STEP = 0.1  # [N m] torques on the card are rounded to this


@dataclass(frozen=True)
class Pass:
    name: str
    torque: float  # [N m]
    order: tuple[int, ...]  # index of the bolt, in the order of the outline


@dataclass(frozen=True)
class Bolting:
    pattern: Pattern
    order: tuple[int, ...]
    round: tuple[int, ...]  # once around, neighbour after neighbour
    passes: tuple[Pass, ...]


def bolting(points: Sequence[Point], torque: float) -> Bolting:
    """Sequence and passes of real bolt positions [mm] for a final torque [N m]."""
    pattern: Pattern = "cross" if is_ring(points) else "spiral"
    order = cross(points) if pattern == "cross" else spiral(points)
    shares = pass_shares(torque)
    passes = [
        Pass(f"pass {n}", _rounded(share * torque), order) for n, share in enumerate(shares, 1)
    ]
    around = ring_order(points)
    return Bolting(pattern, order, around, (*passes, Pass("round", _rounded(torque), around)))


def _rounded(torque: float) -> float:
    return round(round(torque / STEP) * STEP, 3)


def pass_shares(torque: float) -> tuple[float, ...]:
    """Shares of the final torque: at least four even steps, none larger than the table allows."""
    table = read_data("joints.toml")["passes"]
    count = max(LEAST_PASSES, math.ceil(torque / float(table["largest_step"]) - 1e-9))
    if count == len(table["shares"]):
        return tuple(float(share) for share in table["shares"])
    return tuple((n + 1) / count for n in range(count))


def centre(points: Sequence[Point]) -> Point:
    """Middle of the box around the bolts; a crowd of bolts on one side does not pull it."""
    xs, ys = [p[0] for p in points], [p[1] for p in points]
    return (min(xs) + max(xs)) / 2.0, (min(ys) + max(ys)) / 2.0


def _polar(points: Sequence[Point]) -> tuple[list[float], list[float]]:
    cx, cy = centre(points)
    return (
        [math.hypot(x - cx, y - cy) for x, y in points],
        [math.atan2(y - cy, x - cx) for x, y in points],
    )


def is_ring(points: Sequence[Point]) -> bool:
    """Whether the bolts lie on one ring that goes all the way round."""
    if len(points) < 4:
        return True
    radii, angles = _polar(points)
    if (max(radii) - min(radii)) > ROUND_SPREAD * max(radii):
        return False
    turns = sorted(angles)
    gaps = [b - a for a, b in zip(turns, [*turns[1:], turns[0] + 2.0 * math.pi], strict=True)]
    return max(gaps) < math.pi


def ring_order(points: Sequence[Point]) -> tuple[int, ...]:
    """Once around the middle, clockwise from the bolt that is furthest up."""
    _, angles = _polar(points)
    start = max(range(len(points)), key=lambda n: (points[n][1], -points[n][0]))
    clockwise = [(angles[start] - angle + 1e-9) % (2.0 * math.pi) for angle in angles]
    return tuple(sorted(range(len(points)), key=lambda n: (clockwise[n], n)))


def cross(points: Sequence[Point]) -> tuple[int, ...]:
    """Star: each bolt as far round from those before it as can be, then opposite the last."""
    _, angles = _polar(points)
    left = list(ring_order(points))
    order = [left.pop(0)]
    while left:
        pick = max(
            left,
            key=lambda n: (
                round(min(_apart(angles[n], angles[done]) for done in order), 3),
                round(_apart(angles[n], angles[order[-1]]), 3),
            ),
        )
        order.append(pick)
        left.remove(pick)
    return tuple(order)


def _apart(a: float, b: float) -> float:
    """Angle between two bearings."""
    return abs(math.remainder(a - b, 2.0 * math.pi))


def spiral(points: Sequence[Point]) -> tuple[int, ...]:
    """From the middle outwards; among bolts as far out, the one farthest from the last."""
    radii, _ = _polar(points)
    reach = SAME_RADIUS * max(radii)
    left = list(ring_order(points))
    order = [min(left, key=lambda n: radii[n])]
    left.remove(order[0])
    while left:
        inmost = min(radii[n] for n in left)
        last = points[order[-1]]
        pick = max(
            (n for n in left if radii[n] <= inmost + reach),
            key=lambda n: round(math.dist(points[n], last), 3),
        )
        order.append(pick)
        left.remove(pick)
    return tuple(order)
