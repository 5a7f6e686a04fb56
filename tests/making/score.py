"""Errors of a traced outline against the truth, and how many of them its stated bounds hold.

Truth and trace are compared after a rigid fit of the hole pattern, without scale, so a wrong scale
counts as an error.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from keyturn.making.shape import ClosedPath, Outline, flattened

Floats = NDArray[np.float64]
Move = Callable[[Floats], Floats]
STEP = 0.2  # [mm] between compared points of a path
KINDS = ("centres", "diameters", "outline", "ports")
LOST = 99.0  # [mm] error of a port that was not found


def rigid(points: Floats, onto: Floats) -> tuple[Floats, Floats]:
    """Turn and shift, no scale, no mirror (Kabsch 1976)."""
    a, b = points.mean(axis=0), onto.mean(axis=0)
    u, _, vt = np.linalg.svd((points - a).T @ (onto - b))
    turn = u @ np.diag([1.0, np.linalg.det(u @ vt)]) @ vt
    return turn, b - a @ turn


def matched(points: Floats, truth: Floats) -> tuple[Floats, Floats, NDArray[np.int64]] | None:
    """Turn, shift and the true number of every point (-1: none), from four starting turns."""
    best, most = None, (0, -np.inf)
    for quarter in range(4):
        c, s = np.cos(quarter * np.pi / 2), np.sin(quarter * np.pi / 2)
        turn, shift = np.array([[c, s], [-s, c]]), np.zeros(2)
        for _ in range(6):
            far = np.linalg.norm((points @ turn + shift)[:, None] - truth[None], axis=2)
            number = np.where(far.min(axis=1) < 4.0, far.argmin(axis=1), -1)
            if (number >= 0).sum() < 2:
                break
            turn, shift = rigid(points[number >= 0], truth[number[number >= 0]])
        if (number >= 0).sum() < 2:
            continue
        miss = np.linalg.norm((points @ turn + shift)[number >= 0] - truth[number[number >= 0]],
                              axis=1)  # fmt: skip
        if (int((number >= 0).sum()), -float(miss.max())) > most:
            most = (int((number >= 0).sum()), -float(miss.max()))
            best = (turn, shift, number)
    return best


def even(path: ClosedPath, step: float = STEP) -> Floats:
    """Points of a path at even distances [mm]."""
    ring = shapely.LinearRing(np.array(flattened(path, 0.002)))
    count = max(16, int(ring.length / step))
    along = shapely.line_interpolate_point(ring, np.arange(count) * ring.length / count)
    return shapely.get_coordinates(along)


def aside(points: Floats, path: ClosedPath) -> Floats:
    """Distance of every point to a path [mm]."""
    return _far(points, shapely.LinearRing(np.array(flattened(path, 0.002))))


def _far(points: Floats, ring: shapely.LinearRing) -> Floats:
    shapely.prepare(ring)
    return np.asarray(shapely.distance(ring, shapely.points(points)))


def hausdorff(path: ClosedPath, true: ClosedPath, turn: Floats, shift: Floats) -> float:
    """Largest distance of either path to the other [mm]."""
    mine, theirs = even(path) @ turn + shift, even(true)
    back = _far(theirs, shapely.LinearRing(mine)).max()
    return float(max(aside(mine, true).max(), back))


def twin(port: ClosedPath, others: Sequence[ClosedPath], place: Move) -> ClosedPath | None:
    """Of the others, placed on the part, the one about the same middle."""
    middle = even(port).mean(axis=0)

    def far(other: ClosedPath) -> float:
        return float(np.linalg.norm(place(even(other)).mean(axis=0) - middle))

    near = min(others, key=far, default=None)
    return near if near is not None and far(near) < 4.0 else None


def _centres(part: Outline) -> Floats:
    return np.array([(h.x, h.y) for h in part.holes]).reshape(-1, 2)


def scored(found: Outline, true: Outline) -> dict[str, Any] | None:
    """Every error of an outline; None where its holes do not match the truth at all."""
    points, truth = _centres(found), _centres(true)
    fit = matched(points, truth) if len(points) else None
    if fit is None:
        return None
    turn, shift, number = fit
    pairs = [(found.holes[n], true.holes[m]) for n, m in enumerate(number) if m >= 0]
    centre = np.linalg.norm((points @ turn + shift)[number >= 0] - truth[number[number >= 0]],
                            axis=1)  # fmt: skip
    ports = []
    for port in true.ports:
        near = twin(port, found.ports, lambda p: p @ turn + shift)
        ports.append(LOST if near is None else hausdorff(near, port, turn, shift))
    return {
        "holes": len(true.holes), "found": len(set(number[number >= 0])),
        "extra": int((number < 0).sum()) + max(0, len(found.ports) - len(true.ports)),
        "centre": [float(v) for v in centre],
        "diameter": [a.diameter - b.diameter for a, b in pairs],
        "outer": hausdorff(found.outer, true.outer, turn, shift), "ports": ports,
        "pieces": len(found.outer.corners), "true_pieces": len(true.outer.corners),
    }  # fmt: skip


def inside(found: Outline, true: Outline, move: Move) -> dict[str, list[int]]:
    """Of every kind of feature: errors inside of the stated 95 % bound, and errors.

    ``move`` carries points of the outline to where they would be, had the readings been others.
    """
    points, truth = _centres(found), _centres(true)
    told = {kind: [0, 0] for kind in KINDS}
    fit = matched(points, truth)
    if fit is None:
        return told
    number = fit[2]
    turn, shift = rigid(move(points)[number >= 0], truth[number[number >= 0]])

    def place(at: Floats) -> Floats:
        return np.asarray(move(at) @ turn + shift)

    def count(kind: str, error: Floats, bound: float | None) -> None:
        told[kind][0] += int(np.sum(error <= (bound or 0.0)))
        told[kind][1] += len(error)

    for n, m in enumerate(number):
        if m < 0:
            continue
        hole, right = found.holes[n], true.holes[m]
        centre = place(points[n : n + 1])
        count("centres", np.linalg.norm(centre - truth[m], axis=1), hole.centre_uncertainty)
        round_ = np.linspace(0.0, 2.0 * np.pi, 16, endpoint=False)
        rim = points[n] + hole.diameter / 2.0 * np.stack([np.cos(round_), np.sin(round_)], axis=1)
        across = 2.0 * np.linalg.norm(place(rim) - centre, axis=1).mean()
        count("diameters", np.abs([across - right.diameter]), hole.diameter_uncertainty)
    count("outline", aside(place(even(found.outer, 1.0)), true.outer), found.outer.uncertainty)
    for port in true.ports:
        near = twin(port, found.ports, place)
        if near is not None:
            count("ports", aside(place(even(near, 1.0)), port), near.uncertainty)
    return told
