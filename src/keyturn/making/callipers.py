"""Where holes are, from calliper distances between their edges: least squares with uncertainty.

Unknown are the centres and the diameters together, since a distance between edges holds half of
two diameters. A distance may be taken over the outsides, between the insides, or from one outside
to the other inside (which, for equal holes, is the distance of the centres). Distances cannot tell
a part from its mirror image: which way round it is comes from the sketch.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from keyturn.errors import CannotAnswer, ValueRefused

Over = Literal["outside", "inside", "centre"]
EDGES: Mapping[str, float] = {"outside": 0.5, "inside": -0.5, "centre": 0.0}

FLOOR = 0.05  # [mm] no edge is sharper than that; 95 %
READS = 0.05  # [mm] 1 sigma of a distance between edges, vernier in ordinary hands
READS_HOLE = 0.03  # [mm] 1 sigma of a diameter
SKETCHED = 3.0  # [mm] 1 sigma of a sketched centre, for planning only
LOOSE = 0.5  # [mm] 1 sigma above which a centre is not held by the distances
BLUNDER = 4.0  # residual in sigmas that calls for measuring again
STEPS = 60
CLOSED = 1e-9  # [mm] last step of a solution

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Distance:
    """One reading between two holes, counted from 0."""

    a: int
    b: int
    value: float  # [mm]
    over: Over = "outside"
    sigma: float = READS  # [mm]


@dataclass(frozen=True)
class Sketch:
    """Roughly where a hole is, and its measured diameter."""

    x: float  # [mm]
    y: float  # [mm]
    diameter: float  # [mm]
    sigma: float = READS_HOLE  # [mm] of the diameter


@dataclass(frozen=True)
class Placed:
    """Centres [mm] with the first hole at the origin and the second on the x axis."""

    x: Array
    y: Array
    diameter: Array
    uncertainty: Array  # [mm] 95 % radius of each centre, shape (holes,)
    residuals: Array  # in sigmas, one a distance
    suspect: int | None  # number of the distance that should be measured again
    without: float | None  # [mm] what that distance would be by the others


def place(sketch: Sequence[Sketch], distances: Sequence[Distance]) -> Placed:
    """Centres from distances; the sketch gives a start and the handedness, nothing else.

    Raises
    ------
    ValueRefused
        A distance names a hole that is not there, or cannot be.
    CannotAnswer
        The distances leave a hole free to move; says which further distance would hold it.
    """
    _judge(sketch, distances)
    held, loose = rigid(sketch, distances)
    if not held:
        a, b = next_distance(sketch, distances)
        raise CannotAnswer(
            f"hole {loose + 1} is not held by the distances",
            (f"measure from hole {a + 1} to hole {b + 1}",),
        )
    state, residuals = _solve(sketch, distances)
    suspect, without = _suspect(sketch, distances, residuals)
    n = len(sketch)
    covariance = _covariance(state, sketch, distances)
    xy = state[: 2 * n].reshape(n, 2)
    xy = _aligned(xy)
    radius = np.array([_circle(covariance[2 * k : 2 * k + 2, 2 * k : 2 * k + 2]) for k in range(n)])
    # more scatter than was promised widens every centre
    freedom = max(1, len(distances) - (2 * n - 3))
    scatter = max(1.0, math.sqrt(float(np.sum(residuals**2)) / freedom))
    return Placed(
        xy[:, 0], xy[:, 1], state[2 * n :].copy(),
        np.maximum(radius * scatter, FLOOR), residuals, suspect, without,
    )  # fmt: skip


def rigid(sketch: Sequence[Sketch], distances: Sequence[Distance]) -> tuple[bool, int]:
    """Do the distances hold every hole? If not, also the hole that is held worst.

    The rank of the equations is not enough: nearly degenerate sets pass it and leave centimetres
    of play, so the uncertainty of each centre must be bounded as well.
    """
    n = len(sketch)
    state = _start(sketch)
    if np.linalg.matrix_rank(_distance_rows(state, n, distances)[:, : 2 * n]) < 2 * n - 3:
        spread = _spread(state, sketch, distances, weak=SKETCHED)
        return False, int(np.argmax(spread))
    spread = _spread(state, sketch, distances, weak=None)
    return bool(spread.max() < LOOSE), int(np.argmax(spread))


def next_distance(
    sketch: Sequence[Sketch],
    distances: Sequence[Distance],
    reach: float = math.inf,
    sigma: float = READS,
) -> tuple[int, int]:
    """The pair of holes whose distance would narrow the centres most (A-optimal, in mm).

    ``reach`` [mm] is the longest distance that the callipers take. Starts from the sketch taken
    as known to some millimetres, so that the same rule also plans the first distances.
    """
    n = len(sketch)
    state = _start(sketch)
    taken = {frozenset((item.a, item.b)) for item in distances}
    covariance = _planning(state, sketch, distances)
    best, gain = None, -1.0
    for a, b in combinations(range(n), 2):
        far = math.dist(state[2 * a : 2 * a + 2], state[2 * b : 2 * b + 2])
        if frozenset((a, b)) in taken or far > reach:
            continue
        row = _row(state, n, Distance(a, b, far, "centre", sigma))
        through = covariance @ row
        won = float(through[: 2 * n] @ through[: 2 * n]) / (sigma**2 + float(row @ through))
        if won > gain:
            best, gain = (a, b), won
    if best is None:
        raise CannotAnswer(
            "no further distance is left to measure",
            ("callipers that reach farther, or each distance a second time",),
        )
    return best


def plan(sketch: Sequence[Sketch], count: int, reach: float = math.inf) -> list[tuple[int, int]]:
    """Which ``count`` distances to measure, in order of how much each one tells."""
    chosen: list[Distance] = []
    while len(chosen) < count:
        a, b = next_distance(sketch, chosen, reach)
        chosen.append(Distance(a, b, 0.0, "centre"))
    return [(item.a, item.b) for item in chosen]


def _judge(sketch: Sequence[Sketch], distances: Sequence[Distance]) -> None:
    if len(sketch) < 3:
        raise ValueRefused(
            "fewer than three holes", typed=str(len(sketch)), accepted="3 holes or more",
            advice="for two holes the distance itself is the answer",
        )  # fmt: skip
    for number, item in enumerate(distances, 1):
        if not (0 <= item.a < len(sketch) and 0 <= item.b < len(sketch)) or item.a == item.b:
            raise ValueRefused(
                f"distance {number} names a hole that is not there, or one hole twice",
                typed=f"{item.a + 1} to {item.b + 1}", accepted=f"two of 1 to {len(sketch)}",
            )  # fmt: skip
        if not (math.isfinite(item.value) and item.value > 0.0 and item.sigma > 0.0):
            raise ValueRefused(
                f"distance {number} cannot be", typed=f"{item.value} mm", accepted="above 0 mm"
            )
        half = (sketch[item.a].diameter + sketch[item.b].diameter) * EDGES[item.over]
        if item.value - half <= 0.0:
            raise ValueRefused(
                f"distance {number} is shorter than the two holes are wide",
                typed=f"{item.value} mm over the {item.over}",
                accepted="outside, inside or centre: which edges was it taken over?",
            )


def _start(sketch: Sequence[Sketch]) -> Array:
    return np.array([v for s in sketch for v in (s.x, s.y)] + [s.diameter for s in sketch])


def _row(state: Array, n: int, item: Distance) -> Array:
    """How one distance changes with every unknown."""
    row = np.zeros(3 * n)
    a, b = 2 * item.a, 2 * item.b
    across = state[b : b + 2] - state[a : a + 2]
    unit = across / max(float(np.hypot(*across)), 1e-9)
    row[a : a + 2], row[b : b + 2] = -unit, unit
    row[2 * n + item.a] = row[2 * n + item.b] = EDGES[item.over]
    return row


def _distance_rows(state: Array, n: int, distances: Sequence[Distance]) -> Array:
    return np.asarray([_row(state, n, item) for item in distances], dtype=np.float64).reshape(
        -1, 3 * n
    )


def _expected(state: Array, n: int, item: Distance) -> float:
    a, b = 2 * item.a, 2 * item.b
    apart = float(np.hypot(*(state[b : b + 2] - state[a : a + 2])))
    return apart + EDGES[item.over] * float(state[2 * n + item.a] + state[2 * n + item.b])


def _normal(state: Array, sketch: Sequence[Sketch], distances: Sequence[Distance]) -> Array:
    """Normal matrix of distances and measured diameters."""
    n = len(sketch)
    rows = _distance_rows(state, n, distances)
    weight = np.array([item.sigma**-2 for item in distances])
    matrix = rows.T @ (rows * weight[:, None])
    for k, hole in enumerate(sketch):
        matrix[2 * n + k, 2 * n + k] += hole.sigma**-2
    return np.asarray(matrix)


def _free(state: Array, n: int) -> Array:
    """The three movements of the whole, which no distance sees, as unit rows."""
    xy = state[: 2 * n].reshape(n, 2)
    xy = xy - xy.mean(axis=0)
    rows = np.zeros((3, 3 * n))
    rows[0, 0 : 2 * n : 2] = rows[1, 1 : 2 * n : 2] = 1.0
    rows[2, 0 : 2 * n : 2], rows[2, 1 : 2 * n : 2] = -xy[:, 1], xy[:, 0]
    return np.asarray(rows / np.linalg.norm(rows, axis=1, keepdims=True))


def _covariance(state: Array, sketch: Sequence[Sketch], distances: Sequence[Distance]) -> Array:
    """Covariance with the movement of the whole taken out."""
    n = len(sketch)
    free = _free(state, n)
    matrix = _normal(state, sketch, distances)
    held = np.linalg.pinv(matrix + free.T @ free * np.trace(matrix) / (3 * n), hermitian=True)
    keep = np.eye(3 * n) - free.T @ free
    return np.asarray(keep @ held @ keep)


def _planning(state: Array, sketch: Sequence[Sketch], distances: Sequence[Distance]) -> Array:
    n = len(sketch)
    prior = np.zeros(3 * n)
    prior[: 2 * n] = SKETCHED**-2
    return np.asarray(np.linalg.inv(_normal(state, sketch, distances) + np.diag(prior)))


def _spread(
    state: Array, sketch: Sequence[Sketch], distances: Sequence[Distance], weak: float | None
) -> Array:
    """1 sigma of each centre [mm], along its worst direction."""
    n = len(sketch)
    made = (_planning if weak else _covariance)(state, sketch, distances)
    return np.array([
        math.sqrt(float(np.linalg.eigvalsh(made[2 * k : 2 * k + 2, 2 * k : 2 * k + 2])[-1]))
        for k in range(n)
    ])  # fmt: skip


def _solve(sketch: Sequence[Sketch], distances: Sequence[Distance]) -> tuple[Array, Array]:
    """Gauss-Newton with damping from the sketch; (unknowns, residuals in sigmas)."""
    n = len(sketch)
    measured = np.array([s.diameter for s in sketch])
    sigma = np.array([item.sigma for item in distances] + [s.sigma for s in sketch])
    values = np.array([item.value for item in distances])

    def off(state: Array) -> Array:
        made = np.array([_expected(state, n, item) for item in distances])
        return np.asarray(np.concatenate([values - made, measured - state[2 * n :]]) / sigma)

    state, damping = _start(sketch), 1e-3
    now = off(state)
    for _ in range(STEPS):
        rows = np.vstack([_distance_rows(state, n, distances), np.eye(3 * n)[2 * n :]])
        rows = rows / sigma[:, None]
        free = _free(state, n)
        matrix = rows.T @ rows
        matrix = matrix + free.T @ free + damping * np.diag(np.diag(matrix))
        step = np.linalg.solve(matrix, rows.T @ now)
        tried = off(state + step)
        if tried @ tried <= now @ now:
            state, now, damping = state + step, tried, damping / 5.0
            if np.abs(step).max() < CLOSED:
                break
        else:
            damping *= 10.0
    if float(np.abs(step).max()) > 1e-3:
        raise CannotAnswer(
            "the distances do not close", ("check the sketch: is every hole on its right side?",)
        )
    return state, now[: len(distances)]


def _suspect(
    sketch: Sequence[Sketch], distances: Sequence[Distance], residuals: Array
) -> tuple[int | None, float | None]:
    """The distance that the others contradict, and what they say it should be.

    Each distance in turn is left out and predicted by the others (its deleted residual): a
    blunder drags the fit and spreads over its neighbours, but not over its own prediction.
    """
    if float(np.abs(residuals).max()) < BLUNDER / 2.0:
        return None, None
    worst, without, number = 0.0, None, None
    for k in np.argsort(-np.abs(residuals))[:6].tolist():
        rest = [item for n, item in enumerate(distances) if n != k]
        if not rigid(sketch, rest)[0]:
            continue
        state, _ = _solve(sketch, rest)
        predicted = _expected(state, len(sketch), distances[k])
        row = _row(state, len(sketch), distances[k])
        variance = float(row @ _covariance(state, sketch, rest) @ row) + distances[k].sigma ** 2
        off = abs(distances[k].value - predicted) / math.sqrt(variance)
        if off > max(worst, BLUNDER):
            worst, without, number = off, predicted, k
    return number, without


def _circle(covariance: Array) -> float:
    """Radius [mm] of the circle that holds 95 % of a normal error in the plane.

    Between its two limits, 1.960 sigma for an error along a line and 2.448 sigma a direction for
    a round one, by the square of the ellipse's flattening; within 1 % of the exact integral.
    """
    low, high = (max(0.0, float(v)) for v in np.linalg.eigvalsh(covariance))
    total = max(low + high, 1e-18)
    flat = ((high - low) / total) ** 2
    return math.sqrt(total * (2.448**2 / 2.0 + (1.960**2 - 2.448**2 / 2.0) * flat))


def _aligned(xy: Array) -> Array:
    """First hole at the origin, second on the positive x axis."""
    moved = xy - xy[0]
    angle = math.atan2(moved[1, 1], moved[1, 0])
    turn = np.array([[math.cos(angle), math.sin(angle)], [-math.sin(angle), math.cos(angle)]])
    return np.asarray(moved @ turn.T)


def moved_onto(placed: Placed, sketch: Sequence[Sketch]) -> Placed:
    """The same, turned and moved to lie on the sketch as well as it can (no scale, no mirror)."""
    xy = np.column_stack([placed.x, placed.y])
    goal = np.array([(s.x, s.y) for s in sketch])
    a, b = xy - xy.mean(axis=0), goal - goal.mean(axis=0)
    angle = math.atan2(float(np.sum(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])), float(np.sum(a * b)))
    turn = np.array([[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]])
    made = a @ turn.T + goal.mean(axis=0)
    return replace(placed, x=made[:, 0], y=made[:, 1])
