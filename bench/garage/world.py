"""A car with a drawn truth: it is read, repaired, paid for, and judged at the end."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from keyturn.evidence import consequence, decide, forward, next_test, observe, renewed
from keyturn.evidence.causes import HEALTHY, NONE, Cause, Space, causes, possible
from keyturn.evidence.infer import Model
from keyturn.evidence.reading import Reading
from keyturn.evidence.simulate import read_value

FULL_LOAD = "pressure at full load"
OPENING = ("key-on pressure", "idle pressure")  # every builder has these


@dataclass
class Ledger:
    """What a case has cost."""

    money: float = 0.0
    hours: float = 0.0
    parts: int = 0
    needless: int = 0
    tests: int = 0
    dangerous: int = 0
    end: str = ""  # "clear", "asked" or "gave up"
    wrong: bool = False  # called clear with a fault that matters

    @property
    def total(self) -> float:
        return self.money + self.hours * decide.hour()


@dataclass
class Car:
    """One case. Nothing outside this file looks at ``space`` and ``whole`` except the oracle."""

    model: Model
    space: Space
    whole: np.ndarray  # (1, unknowns) deviates
    opening: tuple[str, ...]  # tests that were made before the case opens
    rng: np.random.Generator
    probe: consequence.Probe
    readings: tuple[Reading, ...] = ()
    repaired: tuple[str, ...] = ()
    ledger: Ledger = field(default_factory=Ledger)
    fresh: dict[str, np.ndarray] = field(default_factory=dict)

    @property
    def possible(self) -> set[str]:
        return possible(self.model.build)

    def candidates(self) -> list[next_test.Candidate]:
        return next_test.candidates(self.model, self.readings, self.possible, self.repaired)

    def test(self, name: str, *, paid: bool = True) -> None:
        """Carry out a test and note the reading."""
        item = next(item for item in self.candidates() if item.row["name"] == name)
        if paid:
            self.ledger.money += float(item.row["money"])
            self.ledger.hours += item.row["minutes"] / 60.0
            self.ledger.tests += 1
            self.ledger.dangerous += item.row["risk"] >= decide.tests()["risk"]["dangerous"]
        self.readings = (*self.readings, self._read(item.reading))

    def repair(self, cause: Cause) -> None:
        """Renew what one cause says, then repeat the readings that opened the case."""
        own = renewed.repairable()[cause.name]
        sick = self._broken()
        self.ledger.money += cause.money
        self.ledger.hours += cause.hours
        self.ledger.parts += 1
        self.ledger.needless += not any(name in sick for name in own)
        self.repaired = tuple(sorted({*self.repaired, cause.name}))
        for row in self.model.unknowns:
            if row.name in own:
                value = row.healthy.value(self.rng.standard_normal((1, 1)))
                self.fresh[row.name] = np.clip(value, row.low, row.high)
        self.retest()

    def retest(self) -> None:
        """The opening readings again."""
        for name in self.opening:
            if any(item.row["name"] == name for item in self.candidates()):
                self.test(name)

    def close(self, end: str) -> Ledger:
        """The case ends; a car called clear must have no fault that matters."""
        self.ledger.end = end
        self.ledger.wrong = end == "clear" and self.sick()
        if end == "clear" and not self.repaired:
            self._pay(HEALTHY)
        if end == "asked":
            self._pay(NONE)
        return self.ledger

    def sick(self, repaired: tuple[str, ...] | None = None) -> bool:
        """Whether a fault that matters is left, after these repairs."""
        if self.space.cause.name == NONE:
            return True
        done = self.repaired if repaired is None else repaired
        return bool(consequence.matters(self.probe, self.space, self.whole, done)[0])

    def _broken(self) -> set[str]:
        mended = {name for cause in self.repaired for name in renewed.repairable()[cause]}
        masks = consequence.broken(self.space, self.whole)
        return {name for name, mask in masks.items() if mask[0, 0] and name not in mended}

    def _pay(self, name: str) -> None:
        cause = next(row for row in causes(self.model.build) if row.name == name)
        self.ledger.money += cause.money
        self.ledger.hours += cause.hours

    def _read(self, wanted: Reading) -> Reading:
        """What the instrument shows of the true car."""
        values = self.space.all_values(self.whole) | self.fresh
        lent = renewed.split(wanted.conditions.lent)
        for row in self.model.unknowns:
            if any(row.name in renewed.repairable()[cause] for cause in lent):
                values[row.name] = row.healthy.value(self.rng.standard_normal((1, 1)))
        plain = replace(wanted, conditions=replace(wanted.conditions, renewed=None, lent=None))
        plan = observe.plan(self.model.build, (plain,), self.model.car[2])
        base = forward.base(self.model.build, plan, self.model.car)
        value = float(np.nan_to_num(forward.predict(base, values)[0, -1]))
        none = self.space.cause.name == NONE
        shown = read_value(plan.observations[-1], value, self.rng, broken=none)
        return replace(wanted, value=shown)


def draw(model: Model, seed: int) -> Car:
    """A case from the priors; every second one comes with a reading at full load."""
    rng = np.random.default_rng(seed)
    rows = causes(model.build)
    cause = rows[int(rng.choice(len(rows), p=np.array([row.prior for row in rows])))]
    space = Space(cause, model.unknowns, tuple(range(len(model.unknowns))))
    opening = (*OPENING, FULL_LOAD) if rng.random() < 0.5 else OPENING
    whole = space.draw(1, rng)
    car = Car(model, space, whole, opening, rng, consequence.probe(model))
    for name in opening:
        car.test(name, paid=False)
    return car
