"""Invented flat parts as lines and arcs, and their signed distance on a grid."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from keyturn.making.shape import ClosedPath, Corner, Hole, Outline, arc_of, flattened

BAND = 5.0  # [mm] distances are exact below, held at this value beyond
CELL = 0.2  # [mm]


@dataclass(frozen=True)
class Part:
    outline: Outline  # the truth, origin in the middle of the part

    @property
    def reach(self) -> tuple[float, float]:
        points = np.array(flattened(self.outline.outer, 0.1))
        return float(np.abs(points[:, 0]).max()), float(np.abs(points[:, 1]).max())


def rounded(points: list[tuple[float, float]], radii: list[float], name: str = "") -> ClosedPath:
    """A polygon, counter-clockwise, with every corner replaced by a tangent arc."""
    corners: list[Corner] = []
    for n, (x, y) in enumerate(points):
        before, after = np.array(points[n - 1]), np.array(points[(n + 1) % len(points)])
        here = np.array([x, y])
        a, b = before - here, after - here
        a, b = a / np.linalg.norm(a), b / np.linalg.norm(b)
        inside = math.acos(float(np.clip(a @ b, -1.0, 1.0)))
        reach = radii[n] / math.tan(inside / 2.0)
        left = float(-a[0] * b[1] + a[1] * b[0]) > 0.0
        bulge = math.tan((math.pi - inside) / 4.0) * (1.0 if left else -1.0)
        corners.append(Corner(*map(float, here + a * reach), bulge))
        corners.append(Corner(*map(float, here + b * reach), 0.0))
    return ClosedPath(tuple(corners), name)


def box(x: float, y: float, width: float, height: float, radius: float, turn: float = 0.0,
        name: str = "") -> ClosedPath:  # fmt: skip
    """A rectangle with round corners; half the smaller side as radius makes a slot."""
    radius = min(radius, min(width, height) / 2.0 - 0.01)
    w, h = width / 2.0, height / 2.0
    c, s = math.cos(turn), math.sin(turn)
    raw = [(-w, -h), (w, -h), (w, h), (-w, h)]
    return rounded([(x + c * a - s * b, y + s * a + c * b) for a, b in raw], [radius] * 4, name)


def flange(seed: int) -> Part:
    """A plenum flange 320 x 140 mm: ears round ten bolts, four ports, two dowels."""
    random = np.random.default_rng(seed)
    at = (-140.0, -70.0, 0.0, 70.0, 140.0)
    points: list[tuple[float, float]] = []
    radii: list[float] = []

    def side(xs: tuple[float, ...], sign: float) -> None:
        for n, x in enumerate(xs):
            step = -sign  # the lower side runs to the right, the upper one back
            deep, wide = random.uniform(60.0, 64.0), random.uniform(13.0, 16.0)
            first = [(x - step * (wide + 5.0), deep), (x - step * wide, 70.0)]
            last = [(x + step * wide, 70.0), (x + step * (wide + 5.0), deep)]
            if n == 0:
                first = [(x - step * 20.0, 70.0)]
            if n == len(xs) - 1:
                last = [(x + step * 20.0, 70.0)]
            for a, b in first + last:
                points.append((a, sign * b))
                radii.append(float(random.uniform(2.5, 5.0)))
            if n in (0,):
                radii[-len(first + last)] = 9.0
            if n == len(xs) - 1:
                radii[-1] = 9.0

    side(at, -1.0)
    side(at[::-1], 1.0)
    outer = rounded(points, radii, "outer")
    turn = math.radians(0.5)
    ports = tuple(
        box(x + random.uniform(-1, 1), random.uniform(-2, 2), random.uniform(36, 46),
            random.uniform(66, 78), 30.0 if n in (0, 3) else random.uniform(8, 14), turn,
            f"port {n + 1}")
        for n, x in enumerate((-105.0, -35.0, 35.0, 105.0))
    )  # fmt: skip
    jitter = random.normal(0.0, 0.3, (10, 2))
    places = [(x, y) for y in (-58.0, 58.0) for x in at]
    holes = [
        Hole(x + float(dx), y + float(dy), 6.6, "bolt", f"bolt {n + 1}")
        for n, ((x, y), (dx, dy)) in enumerate(zip(places, jitter, strict=True))
    ]
    holes += [Hole(-147.0, 0.0, 8.0, "dowel", "dowel 1"), Hole(147.0, 0.0, 8.0, "dowel", "dowel 2")]
    return Part(Outline(outer, tuple(holes), ports, "flange"))


def throttle(seed: int) -> Part:
    """A throttle flange of 96 mm: one round port, four bolts."""
    random = np.random.default_rng(seed)
    hole = [(33.0 * a, 33.0 * b) for a in (-1, 1) for b in (-1, 1)]
    bore = float(random.uniform(29.0, 31.0))
    port = ClosedPath((Corner(-bore, 0.0, 1.0), Corner(bore, 0.0, 1.0)), "bore")
    holes = tuple(
        Hole(x + float(random.normal(0, 0.3)), y + float(random.normal(0, 0.3)), 6.6)
        for x, y in hole
    )
    return Part(Outline(box(0, 0, 96, 96, 12.0, name="outer"), holes, (port,), "throttle"))


def plate(holes: tuple[Hole, ...] = ()) -> Part:
    """A plain plate 160 x 90 mm, with no holes unless given."""
    return Part(Outline(box(0, 0, 160, 90, 10.0, name="outer"), holes, (), "plate"))


def _near(
    path: ClosedPath, x: NDArray[np.float64], y: NDArray[np.float64], signed: NDArray[np.float32]
) -> None:
    """Put the exact signed distance of a tangent path, negative inside, where it is near.

    On a path without kinks the sign of the nearest piece is the sign of the whole.
    """
    for n, a in enumerate(path.corners):
        b = path.corners[(n + 1) % len(path.corners)]
        arc = arc_of(a, b)
        reach = BAND + (abs(arc[2]) if arc and abs(a.bulge) > 0.42 else 0.0)
        if arc and abs(a.bulge) <= 0.42:
            reach += abs(a.bulge) * math.hypot(b.x - a.x, b.y - a.y) / 2.0
        i0, i1 = np.searchsorted(x, [min(a.x, b.x) - reach, max(a.x, b.x) + reach])
        j0, j1 = np.searchsorted(y, [min(a.y, b.y) - reach, max(a.y, b.y) + reach])
        gx, gy = np.meshgrid(x[i0:i1], y[j0:j1])
        chord = math.hypot(b.x - a.x, b.y - a.y)
        ends = np.minimum(np.hypot(gx - a.x, gy - a.y), np.hypot(gx - b.x, gy - b.y))
        if arc is None:
            ux, uy = (b.x - a.x) / chord, (b.y - a.y) / chord
            along = (gx - a.x) * ux + (gy - a.y) * uy
            left = (gy - a.y) * ux - (gx - a.x) * uy
            distance = np.where((along >= 0) & (along <= chord), -left, np.copysign(ends, -left))
        else:
            cx, cy, radius = arc
            turn = math.copysign(1.0, a.bulge)
            from_centre = (np.hypot(gx - cx, gy - cy) - radius) * turn
            start = math.atan2(a.y - cy, a.x - cx)
            sweep = abs(4.0 * math.atan(a.bulge))
            angle = np.mod((np.arctan2(gy - cy, gx - cx) - start) * turn, 2.0 * math.pi)
            distance = np.where(angle <= sweep, from_centre, np.copysign(ends, from_centre))
        view = signed[j0:j1, i0:i1]
        closer = np.abs(distance) < np.abs(view)
        view[closer] = distance[closer]


def distance_grid(part: Part) -> tuple[NDArray[np.float32], float, float]:
    """Signed distance of the material (negative inside) and the x, y [mm] of cell 0, 0."""
    wide, high = part.reach
    x = np.arange(-wide - 2 * BAND, wide + 2 * BAND, CELL)
    y = np.arange(-high - 2 * BAND, high + 2 * BAND, CELL)
    whole: NDArray[np.float32] | None = None
    for path in (part.outline.outer, *part.outline.ports):
        mask = np.zeros((len(y), len(x)), np.uint8)
        ring = (np.array(flattened(path, 0.01)) - [x[0], y[0]]) / CELL
        cv2.fillPoly(mask, [np.round(ring).astype(np.int32)], 1)
        # a little beyond the band, so that every exact value replaces the filling
        signed = np.where(mask > 0, -1.01 * BAND, 1.01 * BAND).astype(np.float32)
        _near(path, x, y, signed)
        whole = signed if whole is None else np.maximum(whole, -signed)
    assert whole is not None
    gx, gy = np.meshgrid(x, y)
    for hole in part.outline.holes:
        away = hole.diameter / 2.0 - np.hypot(gx - hole.x, gy - hole.y)
        whole = np.maximum(whole, np.maximum(away, -BAND).astype(np.float32))
    return np.clip(whole, -BAND, BAND).astype(np.float32), float(x[0]), float(y[0])
