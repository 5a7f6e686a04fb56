"""The least that a car can take when its cause is known and the all-clear has to be shown.

The cheapest repairs that leave nothing that matters, one round of the opening readings after them,
then the cheapest set of tests after which, with the results that these tests in fact give, the
chance of a fault that matters is at the limit of the all-clear or below. No other way knows its
results beforehand. Asking someone ends a case as well. What a way took that ended well by the same
rule is looked at too. Tests before the repairs are not searched.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import cache
from itertools import combinations

import numpy as np
from bank import Bank, Mind
from world import Car, Ledger

from keyturn.evidence import consequence, decide, likelihood, next_test
from keyturn.evidence.causes import HEALTHY, NONE, causes
from keyturn.evidence.observe import Observation

MOST_TESTS = 5
AT_ONCE = 128  # sets


def bound(car: Car, bank: Bank, others: Iterable[Ledger]) -> tuple[float, str]:
    """Money and time, and what kind of way takes it."""
    rows = {row.name: row for row in causes(car.model.build)}
    needed = car.needed()
    repairs = sum(decide.price(rows[name]) for name in needed)
    ways = [(repairs + decide.price(rows[NONE]), "asked")]
    ways += [(one.total, "path") for one in others if one.end != "gave up" and not one.wrong]
    if car.space.cause.name != NONE:
        _renew(car, needed)
        base = car.ledger.total + (0.0 if needed else decide.price(rows[HEALTHY]))
        found = proof(car, bank, min(ways)[0] - base)
        if found is not None:
            ways.append((base + found, "proof"))
    return min(ways)


def _renew(car: Car, needed: tuple[str, ...]) -> None:
    """The repairs and one round of readings."""
    rows = {row.name: row for row in causes(car.model.build)}
    opening, car.opening = car.opening, ()
    for name in needed:
        car.repair(rows[name])
    car.opening = opening
    if needed:
        car.retest()


def proof(car: Car, bank: Bank, most: float) -> float | None:
    """Money and time of the cheapest set of tests that clears the car, when below ``most``."""
    limit = float(consequence.table()["clear"]["left"])
    mind = Mind(bank, car.rng)
    mind.read(car.readings)
    tried = car.candidates()
    state, observations, predicted = mind.foreseen(car.repaired, tried)
    if state.left <= limit:
        return 0.0
    logs = _results(car, tried, state, observations, predicted)
    weight = np.concatenate(
        [np.full(b.chosen.size, b.weight / b.chosen.size) for b in state.branches]
    )
    bad = np.concatenate([np.full(b.chosen.size, b.matters) for b in state.branches])
    costs = np.array(
        [row.row["money"] + row.row["minutes"] / 60.0 * decide.hour() for row in tried]
    )
    names = [row.row["name"] for row in tried]
    sets = _sets(len(tried)).astype(float)
    for number, row in enumerate(tried):
        if row.row["after"] in names:
            first = sets[:, names.index(row.row["after"])]
            sets = sets[(sets[:, number] == 0.0) | (first == 1.0)]
    price = sets @ costs
    order = np.argsort(price, kind="stable")
    order = order[price[order] < most]
    for at in range(0, order.size, AT_ONCE):
        some = order[at : at + AT_ONCE]
        log = sets[some] @ logs
        told = weight * np.exp(log - log.max(axis=1, keepdims=True))
        left = told[:, bad].sum(axis=1) / told.sum(axis=1)
        good = np.flatnonzero(left <= limit)
        if good.size:
            return float(price[some[good[0]]])
    return None


def _results(
    car: Car,
    tried: list[next_test.Candidate],
    state: decide.Belief,
    observations: tuple[Observation, ...],
    predicted: list[np.ndarray],
) -> np.ndarray:
    """Log likelihood of what each test in fact shows, (tests, particles)."""
    out = np.zeros((len(tried), sum(branch.chosen.size for branch in state.branches)))
    for number, row in enumerate(observations):
        value = car.would_show(tried[row.number])
        blocks = []
        for branch in state.branches:
            shown = predicted[branch.at][branch.chosen, number]
            plain = likelihood.density(shown, row, value)[:, None]
            mixed = likelihood.with_slips(plain, (row,))[:, 0]
            blocks.append(
                np.full(shown.size, 1.0 / row.broad) if branch.cause.name == NONE else mixed
            )
        out[row.number] = np.log(np.maximum(np.concatenate(blocks), likelihood.LEAST))
    return out


@cache
def _sets(count: int) -> np.ndarray:
    """Every set of at most so many of the tests, one a row."""
    chosen = [
        some for size in range(1, MOST_TESTS + 1) for some in combinations(range(count), size)
    ]
    out = np.zeros((len(chosen), count), dtype=bool)
    for number, some in enumerate(chosen):
        out[number, list(some)] = True
    return out
