"""A closed row of edge points to few lines and arcs, tangent where they are tangent.

Bursts of wrong points are taken out first, the breaks come from dynamic programming, and then all
corners and bulges are fitted together (Gauss-Newton, Tukey's weights), so that the path is closed
by construction. What was fitted is held against the points again; where it strays, a piece is
split, and in the end the row itself is kept as short lines rather than a wrong arc.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from keyturn.making import breaks
from keyturn.making.shape import ClosedPath, Corner

Floats = NDArray[np.float64]
Fault = Literal["folded", "strays", "joint"]
LEAST_NOISE = 0.012  # [mm] no edge is sharper, whatever neighbours say of each other
NEIGHBOURS = (2, 6)  # points apart
BREAK_EVERY = 0.8  # [mm]
JUMP = 0.3  # [mm] sideways step between neighbours that no real edge makes
LONGEST_BURST = 15.0  # [mm]
SMOOTH = np.radians(14.0)  # a joint that turns less may be meant tangent
TANGENT = np.radians(0.4)  # how exactly, at first
EXACT = np.radians(0.01)  # and once it is taken for tangent
GUESSED = 0.15  # [mm] standard deviation of a point that was not seen but lies on the rough contour
HIDDEN = 20.0  # times STRAYS that is allowed where a burst was taken out
UNSEEN = 4.0  # times that is allowed where no edge was seen
BACK = np.radians(120.0)  # a corner sharper than that is a spur of the fit
WIDTHS = (1.0, 1.5, 2.5)  # times the noise, the narrowest that gives a path
MOST_MENDED, MOST_TRIED = 12, 12
SLACK = 1.0  # free parameters by which a merger may look too dear before it is tried
STRAYS = 0.15  # [mm] points farther from the path than that, several in a row: the path is wrong


@dataclass(frozen=True)
class Fitted:
    """A path and how well it lies on its points."""

    path: ClosedPath
    residual: Floats  # [mm] signed distance of every point, outside of the path positive
    used: NDArray[np.bool_]  # False where a point was taken for wrong
    noise: float  # [mm] standard deviation of one point
    exact: bool = True  # False where lines and arcs did not do and the row itself was kept


@dataclass
class _State:
    """Corners, bulges and the piece every point belongs to, during the fit."""

    corners: Floats  # (m, 2)
    bulge: Floats  # (m,)
    arc: NDArray[np.bool_]
    owner: NDArray[np.int64]  # piece of every point


def resampled(points: Floats, step: float) -> Floats:
    """The closed row at even distances of about ``step`` [mm]."""
    closed = np.vstack([points, points[:1]])
    run = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    count = max(8, round(run[-1] / step))
    at = np.arange(count) * run[-1] / count
    return np.stack([np.interp(at, run, closed[:, 0]), np.interp(at, run, closed[:, 1])], axis=1)


def bursts(points: Floats, longest: float = LONGEST_BURST) -> NDArray[np.bool_]:
    """Points of short runs that stand aside from both neighbours; True where wrong.

    Edge points follow each other closely. A step far above the usual one cuts the row; a piece
    between two cuts goes when the row closes better without it and it is short.
    """
    step = np.hypot(*(np.roll(points, -1, axis=0) - points).T)
    usual = float(np.median(step))
    cuts = np.flatnonzero(step > np.hypot(1.5 * usual, JUMP))
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


def _noise(points: Floats, good: NDArray[np.bool_]) -> float:
    """Standard deviation of one point, from the distance to the parabola of its neighbours.

    Near neighbours show noise, farther ones the wavering of a rough edge as well; the larger
    counts, or every wave would become pieces of its own.
    """
    return max(LEAST_NOISE, *(_aside(points, good, step) for step in NEIGHBOURS))


def _aside(points: Floats, good: NDArray[np.bool_], step: int) -> float:
    kernel = np.array([-1.0, 4.0, -6.0, 4.0, -1.0])  # fourth difference: cubics vanish
    scale = float(np.sqrt(np.sum(kernel**2)))
    places = [step * k for k in (-2, -1, 0, 1, 2)]
    shifted = [np.roll(points, k, axis=0) for k in places]
    whole = np.all([np.roll(good, k) for k in places], axis=0)
    if whole.sum() < 20:
        return GUESSED / 5.0
    across = shifted[1] - shifted[3]
    normal = np.stack([-across[:, 1], across[:, 0]], axis=1)
    normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-9)
    rest = np.tensordot(kernel, np.stack(shifted), axes=(0, 0))
    return float(1.4826 * np.median(np.abs(np.sum(rest * normal, axis=1))[whole]) / scale)


def _start(points: Floats, pieces: breaks.Pieces) -> _State:
    """Corners and bulges that stand on the points themselves."""
    count = len(points)
    starts = pieces.starts
    corners = (points[starts] + points[starts - 1]) / 2.0
    owner = np.searchsorted(starts, np.arange(count), side="right") - 1
    owner[owner < 0] = len(starts) - 1
    bulge = np.zeros(len(starts))
    for n, start in enumerate(starts):
        if not pieces.arcs[n]:
            continue
        end = starts[(n + 1) % len(starts)] + (count if n + 1 == len(starts) else 0)
        middle = points[((start + end) // 2) % count]
        a, b = corners[n], corners[(n + 1) % len(starts)]
        chord = b - a
        long = max(float(np.hypot(*chord)), 1e-6)
        height = float(chord[0] * (middle - a)[1] - chord[1] * (middle - a)[0]) / long
        bulge[n] = np.clip(-2.0 * height / long, -2.5, 2.5)  # the apex lies at -bulge chord / 2
    return _State(corners, bulge, pieces.arcs.copy(), owner)


def _distances(state: _State, points: Floats, owner: NDArray[np.int64]) -> tuple[Floats, Floats]:
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


def _turns(state: _State) -> tuple[Floats, Floats]:
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


def _owners(state: _State, points: Floats) -> NDArray[np.int64]:
    """The piece of every point: of its own and the two neighbours the nearest."""
    m = len(state.corners)
    best = np.full(len(points), np.inf)
    chosen = state.owner.copy()
    for step in (0, -1, 1):
        owner = (state.owner + step) % m
        far = _true_distance(state, points, owner)
        closer = far < best - 1e-4
        best = np.where(closer, far, best)
        chosen = np.where(closer, owner, chosen)
    return chosen


def _true_distance(state: _State, points: Floats, owner: NDArray[np.int64]) -> Floats:
    """Distance to the piece as it ends, not to its whole circle."""
    m = len(state.corners)
    a, c = state.corners[owner], state.corners[(owner + 1) % m]
    ends = np.minimum(np.hypot(*(points - a).T), np.hypot(*(points - c).T))
    chord = c - a
    long = np.maximum(np.hypot(*chord.T), 1e-9)
    along = np.sum((points - a) * chord, axis=1) / long
    aside = np.abs(_distances(state, points, owner)[0])
    b = state.bulge[owner]
    # inside of an arc's sector: on the same side of both end normals as the middle of the arc
    half = 2.0 * np.arctan(b)
    unit = chord / long[:, None]
    co, si = np.cos(half), np.sin(half)
    t_a = np.stack([unit[:, 0] * co + unit[:, 1] * si, unit[:, 1] * co - unit[:, 0] * si], axis=1)
    t_c = np.stack([unit[:, 0] * co - unit[:, 1] * si, unit[:, 1] * co + unit[:, 0] * si], axis=1)
    within = (np.sum((points - a) * t_a, axis=1) >= 0) & (np.sum((points - c) * t_c, axis=1) <= 0)
    wide = np.abs(b) > 1.0  # more than half a circle: no such two half planes
    on = np.where(wide, True, np.where(b == 0.0, (along >= 0) & (along <= long), within))
    return np.where(on, aside, ends)


def _tangent(state: _State, firm: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """Turns that are meant to vanish and their weight [1/rad]."""
    value, _ = _turns(state)
    long = np.hypot(*(np.roll(state.corners, -1, axis=0) - state.corners).T)
    lines = ~state.arc & ~np.roll(state.arc, 1)  # two lines that are tangent are one
    smooth = (np.abs(value) < SMOOTH) & ~lines & (np.minimum(long, np.roll(long, 1)) > 0.3)
    return value, np.where(firm, 1.0 / EXACT, np.where(smooth, 1.0 / TANGENT, 0.0))


def _solve(
    state: _State,
    points: Floats,
    weight: Floats,
    firm: NDArray[np.bool_],
    rounds: int = 12,
) -> _State:
    """Gauss-Newton over all corners and bulges; ``weight`` is 1 / sigma of every point."""
    m = len(state.corners)
    state = replace(state)
    own = np.arange(m)
    k, n = (own - 1) % m, (own + 1) % m
    joints = np.column_stack(
        [2 * k, 2 * k + 1, 2 * own, 2 * own + 1, 2 * n, 2 * n + 1, 2 * m + k, 2 * m + own]
    )
    for _ in range(rounds):
        distance, columns = _distances(state, points, state.owner)
        tukey = np.clip(1.0 - (distance * weight / 6.0) ** 2, 0.0, 1.0)
        i, j = state.owner, (state.owner + 1) % m
        spots = np.column_stack([2 * i, 2 * i + 1, 2 * j, 2 * j + 1, 2 * m + i])
        normal, right = _equations(3 * m, spots, columns, distance, weight * tukey)
        value, slopes = _turns(state)
        _, tight = _tangent(state, firm)
        more, push = _equations(3 * m, joints, slopes, value, tight)
        # corners slide freely along smooth joints: hold them softly, straight pieces firmly
        damping = np.concatenate([np.full(2 * m, 1.0), np.where(state.arc, 1e-2, 1e12)])
        step = np.linalg.solve(normal + more + np.diag(damping), -right - push)
        move = step[: 2 * m].reshape(m, 2)
        shrink = min(1.0, 1.0 / max(float(np.max(np.abs(move))), 1e-9))
        state.corners = state.corners + shrink * move
        state.bulge = np.where(state.arc, state.bulge + shrink * step[2 * m :], 0.0)
        state.bulge = np.clip(state.bulge, -3.0, 3.0)
        if float(np.max(np.abs(move))) < 1e-4:
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


def _fit(points: Floats, weight: Floats, pieces: breaks.Pieces) -> _State:
    """All corners and bulges together, joints first soft, then exact where they hold."""
    state = _start(points, pieces)
    none = np.zeros(len(state.corners), np.bool_)
    for _ in range(3):
        state = _solve(state, points, weight, none)
        state.owner = _owners(state, points)
    value, tight = _tangent(state, none)
    firm = (tight > 0.0) & (np.abs(value) < np.radians(2.0))
    exact = _solve(state, points, weight, firm)
    exact.owner = _owners(exact, points)
    exact = _solve(exact, points, weight, firm)
    return exact if _cost(exact, points, weight) < _cost(state, points, weight) * 1.3 + 9 else state


def _cost(state: _State, points: Floats, weight: Floats) -> float:
    distance = _true_distance(state, points, state.owner)
    return float(np.sum(np.minimum((distance * weight) ** 2, 36.0)))


def _path(state: _State, name: str) -> ClosedPath:
    rows = zip(state.corners, state.bulge, strict=True)
    return ClosedPath(tuple(Corner(float(x), float(y), float(b)) for (x, y), b in rows), name)


def _strays(distance: Floats, good: NDArray[np.bool_], limit: float, run: int) -> NDArray[np.int64]:
    """Points where the mean distance over ``run`` points exceeds the limit."""
    kernel = np.ones(run) / run
    signed = np.where(good, distance, 0.0)
    padded = np.concatenate([signed[-run:], signed, signed[:run]])
    mean = np.convolve(padded, kernel, "same")[run:-run]
    return np.flatnonzero((np.abs(mean) > limit) & good)


def fit(points: Floats, good: NDArray[np.bool_] | None = None, name: str = "") -> Fitted:
    """Lines and arcs through the closed row ``points`` [mm], counter-clockwise.

    ``good`` marks points that were really seen; the others stand where a rough contour has them.
    """
    # edges that come with marks had their bursts taken out where they were found
    wrong = bursts(points) if good is None else np.zeros(len(points), np.bool_)
    seen = ~wrong if good is None else good.copy()
    points = _bridged(points, wrong)
    slack = np.where(wrong, HIDDEN, np.where(seen, 1.0, UNSEEN))
    spacing = float(np.median(np.hypot(*np.diff(points, axis=0).T)))
    every = max(1, round(BREAK_EVERY / max(spacing, 1e-3)))
    sigma = _noise(points, seen)
    # neighbours share their noise: so many of them count as one
    alike = max(1.0, 0.6 / max(spacing, 1e-3))
    weight = np.where(seen, 1.0 / sigma, np.where(wrong, 0.0, 1.0 / GUESSED)) / np.sqrt(alike)
    for state in _candidates(points, weight, every, slack):
        distance, _ = _distances(state, points, state.owner)
        path = _path(state, name)
        if (
            len(_strays(distance, seen, STRAYS, 2 * every)) == 0
            and _spur(state, points, slack) is None
            and _simple(path)
        ):
            return Fitted(path, distance, seen, sigma)
    kept = points[~wrong][::every]
    path = ClosedPath(tuple(Corner(float(x), float(y)) for x, y in kept), name)
    return Fitted(path, np.zeros(len(points)), seen, sigma, exact=False)


def _candidates(points: Floats, weight: Floats, every: int, slack: Floats) -> Iterator[_State]:
    """Paths to choose from, the best kind first."""
    starts = []
    for width in WIDTHS:
        wide = weight / width
        found = breaks.find(points, wide**2, every, 2 * every)
        if len(found.starts) < 2:
            found = _halved(points, found)
        starts.append(_start(points, found))
        state = _fit(points, wide, found)
        for _ in range(MOST_MENDED):
            better = _mended(points, wide, found, state, slack, every)
            if better is None:
                break
            found = better
            state = _fit(points, wide, found)
        yield _merged(points, wide, found, state, slack)
        yield state
    # pieces on the points themselves: not tangent, but nothing in them has slid away
    yield from reversed(starts)


def _without(found: breaks.Pieces, n: int) -> breaks.Pieces:
    return breaks.Pieces(np.delete(found.starts, n), np.delete(found.arcs, n))


def _mended(
    points: Floats, weight: Floats, found: breaks.Pieces, state: _State, slack: Floats, every: int
) -> breaks.Pieces | None:
    """Other breaks where the path is wrong: a piece left out, bent, or made two."""
    spur = _spur(state, points, slack)
    if spur is None or len(found.starts) <= 2:
        return None
    n, fault = spur
    if fault == "joint" and not found.arcs[n]:
        # a chord where the edge is round stands out at its ends
        return breaks.Pieces(found.starts, found.arcs | (np.arange(len(found.arcs)) == n))
    if fault == "folded":
        return _without(found, n)
    start, count = int(found.starts[n]), len(points)
    end = int(np.roll(found.starts, -1)[n])
    end += count if end <= start else 0
    if end - start < 4 * every:
        return _without(found, n)
    middle = (start + end) // 2 % count
    line, arc = breaks.costs(
        points, weight**2, np.array([start, middle]), np.array([middle, end % count])
    )
    arcs = arc + breaks.PRICE * (breaks.ARC - breaks.LINE) < line
    starts = np.append(found.starts, middle)
    kinds = np.append(found.arcs, arcs[1])
    kinds[n] = arcs[0]
    order = np.argsort(starts)
    return breaks.Pieces(starts[order], kinds[order])


def _merged(
    points: Floats, weight: Floats, found: breaks.Pieces, state: _State, slack: Floats
) -> _State:
    """Neighbours made one wherever that costs less than the unknowns it saves.

    The breaks were chosen for pieces that need not meet; here they do, and fewer may do as well.
    """
    cost = _cost(state, points, weight)
    tried: set[tuple[int, ...]] = set()
    while len(found.starts) > 3 and len(tried) < MOST_TRIED:
        better = _cheapest(points, weight, found, tried)
        if better is None:
            break
        n, arc = better
        fewer = _without(found, (n + 1) % len(found.starts))
        fewer.arcs[n - (n + 1 == len(found.starts))] = arc
        tried.add((int(found.starts[n]), int(found.starts[(n + 1) % len(found.starts)])))
        again = _fit(points, weight, fewer)
        more = _cost(again, points, weight)
        if more - cost < breaks.PRICE * breaks.LINE and _spur(again, points, slack) is None:
            found, state, cost = fewer, again, more
    return state


def _cheapest(
    points: Floats, weight: Floats, found: breaks.Pieces, tried: set[tuple[int, ...]]
) -> tuple[int, bool] | None:
    """The piece that is one with the next at the least cost, and whether that is an arc."""
    ends = np.roll(found.starts, -1)
    after = np.roll(found.starts, -2)
    alone = breaks.costs(points, weight**2, found.starts, ends)
    alone_cost = np.where(found.arcs, alone[1], alone[0])
    line, arc = breaks.costs(points, weight**2, found.starts, after)
    parameters = np.where(found.arcs, breaks.ARC, breaks.LINE)
    saved = parameters + np.roll(parameters, -1)
    apart = alone_cost + np.roll(alone_cost, -1)
    gain = np.stack([
        breaks.PRICE * (saved - breaks.LINE) - (line - apart),
        breaks.PRICE * (saved - breaks.ARC) - (arc - apart),
    ]) + SLACK * breaks.PRICE  # fmt: skip
    for n, start in enumerate(found.starts):
        if (int(start), int(ends[n])) in tried:
            gain[:, n] = -np.inf
    kind, best = divmod(int(np.argmax(gain)), gain.shape[1])
    return (best, bool(kind)) if gain[kind, best] > 0.0 else None


def _bridged(points: Floats, wrong: NDArray[np.bool_]) -> Floats:
    """The row with wrong points put on the straight line between what stands beside them."""
    if not wrong.any():
        return points
    at, kept = np.arange(len(points)), np.flatnonzero(~wrong)
    columns = [np.interp(at, kept, points[kept, n], period=len(points)) for n in (0, 1)]
    return np.stack(columns, axis=1)


def _spur(state: _State, points: Floats, slack: Floats) -> tuple[int, Fault] | None:
    """The piece at which the path turns back on itself or leaves the row of points."""
    from scipy.spatial import cKDTree
    from shapely import LinearRing, distance
    from shapely import points as shapes

    m = len(state.corners)
    share = np.linspace(0.0, 1.0, 9)
    a, c, b = state.corners, np.roll(state.corners, -1, axis=0), state.bulge
    half = 2.0 * np.arctan(b)[:, None]
    chord = c - a
    left = np.stack([-chord[:, 1], chord[:, 0]], axis=1)
    # along an arc of the angle 4 atan b: distance along and aside of the chord, in its length
    turn = half * (2.0 * share - 1.0)
    whole = np.where(np.abs(half) < 1e-6, 1.0, np.sin(half))
    along = np.where(np.abs(half) < 1e-6, share, 0.5 + np.sin(turn) / (2.0 * whole))
    aside = np.where(np.abs(half) < 1e-6, 0.0, (np.cos(half) - np.cos(turn)) / (2.0 * whole))
    place = a[:, None] + along[..., None] * chord[:, None] + aside[..., None] * left[:, None]
    flat = place.reshape(-1, 2)
    _, near = cKDTree(points).query(flat)
    far = distance(shapes(flat), LinearRing(points)) / slack[near]
    far = far.reshape(m, -1)
    long = np.hypot(*chord.T)
    turned = np.abs(_turns(state)[0])
    # a piece that slid past its neighbour lies between two reversals; it also throws them off
    back = np.flatnonzero(turned > BACK)
    if len(back):
        n = int(back[0])
        return (n if long[n] < long[n - 1] else (n - 1) % m), "folded"
    if far.max() <= STRAYS:
        return None
    n, at = divmod(int(np.argmax(far)), len(share))
    if 0 < at < len(share) - 1:
        return n, "strays"
    other = (n - 1) % m if at == 0 else (n + 1) % m
    return (n if long[n] < long[other] else other), "joint"


def _halved(points: Floats, found: breaks.Pieces) -> breaks.Pieces:
    """A whole circle has no break; two half circles can be written."""
    middle = (int(found.starts[0]) + len(points) // 2) % len(points)
    starts = np.sort(np.array([int(found.starts[0]), middle], np.int64))
    return breaks.Pieces(starts, np.ones(2, np.bool_))


def _simple(path: ClosedPath) -> bool:
    """Does the path not cross itself?"""
    from shapely.geometry import Polygon

    from keyturn.making.shape import flattened

    return bool(Polygon(flattened(path, 0.02)).is_valid)
