"""Corners and bulges of a closed path of lines and arcs, fitted together to a row of points.

Gauss-Newton with Tukey's weights (Beaton and Tukey 1974). The pieces share their corners, so the
path is closed by construction; joints that turn little are pulled tangent, first softly, then
exactly where that costs next to nothing.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from keyturn.making import breaks

Floats = NDArray[np.float64]
TUKEY = 6.0  # standard deviations beyond which a point pulls no more; 4.7 is usual for noise alone
SMOOTH = np.radians(14.0)  # a joint that turns less may be meant tangent
TANGENT = np.radians(0.4)  # how exactly, at first
NEARLY = np.radians(2.0)  # what is left of the turn then; more is a true corner
EXACT = np.radians(0.01)  # and once it is taken for tangent
LEAST_PIECE = 0.3  # [mm] beside a shorter piece no joint is pulled: its direction is noise
# By how much exact joints may cost more than soft ones: a share, and a sum of squares.
WORSE, MORE = 1.3, 9.0
MOST_START, MOST_BULGE = 2.5, 3.0  # 273 and 286 degrees: a whole circle is two pieces
MOST_STEP = 1.0  # [mm] a corner moves at once, lest it jump past its neighbour
ENOUGH = 1e-4  # [mm] of a step, a hundredth of the noise: the fit stands
ROUNDS = 12  # of Gauss-Newton at the most
HOLD_CORNER, HOLD_BULGE, HOLD_LINE = 1.0, 1e-2, 1e12  # added to the diagonal, see `_solve`
OWN = 1e-4  # [mm] by which another piece has to be nearer to take a point over


@dataclass
class State:
    """Corners, bulges and the piece every point belongs to, during the fit."""

    corners: Floats  # (m, 2)
    bulge: Floats  # (m,)
    arc: NDArray[np.bool_]
    owner: NDArray[np.int64]  # (n,) piece of every point


def start(points: Floats, pieces: breaks.Pieces) -> State:
    """Corners and bulges that stand on the points themselves."""
    count = len(points)
    starts = pieces.starts
    corners = (points[starts] + points[starts - 1]) / 2.0
    owner = np.searchsorted(starts, np.arange(count), side="right") - 1
    owner[owner < 0] = len(starts) - 1
    bulge = np.zeros(len(starts))
    for n, first in enumerate(starts):
        if not pieces.arcs[n]:
            continue
        after = starts[(n + 1) % len(starts)] + (count if n + 1 == len(starts) else 0)
        middle = points[((first + after) // 2) % count]
        a, b = corners[n], corners[(n + 1) % len(starts)]
        chord = b - a
        long = max(float(np.hypot(*chord)), 1e-6)
        height = float(chord[0] * (middle - a)[1] - chord[1] * (middle - a)[0]) / long
        # the apex lies at -bulge chord / 2
        bulge[n] = np.clip(-2.0 * height / long, -MOST_START, MOST_START)
    return State(corners, bulge, pieces.arcs.copy(), owner)


def distances(state: State, points: Floats, owner: NDArray[np.int64]) -> tuple[Floats, Floats]:
    """Signed distance to the right of each point's piece, and its derivatives.

    In chord coordinates u, v about the middle of the chord of half length h the circle is
    b (u2 + v2 - h2) / h - (1 - b2) v = 0 and its gradient there has the length 1 + b2.
    Columns of the derivatives: x, y of the first corner, x, y of the second, bulge.
    """
    m = len(state.corners)
    a, c = state.corners[owner], state.corners[(owner + 1) % m]
    b = state.bulge[owner]
    chord = c - a
    long = np.maximum(np.hypot(chord[:, 0], chord[:, 1]), 1e-9)
    unit = chord / long[:, None]
    left = np.stack([-unit[:, 1], unit[:, 0]], axis=1)
    to = points - (a + c) / 2.0
    u, v, h = np.sum(to * unit, axis=1), np.sum(to * left, axis=1), long / 2.0
    level = b * (u * u + v * v - h * h) / h - (1.0 - b * b) * v
    size = 1.0 + b * b
    d_u, d_v = 2.0 * b * u / h, 2.0 * b * v / h - (1.0 - b * b)
    d_h = -b * (u * u + v * v) / (h * h) - b
    d_b = ((u * u + v * v - h * h) / h + 2.0 * b * v) / size - level * 2.0 * b / size**2
    # how u, v and h follow the corners: the middle moves by half, the direction turns
    turn = left / long[:, None]  # of the chord's angle by the second corner; minus by the first
    first = (
        d_u[:, None] * (-unit / 2.0 - turn * v[:, None])
        + d_v[:, None] * (-left / 2.0 + turn * u[:, None])
        - d_h[:, None] * unit / 2.0
    )
    second = (
        d_u[:, None] * (-unit / 2.0 + turn * v[:, None])
        + d_v[:, None] * (-left / 2.0 - turn * u[:, None])
        + d_h[:, None] * unit / 2.0
    )
    columns = np.column_stack([first / size[:, None], second / size[:, None], d_b])
    return level / size, columns


def turns(state: State) -> tuple[Floats, Floats]:
    """Angle turned at every corner and its derivatives.

    Columns: x, y of the corner before, of the corner itself, of the one after, bulge before,
    bulge after.
    """
    chord = np.roll(state.corners, -1, axis=0) - state.corners
    long = np.maximum(np.hypot(chord[:, 0], chord[:, 1]), 1e-9)
    angle = np.arctan2(chord[:, 1], chord[:, 0])
    turn = np.stack([-chord[:, 1], chord[:, 0]], axis=1) / long[:, None] ** 2
    half = 2.0 * np.arctan(state.bulge)
    slope = 2.0 / (1.0 + state.bulge**2)
    value = angle - half - np.roll(angle + half, 1)
    value = (value + np.pi) % (2.0 * np.pi) - np.pi
    before = np.roll(turn, 1, axis=0)
    columns = np.column_stack([before, -before - turn, turn, -np.roll(slope, 1), -slope])
    return value, columns


def _owners(state: State, points: Floats) -> NDArray[np.int64]:
    """The piece of every point: of its own and the two neighbours the nearest."""
    m = len(state.corners)
    best = np.full(len(points), np.inf)
    chosen = state.owner.copy()
    for step in (0, -1, 1):
        owner = (state.owner + step) % m
        far = _true_distance(state, points, owner)
        closer = far < best - OWN
        best = np.where(closer, far, best)
        chosen = np.where(closer, owner, chosen)
    return chosen


def _true_distance(state: State, points: Floats, owner: NDArray[np.int64]) -> Floats:
    """Distance to the piece as it ends, not to its whole circle."""
    m = len(state.corners)
    a, c = state.corners[owner], state.corners[(owner + 1) % m]
    ends = np.minimum(np.hypot(*(points - a).T), np.hypot(*(points - c).T))
    chord = c - a
    long = np.maximum(np.hypot(*chord.T), 1e-9)
    aside = np.abs(distances(state, points, owner)[0])
    b = state.bulge[owner]
    # between the normals at both ends, as the middle of the piece is
    half = 2.0 * np.arctan(b)
    unit = chord / long[:, None]
    co, si = np.cos(half), np.sin(half)
    t_a = np.stack([unit[:, 0] * co + unit[:, 1] * si, unit[:, 1] * co - unit[:, 0] * si], axis=1)
    t_c = np.stack([unit[:, 0] * co - unit[:, 1] * si, unit[:, 1] * co + unit[:, 0] * si], axis=1)
    within = (np.sum((points - a) * t_a, axis=1) >= 0) & (np.sum((points - c) * t_c, axis=1) <= 0)
    wide = np.abs(b) > 1.0  # more than half a circle: no such two half planes, all of it counts
    return np.where(within | wide, aside, ends)


def _tight(state: State, turned: Floats, firm: NDArray[np.bool_]) -> Floats:
    """Weight [1/rad] with which the turn at each joint is held at none; 0: a corner."""
    long = np.hypot(*(np.roll(state.corners, -1, axis=0) - state.corners).T)
    lines = ~state.arc & ~np.roll(state.arc, 1)  # two lines that are tangent are one
    short = np.minimum(long, np.roll(long, 1)) <= LEAST_PIECE
    smooth = (np.abs(turned) < SMOOTH) & ~lines & ~short
    return np.where(firm, 1.0 / EXACT, np.where(smooth, 1.0 / TANGENT, 0.0))


def _solve(state: State, points: Floats, weight: Floats, firm: NDArray[np.bool_]) -> State:
    """All corners and bulges at once; ``weight`` is 1 / sigma of every point [1/mm].

    Along a smooth joint a corner slides freely, and nothing in the points says where it is: it is
    held softly where it was. An arc is held so little that only one without points of its own
    feels it, a line so much that it stays one.
    """
    m = len(state.corners)
    state = replace(state)
    own = np.arange(m)
    k, n = (own - 1) % m, (own + 1) % m
    joints = np.column_stack(
        [2 * k, 2 * k + 1, 2 * own, 2 * own + 1, 2 * n, 2 * n + 1, 2 * m + k, 2 * m + own]
    )
    i, j = state.owner, (state.owner + 1) % m
    spots = np.column_stack([2 * i, 2 * i + 1, 2 * j, 2 * j + 1, 2 * m + i])
    bends = np.where(state.arc, HOLD_BULGE, HOLD_LINE)
    damping = np.diag(np.concatenate([np.full(2 * m, HOLD_CORNER), bends]))
    for _ in range(ROUNDS):
        distance, columns = distances(state, points, state.owner)
        tukey = np.clip(1.0 - (distance * weight / TUKEY) ** 2, 0.0, 1.0)
        normal, right = _equations(3 * m, spots, columns, distance, weight * tukey)
        value, slopes = turns(state)
        more, push = _equations(3 * m, joints, slopes, value, _tight(state, value, firm))
        step = np.linalg.solve(normal + more + damping, -right - push)
        move = step[: 2 * m].reshape(m, 2)
        longest = float(np.max(np.abs(move)))
        shrink = min(1.0, MOST_STEP / max(longest, 1e-9))
        state.corners = state.corners + shrink * move
        state.bulge = np.where(state.arc, state.bulge + shrink * step[2 * m :], 0.0)
        state.bulge = np.clip(state.bulge, -MOST_BULGE, MOST_BULGE)
        if longest < ENOUGH:
            break
    return state


def _equations(
    count: int, spots: NDArray[np.int64], slopes: Floats, value: Floats, weight: Floats
) -> tuple[Floats, Floats]:
    """Normal equations of rows that hold a few unknowns each, ``spots`` saying which."""
    from scipy.sparse import csr_array

    across = spots.shape[1]
    ends = np.arange(0, spots.size + 1, across)
    rows = csr_array(
        ((slopes * weight[:, None]).ravel(), spots.ravel(), ends), shape=(len(spots), count)
    )
    return (rows.T @ rows).toarray(), np.asarray(rows.T @ (value * weight))


def fitted(points: Floats, weight: Floats, pieces: breaks.Pieces) -> State:
    """Corners and bulges of the pieces; joints first soft, then exact where they hold."""
    state = start(points, pieces)
    none = np.zeros(len(state.corners), np.bool_)
    for _ in range(3):  # points change their pieces as the corners move; then they stay
        state = _solve(state, points, weight, none)
        state.owner = _owners(state, points)
    turned, _ = turns(state)
    firm = (_tight(state, turned, none) > 0.0) & (np.abs(turned) < NEARLY)
    exact = _solve(state, points, weight, firm)
    exact.owner = _owners(exact, points)
    exact = _solve(exact, points, weight, firm)
    dearest = cost(state, points, weight) * WORSE + MORE
    return exact if cost(exact, points, weight) < dearest else state


def cost(state: State, points: Floats, weight: Floats) -> float:
    """Sum of squared distances in units of their sigma, none above what Tukey still counts."""
    distance = _true_distance(state, points, state.owner)
    return float(np.sum(np.minimum((distance * weight) ** 2, TUKEY**2)))
