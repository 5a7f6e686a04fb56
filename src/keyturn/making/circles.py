"""Round holes from edge points: centre and diameter with their uncertainty."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from keyturn.making.rows import Floats

SHARED = 0.6  # [mm] along the edge over which neighbours share their noise
REACH = 3.0  # standard deviations beyond which a point is wrong


@dataclass(frozen=True)
class Circle:
    """A fitted circle."""

    x: float  # [mm]
    y: float  # [mm]
    diameter: float  # [mm]
    rms: float  # [mm] of the points used
    used: float  # share of the points that were used
    seen: float  # share of the circumference they cover
    sigma: float  # [mm] of the centre, the larger axis
    diameter_sigma: float  # [mm]


def _kasa(points: Floats) -> tuple[float, float, float]:
    """Algebraic circle fit, only to start from."""
    middle = points.mean(axis=0)
    u, v = (points - middle).T
    matrix = np.stack([u, v, np.ones_like(u)], axis=1)
    a, b, c = np.linalg.lstsq(matrix, u * u + v * v, rcond=None)[0]
    radius = float(np.sqrt(max(c + (a * a + b * b) / 4.0, 1e-6)))
    return float(middle[0] + a / 2.0), float(middle[1] + b / 2.0), radius


def _step(points: Floats, x: float, y: float, radius: float, weight: Floats) -> Floats:
    """One Gauss-Newton step of the distances to the circle."""
    to = points - [x, y]
    far = np.maximum(np.linalg.norm(to, axis=1), 1e-9)
    matrix = -np.column_stack([to / far[:, None], np.ones(len(far))])
    normal = matrix.T @ (matrix * weight[:, None])
    return np.asarray(np.linalg.solve(normal, -matrix.T @ ((far - radius) * weight)))


def fit(points: Floats, good: NDArray[np.bool_], soft: float = 0.0) -> Circle | None:
    """Geometric circle through the good points, wrong ones left out; None if there is none.

    ``soft`` is the sigma [mm] the edge was blurred by. Blur moves the steepest place of a bent
    edge towards its centre by soft**2 / (2 R), which is put back.
    """
    if good.sum() < 12:
        return None
    seen = points[good]
    x, y, radius = _kasa(seen)
    scale = 0.1
    weight = np.ones(len(seen))
    for _ in range(25):
        try:
            dx, dy, dr = _step(seen, x, y, radius, weight)
        except np.linalg.LinAlgError:
            return None
        x, y, radius = x + float(dx), y + float(dy), radius + float(dr)
        if not (np.isfinite(radius) and 0.2 < radius < 2000.0):
            return None
        distance = np.hypot(seen[:, 0] - x, seen[:, 1] - y) - radius
        scale = max(0.008, 1.4826 * float(np.median(np.abs(distance))))
        weight = np.clip(1.0 - (distance / (2.0 * REACH * scale)) ** 2, 0.0, 1.0) ** 2
        if max(abs(float(dx)), abs(float(dy)), abs(float(dr))) < 1e-5:
            break
    used = np.abs(distance) < REACH * scale
    share = float(np.mean(used)) * float(np.mean(good))
    return _circle(seen[used], x, y, radius, share, soft)


def _circle(
    points: Floats, x: float, y: float, radius: float, used: float, soft: float
) -> Circle | None:
    if len(points) < 12:
        return None
    to = points - [x, y]
    far = np.linalg.norm(to, axis=1)
    rms = float(np.sqrt(np.mean((far - radius) ** 2)))
    matrix = np.column_stack([to / far[:, None], np.ones(len(far))])
    spacing = 2.0 * np.pi * radius * used / len(points)
    alike = max(1.0, SHARED / spacing)
    try:
        spread = np.linalg.inv(matrix.T @ matrix) * max(rms, 0.01) ** 2 * alike
    except np.linalg.LinAlgError:
        return None
    angle = np.sort(np.arctan2(to[:, 1], to[:, 0]))
    gap = np.diff(np.append(angle, angle[0] + 2.0 * np.pi))
    seen = 1.0 - float(np.sum(gap[gap > 0.2])) / (2.0 * np.pi)
    centre = float(np.sqrt(np.linalg.eigvalsh(spread[:2, :2])[-1]))
    true = radius + soft**2 / (2.0 * radius)
    return Circle(x, y, 2.0 * true, rms, used, seen, centre, 2.0 * float(np.sqrt(spread[2, 2])))
