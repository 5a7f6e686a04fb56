"""Closed rows of edge points: even steps, bursts of wrong points, the noise of one point."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
JUMP = 0.3  # [mm] sideways step between neighbours that no real edge makes
USUAL = 1.5  # times the usual step along the row that is no jump yet
LONGEST_BURST = 15.0  # [mm]
LEAST_NOISE = 0.012  # [mm] no edge is sharper, whatever neighbours say of each other
NEIGHBOURS = (2, 6)  # points apart
LEAST_SEEN = 20  # points with all their neighbours, from which a noise can be told
UNTOLD = 0.03  # [mm] noise where it cannot be told: of a poor picture


def resampled(points: Floats, step: float) -> Floats:
    """The closed row at even distances of about ``step`` [mm]."""
    closed = np.vstack([points, points[:1]])
    run = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    count = max(8, round(run[-1] / step))
    at = np.arange(count) * run[-1] / count
    return np.stack([np.interp(at, run, closed[:, 0]), np.interp(at, run, closed[:, 1])], axis=1)


def bursts(points: Floats, longest: float = LONGEST_BURST) -> NDArray[np.bool_]:
    """Points of short runs that stand aside from both neighbours; True where wrong.

    Edge points follow each other closely. A step far above the usual one cuts the row into runs.
    The shortest run goes, and again, while it is no longer than a burst may be; one always stays.
    """
    step = np.hypot(*(np.roll(points, -1, axis=0) - points).T)
    usual = float(np.median(step))
    cuts = np.flatnonzero(step > np.hypot(USUAL * usual, JUMP))
    wrong = np.zeros(len(points), np.bool_)
    if len(cuts) < 2:
        return wrong
    runs = [[int(a) + 1, int(b)] for a, b in zip(cuts, np.roll(cuts, -1), strict=True)]
    runs[-1][1] += len(points)
    while len(runs) > 1:
        n = min(range(len(runs)), key=lambda k: runs[k][1] - runs[k][0])
        start, end = runs[n]
        if (end - start) * usual > longest:
            break
        wrong[np.arange(start, end + 1) % len(points)] = True
        del runs[n]
    return wrong


def noise(points: Floats, good: NDArray[np.bool_]) -> float:
    """Standard deviation of one point, from its distance to the cubic of its four neighbours.

    Near neighbours show noise, farther ones the wavering of a rough edge as well; the larger
    counts, or every wave would become pieces of its own.
    """
    return max(LEAST_NOISE, *(_aside(points, good, step) for step in NEIGHBOURS))


def _aside(points: Floats, good: NDArray[np.bool_], step: int) -> float:
    """The same from neighbours at ``step`` and twice that, across the row."""
    kernel = np.array([-1.0, 4.0, -6.0, 4.0, -1.0])  # fourth difference: cubics vanish
    scale = float(np.sqrt(np.sum(kernel**2)))
    places = [step * k for k in (-2, -1, 0, 1, 2)]
    shifted = [np.roll(points, k, axis=0) for k in places]
    whole = np.all([np.roll(good, k) for k in places], axis=0)
    if whole.sum() < LEAST_SEEN:
        return UNTOLD
    across = shifted[1] - shifted[3]
    normal = np.stack([-across[:, 1], across[:, 0]], axis=1)
    normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-9)
    rest = np.tensordot(kernel, np.stack(shifted), axes=(0, 0))
    # 1.4826 median deviations are a standard deviation where errors are normal
    return float(1.4826 * np.median(np.abs(np.sum(rest * normal, axis=1))[whole]) / scale)


def bridged(points: Floats, wrong: NDArray[np.bool_]) -> Floats:
    """The row with wrong points put on the straight line between what stands beside them."""
    if not wrong.any():
        return points
    at, kept = np.arange(len(points)), np.flatnonzero(~wrong)
    columns = [np.interp(at, kept, points[kept, n], period=len(points)) for n in (0, 1)]
    return np.stack(columns, axis=1)
