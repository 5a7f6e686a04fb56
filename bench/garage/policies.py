"""Four ways to go from the first readings to a car that is called clear."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from bank import Bank, Mind
from world import Car, Ledger, draw

from keyturn.evidence import decide, forward, observe, renewed
from keyturn.evidence.causes import NONE, causes
from keyturn.evidence.result import NextTest

MOST_STEPS = 25  # tests and repairs, then a builder gives up
FIXED_ORDER = ("filter", "pump", "set point", "wiring")
BAND = 34.5e3  # [Pa] 5 psi: readings within this of the described ones are no complaint

Choose = Callable[[tuple[NextTest, ...], str, np.random.Generator], str]


def best(ranked: tuple[NextTest, ...], wanted: str, _: np.random.Generator) -> str:
    """The test that keyturn asks for."""
    return wanted


def cheapest(ranked: tuple[NextTest, ...], _: str, __: np.random.Generator) -> str:
    """The test that costs least, its danger included, among those that can tell anything."""
    telling = [row for row in ranked if row.bits > 0.0] or list(ranked)
    return min(telling, key=lambda row: row.saves - row.net).name


def at_random(ranked: tuple[NextTest, ...], _: str, rng: np.random.Generator) -> str:
    """Any test: the control that has to do worse."""
    return ranked[int(rng.integers(len(ranked)))].name


def reasoned(car: Car, bank: Bank, choose: Choose = best) -> Ledger:
    """Infer, then test, repair or stop as `decide.act` says; only the choice of test is open."""
    rows = {row.name: row for row in causes(car.model.build)}
    mind, luck = Mind(bank, car.rng), np.random.default_rng([car.seed, 2])
    for _ in range(MOST_STEPS):
        mind.read(car.readings)
        state, ranked = mind.judged(car.repaired, car.candidates())
        car.ledger.fell_back = mind.fell_back
        car.ledger.steps += 1
        act = decide.act(state, ranked)
        if act.kind == "test":
            name = choose(ranked, act.name, luck)
            row = next(row for row in ranked if row.name == name)
            car.test(row.after or name)
        elif act.kind == "repair":
            car.repair(rows[act.name])
        else:
            car.ledger.left = act.left
            return car.close("clear" if act.kind == "leave" else "asked")
    return car.close("gave up")


def scrambled(car: Car, bank: Bank) -> Ledger:
    """The same with the readings of another car: the control whose evidence says nothing."""
    other = draw(car.model, car.seed + 500_000, car.probe)
    other.opening = car.opening
    other.readings, other.shown = (), {}
    for name in other.opening:
        other.test(name, paid=False)
    rows = {row.name: row for row in causes(car.model.build)}
    mind = Mind(bank, car.rng)
    for _ in range(MOST_STEPS):
        mind.read(other.readings)
        state, ranked = mind.judged(car.repaired, other.candidates())
        act = decide.act(state, ranked)
        if act.kind == "test":
            row = next(row for row in ranked if row.name == act.name)
            for one in (car, other):
                one.test(row.after or act.name)
        elif act.kind == "repair":
            for one in (car, other):
                one.repair(rows[act.name])
        else:
            return car.close("clear" if act.kind == "leave" else "asked")
    return car.close("gave up")


def fixed_order(car: Car, bank: Bank) -> Ledger:
    """Parts in the usual order until the opening readings look right; then cheapest tests."""
    rows = {row.name: row for row in causes(car.model.build)}
    for name in FIXED_ORDER:
        if looks_right(car):
            return car.close("clear")
        if name in rows:
            car.repair(rows[name])
    if looks_right(car):
        return car.close("clear")
    return reasoned(car, bank, cheapest)


def looks_right(car: Car) -> bool:
    """Whether the last opening readings are within the band of the car as described."""
    last = car.readings[-len(car.opening) :]
    plan = observe.plan(car.model.build, last, car.model.car[2])
    base = forward.base(car.model.build, plan, car.model.car)
    unknowns = renewed.widened(car.model.unknowns, last)
    values = {row.name: row.healthy.value(np.zeros((1, 1))) for row in unknowns}
    expected = forward.predict(base, values)[0]
    return all(
        abs(row.value - value) <= BAND
        for row, value in zip(plan.observations, expected, strict=True)
    )


def oracle(car: Car, _: Bank) -> Ledger:
    """Knows the truth: the cheapest repairs that leave nothing that matters, and one retest."""
    if car.space.cause.name == NONE:
        return car.close("asked")
    rows = {row.name: row for row in causes(car.model.build)}
    chosen = car.needed()
    opening, car.opening = car.opening, ()
    for name in chosen:
        car.repair(rows[name])
    car.opening = opening
    car.retest()
    return car.close("clear")


POLICIES: dict[str, Callable[[Car, Bank], Ledger]] = {
    "keyturn": reasoned,
    "fixed order": fixed_order,
    "cheapest test first": lambda car, bank: reasoned(car, bank, cheapest),
    "oracle": oracle,
}
