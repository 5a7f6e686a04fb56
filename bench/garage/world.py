"""A car with a drawn truth: it is read, repaired, paid for, and judged at the end."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from itertools import combinations
from zlib import crc32

import numpy as np

from keyturn.evidence import consequence, decide, forward, next_test, observe, renewed
from keyturn.evidence.causes import HEALTHY, NONE, Cause, Space, causes, possible
from keyturn.evidence.infer import Model
from keyturn.evidence.reading import Reading
from keyturn.evidence.simulate import read_value
from keyturn.evidence.unknowns import Unknown

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
    steps: int = 0  # times that the causes were weighed
    fell_back: int = 0  # times that `infer` had to
    end: str = ""  # "clear", "asked" or "gave up"
    left: float = float("nan")  # chance then of a fault that matters, for ways that know it
    wrong: bool = False  # called clear with a fault that matters

    @property
    def total(self) -> float:
        return self.money + self.hours * decide.hour()


@dataclass
class Car:
    """One case. Nothing outside this file looks at ``space`` and ``whole`` except the oracle.

    A test of a car with the same parts renewed gives the same reading whoever makes it, and a new
    part is the same part: the ways to go on differ in what they do, not in their luck.
    """

    model: Model
    space: Space
    whole: np.ndarray  # (1, unknowns) deviates
    opening: tuple[str, ...]  # tests that were made before the case opens
    seed: int
    probe: consequence.Probe
    shown: dict[tuple[str, tuple[str, ...], int], float]  # what a test showed, shared by all ways
    readings: tuple[Reading, ...] = ()
    repaired: tuple[str, ...] = ()
    made: tuple[tuple[str, tuple[str, ...]], ...] = ()  # tests, and what was renewed then
    ledger: Ledger = field(default_factory=Ledger)

    @property
    def rng(self) -> np.random.Generator:
        """Luck of the one who decides, the same for every way."""
        return np.random.default_rng([self.seed, 1])

    def again(self) -> Car:
        """The same car as it came."""
        return replace(
            self,
            readings=self.readings[: len(self.opening)],
            repaired=(),
            made=(),
            ledger=Ledger(),
        )

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
        value = self.would_show(item)
        self.made = (*self.made, (name, self.repaired))
        self.readings = (*self.readings, replace(item.reading, value=value))

    def would_show(self, item: next_test.Candidate) -> float:
        """What a test of the car as it stands shows; made again, it may show something else."""
        name = str(item.row["name"])
        times = sum(next_test.key(item.reading) == next_test.key(row) for row in self.readings)
        known = (name, self.repaired, times)
        if known not in self.shown:
            self.shown[known] = self._read(name, item.reading, times)
        return self.shown[known]

    def repair(self, cause: Cause) -> None:
        """Renew what one cause says, then repeat the readings that opened the case."""
        own = renewed.repairable()[cause.name]
        sick = self._broken()
        self.ledger.money += cause.money
        self.ledger.hours += cause.hours
        self.ledger.parts += 1
        self.ledger.needless += not any(name in sick for name in own)
        self.repaired = tuple(sorted({*self.repaired, cause.name}))
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
        if end == "asked":  # who sees the car finds what is left, and that is repaired as well
            self._pay(NONE)
            for name in self.needed():
                self._pay(name)
        return self.ledger

    def sick(self, repaired: tuple[str, ...] | None = None) -> bool:
        """Whether a fault that matters is left, after these repairs."""
        if self.space.cause.name == NONE:
            return True
        done = self.repaired if repaired is None else repaired
        return bool(consequence.matters(self.probe, self.space, self.whole, done)[0])

    def needed(self) -> tuple[str, ...]:
        """The cheapest repairs that leave nothing that matters; none where no repair is known."""
        if self.space.cause.name == NONE or not self.sick():
            return ()
        rows = {row.name: row for row in causes(self.model.build)}
        sick = self._broken()
        things = [
            name
            for name, own in renewed.repairable().items()
            if name in rows and any(unknown in sick for unknown in own)
        ]
        ways = [some for size in range(len(things) + 1) for some in combinations(things, size)]
        enough = [some for some in ways if not self.sick((*self.repaired, *some))]
        return min(enough, key=lambda some: sum(decide.price(rows[name]) for name in some))

    def _broken(self) -> set[str]:
        mended = {name for cause in self.repaired for name in renewed.repairable()[cause]}
        masks = consequence.broken(self.space, self.whole)
        return {name for name, mask in masks.items() if mask[0, 0] and name not in mended}

    def _pay(self, name: str) -> None:
        cause = next(row for row in causes(self.model.build) if row.name == name)
        self.ledger.money += cause.money
        self.ledger.hours += cause.hours

    def _read(self, name: str, wanted: Reading, times: int) -> float:
        """What the instrument shows of the true car."""
        values = self.space.all_values(self.whole)
        said = wanted.conditions
        for row in self.model.unknowns:
            for why, parts in (("new", said.renewed), ("lent", said.lent)):
                if any(row.name in renewed.repairable()[one] for one in renewed.split(parts)):
                    values[row.name] = self._sound(row, why)
        plain = replace(wanted, conditions=replace(said, renewed=None, lent=None))
        plan = observe.plan(self.model.build, (plain,), self.model.car[2])
        base = forward.base(self.model.build, plan, self.model.car)
        value = float(np.nan_to_num(forward.predict(base, values)[0, -1]))
        # the model's error of some kinds is a share of what is read: planned again, it is known
        plan = observe.plan(self.model.build, (replace(plain, value=value),), self.model.car[2])
        none = self.space.cause.name == NONE
        luck = self._luck("reading", name, str(times), *self.repaired)
        return read_value(plan.observations[-1], value, luck, broken=none)

    def _sound(self, row: Unknown, why: str) -> np.ndarray:
        """A new part, or a lent one: as described, within its spread."""
        value = row.healthy.value(self._luck(why, row.name).standard_normal((1, 1)))
        return np.clip(value, row.low, row.high)

    def _luck(self, *names: str) -> np.random.Generator:
        """Chance that belongs to one thing of this case."""
        return np.random.default_rng([self.seed, crc32("|".join(names).encode())])


def draw(model: Model, seed: int, probe: consequence.Probe) -> Car:
    """A case from the priors; every second one comes with a reading at full load."""
    rng = np.random.default_rng(seed)
    rows = causes(model.build)
    cause = rows[int(rng.choice(len(rows), p=np.array([row.prior for row in rows])))]
    space = Space(cause, model.unknowns, tuple(range(len(model.unknowns))))
    opening = (*OPENING, FULL_LOAD) if rng.random() < 0.5 else OPENING
    whole = space.draw(1, rng)
    car = Car(model, space, whole, opening, seed, probe, {})
    for name in opening:
        car.test(name, paid=False)
    return car
