"""Which tests together would show a car to be clear, if it is: the cheapest set.

Cars without a fault that matters are drawn from the particles, every open test is made on them, and
the chance of a fault that is left is worked out for sets of tests. A set is worth its price over
the share of those cars that it clears. Sets grow one test at a time and only the most promising of
each size are kept (beam search, Lowerre 1976).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from keyturn.evidence.causes import NONE
from keyturn.evidence.decide import Belief
from keyturn.evidence.likelihood import density, slip_share
from keyturn.evidence.observe import Observation
from keyturn.system.circuit import FloatArray

CARS = 16  # without a fault that matters
PER_BRANCH = 32
MOST_TESTS = 5
BEAM = 10
LEAST_CLEARED = 0.4  # of those cars: a set that clears fewer is no proof
TINY = 1e-12


@dataclass(frozen=True)
class Proof:
    """A set of tests, and what it is expected to take until a sound car is shown to be clear."""

    tests: tuple[int, ...]
    cost: float


@dataclass(frozen=True)
class _Set:
    tests: tuple[int, ...]
    cost: float
    weight: FloatArray  # (cars, particles)


def proof(
    state: Belief,
    rows: Sequence[Observation],
    predicted: Sequence[FloatArray],
    costs: FloatArray,
    before: Sequence[tuple[int, ...]],
    limit: float,
) -> Proof | None:
    """The cheapest set; ``before`` are tests that have to be made before each."""
    if state.left >= 1.0 - TINY or not rows:
        return None
    weight, shown, bad, lost = _particles(state, predicted)
    cars = _cars(weight, bad)
    told = [_told(row, shown[:, n], lost, cars) for n, row in enumerate(rows)]
    best: Proof | None = None
    beam = [_Set((), 0.0, np.broadcast_to(weight, (cars.size, weight.size)))]
    for _ in range(MOST_TESTS):
        grown: dict[tuple[int, ...], tuple[float, _Set]] = {}
        for old in beam:
            for number in range(len(rows)):
                new = _with(old, number, told, costs, before)
                if new is None or new.tests in grown:
                    continue
                if best is not None and new.cost >= best.cost:
                    continue
                left = new.weight[:, bad].sum(axis=1) / new.weight.sum(axis=1)
                share = float((left <= limit).mean())
                if share >= LEAST_CLEARED and (best is None or new.cost / share < best.cost):
                    best = Proof(new.tests, new.cost / share)
                far = float(np.log(np.maximum(left, limit) / limit).mean())
                grown[new.tests] = (far, new)
        start = float(np.log(max(state.left, limit) / limit))
        ranked = sorted(grown.values(), key=lambda one: -(start - one[0]) / one[1].cost)
        beam = [one for _, one in ranked[: BEAM // 2]]
        beam += [one for _, one in sorted(ranked[BEAM // 2 :], key=lambda one: one[0])[: BEAM // 2]]
    return best


def _with(
    old: _Set,
    number: int,
    told: list[FloatArray],
    costs: FloatArray,
    before: Sequence[tuple[int, ...]],
) -> _Set | None:
    """The set with one more test, and what has to come before it."""
    more = [one for one in (*before[number], number) if one not in old.tests]
    if number in old.tests or len(old.tests) + len(more) > MOST_TESTS + 1:
        return None
    weight = old.weight
    for one in more:
        weight = weight * told[one]
    weight = weight / weight.sum(axis=1, keepdims=True)
    tests = tuple(sorted((*old.tests, *more)))
    return _Set(tests, old.cost + float(costs[more].sum()), weight)


def _particles(
    state: Belief, predicted: Sequence[FloatArray]
) -> tuple[FloatArray, FloatArray, np.ndarray, np.ndarray]:
    """Weights, predictions, whether a fault matters, and whether the model says nothing."""
    weight, shown, bad, lost = [], [], [], []
    for branch in state.branches:
        size = min(PER_BRANCH, branch.chosen.size)
        chosen = branch.chosen[np.linspace(0, branch.chosen.size - 1, size).astype(int)]
        weight.append(np.full(size, branch.weight / size))
        shown.append(predicted[branch.at][chosen])
        bad.append(np.full(size, branch.matters))
        lost.append(np.full(size, branch.cause.name == NONE))
    return np.concatenate(weight), np.vstack(shown), np.concatenate(bad), np.concatenate(lost)


def _cars(weight: FloatArray, bad: np.ndarray) -> np.ndarray:
    """Particles without a fault that matters, drawn evenly by weight."""
    fine = np.where(bad, 0.0, weight)
    places = (np.arange(CARS) + 0.5) / CARS * fine.sum()
    return np.asarray(np.minimum(np.searchsorted(np.cumsum(fine), places), weight.size - 1))


def _told(row: Observation, shown: FloatArray, lost: np.ndarray, cars: np.ndarray) -> FloatArray:
    """How likely the result of one test of each car is for every particle (cars, particles)."""
    luck = np.random.default_rng(row.number)
    share, broad = slip_share(), 1.0 / row.broad
    out = np.empty((cars.size, shown.size))
    for at, car in enumerate(cars):
        value = shown[car] + row.spread * luck.standard_normal()
        if row.yes_no:
            value = float(luck.random() < shown[car])
        out[at] = (1.0 - share) * density(shown, row, value) + share * broad
    out[:, lost] = broad
    return np.maximum(out, TINY * broad)
