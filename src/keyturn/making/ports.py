"""Openings that are common shapes: circle, slot, rectangle with round corners.

A shape with few unknowns averages over the whole edge and has no spikes, so it is tried first;
lines and arcs are fitted only where none of them lies on the points.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from keyturn.making import circles
from keyturn.making.edit import rectangle
from keyturn.making.rows import Floats
from keyturn.making.shape import ClosedPath, Corner, length

LIES_ON = 0.05  # [mm] rms within which a shape is taken
FAR = 0.20  # [mm] a point this far from the shape speaks against it
FEW = 0.05  # share of such points that is put down to wrong edges
SLOT = 0.10  # [mm] corner radius this near to half of a side makes it a slot


@dataclass(frozen=True)
class Template:
    """A common shape on its points."""

    path: ClosedPath
    kind: str  # "circle", "slot", "rectangle"
    residual: Floats  # [mm] signed distance of every point, outside positive
    used: NDArray[np.bool_]
    rms: float  # [mm]
    unknowns: int

    @property
    def share(self) -> float:
        """Standard deviation of the shape over that of one point, noise being shared by some."""
        around = length(self.path) / circles.SHARED
        return math.sqrt(min(1.0, self.unknowns / around))


def distance(points: Floats, unknowns: Floats) -> Floats:
    """Signed distance [mm] to a round-cornered rectangle: x, y, turn, half sides, radius."""
    x, y, turn, half_w, half_h, radius = unknowns
    c, s = math.cos(turn), math.sin(turn)
    to = points - [x, y]
    u = np.abs(c * to[:, 0] + s * to[:, 1]) - (half_w - radius)
    v = np.abs(c * to[:, 1] - s * to[:, 0]) - (half_h - radius)
    outside = np.hypot(np.maximum(u, 0.0), np.maximum(v, 0.0))
    return np.asarray(outside + np.minimum(np.maximum(u, v), 0.0) - radius)


def _start(points: Floats) -> list[Floats]:
    """Boxes about the points, along the directions of the smallest one."""
    import cv2

    (x, y), (w, h), degrees = cv2.minAreaRect(np.asarray(points, np.float32))
    turn = math.radians(degrees)
    least = min(w, h) / 2.0
    return [np.array([x, y, turn, w / 2.0, h / 2.0, least * share]) for share in (0.95, 0.4)]


def _rectangle(points: Floats, good: NDArray[np.bool_]) -> tuple[Floats, Floats] | None:
    """Unknowns of the best round-cornered rectangle and the distance of every point."""
    from scipy.optimize import least_squares

    seen = points[good][:: max(1, int(good.sum()) // 400)]
    best = None
    for start in _start(points[good]):

        def miss(u: Floats) -> Floats:
            limited = u.copy()
            most = min(u[3], u[4])
            limited[5] = np.clip(u[5], 0.0, most)
            # beyond half a side the shape stays a slot; the excess must cost
            return np.append(distance(seen, limited), 10.0 * (u[5] - limited[5]))

        found = least_squares(miss, start, loss="soft_l1", f_scale=0.03, max_nfev=40)
        if best is None or found.cost < best.cost:
            best = found
    if best is None or min(best.x[3], best.x[4]) < 1.0:
        return None
    unknowns = np.asarray(best.x, np.float64)
    unknowns[5] = float(np.clip(unknowns[5], 0.0, min(unknowns[3], unknowns[4])))
    return unknowns, distance(points, unknowns)


def _judged(residual: Floats, good: NDArray[np.bool_]) -> tuple[float, NDArray[np.bool_]]:
    """Rms of the points that can be right, infinite when too many cannot; and which they are."""
    used = good & (np.abs(residual) < FAR)
    if good.sum() < 20 or used.sum() < (1.0 - FEW) * good.sum() or good.mean() < 0.6:
        return math.inf, used
    return float(np.sqrt(np.mean(residual[used] ** 2))), used


def template(points: Floats, good: NDArray[np.bool_], name: str = "") -> Template | None:
    """The common shape that lies on the points, or None."""
    found = circles.fit(points, good)
    if found is not None:
        residual = np.hypot(points[:, 0] - found.x, points[:, 1] - found.y) - found.diameter / 2.0
        rms, used = _judged(residual, good)
        if rms < LIES_ON:
            r = found.diameter / 2.0
            path = ClosedPath(
                (Corner(found.x - r, found.y, 1.0), Corner(found.x + r, found.y, 1.0)), name
            )
            return Template(path, "circle", residual, used, rms, 3)
    box = _rectangle(points, good)
    if box is None:
        return None
    unknowns, residual = box
    rms, used = _judged(residual, good)
    if rms > LIES_ON:
        return None
    x, y, turn, half_w, half_h, radius = (float(v) for v in unknowns)
    least = min(half_w, half_h)
    slot = least - radius < SLOT
    path = rectangle(x, y, 2 * half_w, 2 * half_h, least if slot else radius, turn, name)
    if slot:
        residual = distance(points, np.array([x, y, turn, half_w, half_h, least]))
        rms, used = _judged(residual, good)
    return Template(path, "slot" if slot else "rectangle", residual, used, rms, 6)
