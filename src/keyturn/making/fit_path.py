"""A closed row of edge points to few lines and arcs, tangent where they are tangent.

Bursts of wrong points are taken out first (`rows`), the breaks come from dynamic programming
(`breaks`), and then all corners and bulges are fitted together (`solve_path`). What was fitted is
held against the points again: where it strays, a piece is bent, left out or made two; neighbours
that do as one are made one; and in the end the row itself is kept as short lines rather than a
wrong arc.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from keyturn.making import breaks, solve_path
from keyturn.making.breaks import Pieces
from keyturn.making.rows import Floats, bridged, bursts, noise
from keyturn.making.shape import ClosedPath, Corner
from keyturn.making.solve_path import State

Fault = Literal["folded", "strays", "joint"]
BREAK_EVERY = 0.8  # [mm] between places at which a piece may begin
SHARED = 0.6  # [mm] along the row over which edge points share their noise
GUESSED = 0.15  # [mm] standard deviation of a point that was not seen but lies on the rough contour
STRAYS = 0.15  # [mm] points farther from the path than that, several in a row: the path is wrong
UNSEEN = 4.0  # times STRAYS that is allowed where no edge was seen
HIDDEN = 20.0  # times STRAYS that is allowed where a burst was taken out
BACK = np.radians(120.0)  # a corner sharper than that is a spur of the fit
WIDTHS = (1.0, 1.5, 2.5)  # times the noise, the narrowest that gives a path
# Fits that are paid for, about 0.1 s each with 70 pieces; rendered outlines asked for 0 and 9.
MOST_MENDED, MOST_TRIED = 12, 12
# What a merger may cost for a free parameter it saves, in squared standard deviations: more than
# the price of one in `breaks`, as walls and grain make edges waver where noise alone would not. On
# 26 outlines of rendered photos that judge nothing 14 left 18 pieces too many, 20 twelve, 40 seven,
# 60 three, never one too few. 20 made none of them worse, 40 one by 0.003 mm, 60 one by 0.034 mm.
SPARED = 20.0
LEAST_PIECES = 3  # that a path is not merged below
SLACK = 1.0  # free parameters by which a merger may look too dear before it is tried
SAMPLES = 9  # places of a piece that are held against the points, its two ends among them
STRAIGHT = 1e-6  # [rad] half of an arc's angle below which its sine is no divisor


@dataclass(frozen=True)
class Fitted:
    """A path and how well it lies on its points."""

    path: ClosedPath
    residual: Floats  # [mm] signed distance of every point, outside of the path positive
    used: NDArray[np.bool_]  # False where a point was taken for wrong, or was not seen
    noise: float  # [mm] standard deviation of one point
    exact: bool = True  # False where lines and arcs did not do and the row itself was kept


def _path(state: State, name: str) -> ClosedPath:
    rows = zip(state.corners, state.bulge, strict=True)
    return ClosedPath(tuple(Corner(float(x), float(y), float(b)) for (x, y), b in rows), name)


def _astray(distance: Floats, seen: NDArray[np.bool_], run: int) -> bool:
    """Do points lie aside of the path over ``run`` of them in a row, in the mean?"""
    signed = np.where(seen, distance, 0.0)
    padded = np.concatenate([signed[-run:], signed, signed[:run]])
    mean = np.convolve(padded, np.ones(run) / run, "same")[run:-run]
    return bool(np.any((np.abs(mean) > STRAYS) & seen))


def fit(points: Floats, good: NDArray[np.bool_] | None = None, name: str = "") -> Fitted:
    """Lines and arcs through the closed row ``points`` [mm], counter-clockwise.

    ``good`` marks points that were really seen; the others stand where a rough contour has them.
    """
    # edges that come with marks had their bursts taken out where they were found
    wrong = bursts(points) if good is None else np.zeros(len(points), np.bool_)
    seen = ~wrong if good is None else good.copy()
    points = bridged(points, wrong)
    slack = np.where(wrong, HIDDEN, np.where(seen, 1.0, UNSEEN))
    spacing = max(float(np.median(np.hypot(*np.diff(points, axis=0).T))), 1e-3)
    every = max(1, round(BREAK_EVERY / spacing))
    sigma = noise(points, seen)
    weight = np.where(seen, 1.0 / sigma, np.where(wrong, 0.0, 1.0 / GUESSED))
    weight /= np.sqrt(max(1.0, SHARED / spacing))  # so many points count as one
    for state in _candidates(points, weight, every, slack):
        distance, _ = solve_path.distances(state, points, state.owner)
        path = _path(state, name)
        wrong_path = _astray(distance, seen, 2 * every) or _spur(state, points, slack) is not None
        if not wrong_path and _simple(path):
            return Fitted(path, distance, seen, sigma)
    kept = _uncrossed(points[~wrong][::every])
    path = ClosedPath(tuple(Corner(float(x), float(y)) for x, y in kept), name)
    return Fitted(path, np.zeros(len(points)), seen, sigma, exact=False)


def _uncrossed(row: Floats) -> Floats:
    """The largest part that the row goes around, counter-clockwise; without loops it is the row."""
    from shapely import Polygon, get_coordinates, get_parts, make_valid

    whole = Polygon(row)
    if whole.is_valid:
        return row
    # of a collection its parts, of those again theirs
    parts = get_parts(get_parts(make_valid(whole)))
    largest = max(parts, key=lambda part: float(part.area)).exterior
    corners = get_coordinates(largest)[:-1]
    return np.asarray(corners if largest.is_ccw else corners[::-1])


def _candidates(points: Floats, weight: Floats, every: int, slack: Floats) -> Iterator[State]:
    """Paths to choose from, the best kind first."""
    starts = []
    for width in WIDTHS:
        wide = weight / width
        found = breaks.find(points, wide**2, every, 2 * every)
        if len(found.starts) < 2:
            found = _halved(points, found)
        starts.append(solve_path.start(points, found))
        state = solve_path.fitted(points, wide, found)
        for _ in range(MOST_MENDED):
            better = _mended(points, wide, found, state, slack, every)
            if better is None:
                break
            found = better
            state = solve_path.fitted(points, wide, found)
        yield _merged(points, wide, found, state, slack)
        yield state
    # pieces on the points themselves, the fewest first: not tangent, but none has slid away
    yield from reversed(starts)


def _without(found: Pieces, n: int) -> Pieces:
    return Pieces(np.delete(found.starts, n), np.delete(found.arcs, n))


def _mended(
    points: Floats, weight: Floats, found: Pieces, state: State, slack: Floats, every: int
) -> Pieces | None:
    """Other breaks where the path is wrong: a piece left out, bent, or made two."""
    spur = _spur(state, points, slack)
    if spur is None or len(found.starts) <= 2:
        return None
    n, fault = spur
    if fault == "joint" and not found.arcs[n]:
        # a chord where the edge is round stands out at its ends
        return Pieces(found.starts, found.arcs | (np.arange(len(found.arcs)) == n))
    start, end = int(found.starts[n]), int(np.roll(found.starts, -1)[n])
    end += len(points) if end <= start else 0
    if fault == "folded" or end - start < 4 * every:
        return _without(found, n)
    return _halves(points, weight, found, n, (start + end) // 2 % len(points))


def _halves(points: Floats, weight: Floats, found: Pieces, n: int, middle: int) -> Pieces:
    """A piece made two at a point, each half a line or an arc as it does best."""
    start, end = found.starts[n], np.roll(found.starts, -1)[n]
    line, arc = breaks.costs(points, weight**2, np.array([start, middle]), np.array([middle, end]))
    arcs = arc + breaks.PRICE * (breaks.ARC - breaks.LINE) < line
    starts = np.append(found.starts, middle)
    kinds = np.append(found.arcs, arcs[1])
    kinds[n] = arcs[0]
    order = np.argsort(starts)
    return Pieces(starts[order], kinds[order])


def _merged(points: Floats, weight: Floats, found: Pieces, state: State, slack: Floats) -> State:
    """Neighbours made one wherever that costs less than the unknowns of a line.

    The breaks were chosen for pieces that need not meet; here they do, and fewer may do as well.
    """
    cost = solve_path.cost(state, points, weight)
    tried: set[tuple[int, ...]] = set()
    while len(found.starts) > LEAST_PIECES and len(tried) < MOST_TRIED:
        better = _cheapest(points, weight, found, tried)
        if better is None:
            break
        n, arc = better
        tried.add((int(found.starts[n]), int(np.roll(found.starts, -1)[n])))
        fewer = _as_one(found, n, arc)
        again = solve_path.fitted(points, weight, fewer)
        more = solve_path.cost(again, points, weight)
        if more - cost < SPARED * breaks.LINE and _spur(again, points, slack) is None:
            found, state, cost = fewer, again, more
    return state


def _as_one(found: Pieces, n: int, arc: bool) -> Pieces:
    """A piece and the one after it as one."""
    kinds = found.arcs.copy()
    kinds[n] = arc
    return _without(Pieces(found.starts, kinds), (n + 1) % len(kinds))


def _cheapest(
    points: Floats, weight: Floats, found: Pieces, tried: set[tuple[int, ...]]
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
    with np.errstate(invalid="ignore"):  # no circle before, and none after
        gain = np.stack([
            SPARED * (saved - breaks.LINE) - (line - apart),
            SPARED * (saved - breaks.ARC) - (arc - apart),
        ]) + SLACK * SPARED  # fmt: skip
    gain[np.isnan(gain)] = -np.inf
    for n, start in enumerate(found.starts):
        if (int(start), int(ends[n])) in tried:
            gain[:, n] = -np.inf
    kind, best = divmod(int(np.argmax(gain)), gain.shape[1])
    return (best, bool(kind)) if gain[kind, best] > 0.0 else None


def _sampled(state: State) -> Floats:
    """SAMPLES places along every piece, at even angles; (m, SAMPLES, 2)."""
    share = np.linspace(0.0, 1.0, SAMPLES)
    chord = np.roll(state.corners, -1, axis=0) - state.corners
    left = np.stack([-chord[:, 1], chord[:, 0]], axis=1)
    # along an arc of the angle 4 atan b: distance along and aside of the chord, in its length
    half = 2.0 * np.arctan(state.bulge)[:, None]
    turn = half * (2.0 * share - 1.0)
    straight = np.abs(half) < STRAIGHT
    whole = np.where(straight, 1.0, np.sin(half))
    along = np.where(straight, share, 0.5 + np.sin(turn) / (2.0 * whole))
    aside = np.where(straight, 0.0, (np.cos(half) - np.cos(turn)) / (2.0 * whole))
    first = state.corners[:, None]
    return np.asarray(first + along[..., None] * chord[:, None] + aside[..., None] * left[:, None])


def _spur(state: State, points: Floats, slack: Floats) -> tuple[int, Fault] | None:
    """The piece at which the path turns back on itself or leaves the row of points."""
    from scipy.spatial import cKDTree
    from shapely import LinearRing, distance
    from shapely import points as shapes

    m = len(state.corners)
    long = np.hypot(*(np.roll(state.corners, -1, axis=0) - state.corners).T)
    # a piece that slid past its neighbour lies between two reversals; it also throws them off
    back = np.flatnonzero(np.abs(solve_path.turns(state)[0]) > BACK)
    if len(back):
        n = int(back[0])
        return (n if long[n] < long[n - 1] else (n - 1) % m), "folded"
    places = _sampled(state).reshape(-1, 2)
    _, near = cKDTree(points).query(places)
    far = distance(shapes(places), LinearRing(points)) / slack[near]
    if far.max() <= STRAYS:
        return None
    n, at = divmod(int(np.argmax(far)), SAMPLES)
    if 0 < at < SAMPLES - 1:
        return n, "strays"
    other = (n - 1) % m if at == 0 else (n + 1) % m
    return (n if long[n] < long[other] else other), "joint"


def _halved(points: Floats, found: Pieces) -> Pieces:
    """A row without a break is a circle; two half circles can be written."""
    middle = (int(found.starts[0]) + len(points) // 2) % len(points)
    starts = np.sort(np.array([int(found.starts[0]), middle], np.int64))
    return Pieces(starts, np.ones(2, np.bool_))


def _simple(path: ClosedPath) -> bool:
    """Does the path not cross itself?"""
    from shapely.geometry import Polygon

    from keyturn.making.shape import flattened

    return bool(Polygon(flattened(path, 0.02)).is_valid)
