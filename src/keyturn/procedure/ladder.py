"""The load ladder: its steps, what was driven, and which step may be next."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np

from keyturn.build.schema import read_data
from keyturn.errors import Place, ValueRefused
from keyturn.procedure.open_items import Item
from keyturn.system.circuit import FloatArray
from keyturn.system.result import Band

HIGHEST = "-most"  # behind the name of a measure: its abort number on the other side
AT_LEAST = 0.95  # chance that the limits of a step hold; a builder may ask for more, not for less


RESTS_ON = ("fuel-parts", "fuel-wiring", "boost", "belt", "charge-coolant")


@dataclass(frozen=True)
class Measure:
    """One thing that is written down at a step, with its numbers; SI."""

    name: str
    words: str
    quantity: str  # empty: yes or no
    kind: str  # of the reading that it is too, or empty
    sense: str  # the bad side: "high" or "low"
    look: float
    abort: float
    since: str  # first step at which the model is held to it; empty: never
    tells: str  # what to measure when the model cannot tell
    source: str
    least: float = math.nan  # below it nothing is believed: the sensor is looked at first
    most: float = math.nan  # the same above it


@dataclass(frozen=True)
class Rung:
    """One step; see the head of data/ladder.toml."""

    name: str
    words: str
    mode: str
    seconds: float
    record: tuple[str, ...]
    source: str
    speeds: tuple[float, ...] = ()  # shares of the redline
    share: float = 0.0
    gauge: float = 0.0  # [Pa]
    passed: tuple[str, ...] = ()
    before: str = ""
    only: tuple[str, ...] = ()

    @property
    def loaded(self) -> bool:
        """Whether it waits for every hold point before load."""
        return self.before == "load"


@dataclass(frozen=True)
class Climb:
    """A step that was driven."""

    at: int
    step: str
    recorded: float  # [s] since 1970
    clean: bool
    values: Mapping[str, float]
    why: str = ""  # why it was not clean
    note: str = ""
    car: Mapping[str, object] | None = None  # as it was built then; None: not kept


@dataclass(frozen=True)
class Chance:
    """One limit of a step as the model sees it."""

    measure: Measure
    band: Band  # of its worst point over the step
    holds: float  # chance


@dataclass(frozen=True)
class Opening:
    """Whether a step may be driven, with its bands and its abort numbers."""

    rung: Rung
    open: bool
    holds: float  # chance that every limit holds
    at_least: float
    chances: tuple[Chance, ...]
    why: tuple[str, ...]  # what is missing or what to change; empty when it is open


@dataclass(frozen=True)
class Ladder:
    """The ladder of one car as it stands."""

    name: str
    invented: bool
    rungs: tuple[Rung, ...]
    climbs: tuple[Climb, ...]
    level: int  # steps that count
    at_least: float
    openings: tuple[Opening, ...]  # one for each step
    bands: tuple[tuple[Band, Band], ...]  # rail pressure [Pa] and lambda, over each step
    bounds: tuple[Mapping[str, float], ...]  # abort numbers, for each step, SI
    caps: tuple[tuple[float, float], ...]  # engine speed [1/s], manifold above ambient [Pa]
    unexplained: float  # chance that no known cause fits the readings
    readings: int
    overridden: tuple[str, ...]

    @property
    def next(self) -> Opening | None:
        """The step that comes next; None at the top."""
        return self.openings[self.level] if self.level < len(self.rungs) else None


@cache
def measures() -> Mapping[str, Measure]:
    """Everything that is written down at a step, by name."""
    return {row["name"]: _measure(row) for row in read_data("ladder.toml")["field"]}


def _measure(row: Mapping[str, Any]) -> Measure:
    return Measure(
        name=row["name"], words=row["words"], quantity=row["quantity"], kind=row.get("kind", ""),
        sense=row["sense"], look=float(row.get("look", math.nan)),
        abort=float(row.get("abort", math.nan)), since=row["from"], tells=row["tells"],
        source=row["source"], least=float(row.get("least", math.nan)),
        most=float(row.get("most", math.nan)),
    )  # fmt: skip


@cache
def _rungs() -> tuple[Rung, ...]:
    return tuple(_rung(row) for row in read_data("ladder.toml")["rung"])


def _rung(row: Mapping[str, Any]) -> Rung:
    lists = ("record", "speeds", "passed", "only")
    said: dict[str, Any] = {**row, **{key: tuple(row.get(key, ())) for key in lists}}
    return Rung(**said)


def past(step: str, values: Mapping[str, float], bounds: Mapping[str, float]) -> str:
    """`clean` by the name of a step of any car; a name that is none is not clean."""
    row = next((row for row in _rungs() if row.name == step), None)
    return clean(row, values, bounds) if row is not None else "no such step"


def rungs(owned: frozenset[str]) -> tuple[Rung, ...]:
    """The steps of a car that has ``owned``, lowest first."""
    return tuple(row for row in _rungs() if set(row.only) <= owned)


def climbed(rows: Sequence[Rung], driven: Sequence[Climb], since: int = 0) -> int:
    """How many steps count: driven clean, one after the other.

    A step that was not clean takes itself and all above it away. Steps under load count only when
    they were driven after entry ``since``, the last time that something they rest on was opened.
    """
    names = [row.name for row in rows]
    level = 0
    for climb in driven:
        if climb.step not in names:
            continue
        number = names.index(climb.step)
        if not climb.clean:
            level = min(level, number)
        elif number == level and (climb.at > since or not rows[number].loaded):
            level += 1
    return level


def last_opened(items: Iterable[Item]) -> int:
    """The last entry that opened what the steps under load rest on: they are driven anew."""
    return max((item.at for item in items if item.area in RESTS_ON), default=0)


def asked_chance(wanted: float | None) -> float:
    """The chance that is asked for: never less than the house asks."""
    if wanted is None:
        return AT_LEAST
    if not AT_LEAST <= wanted < 1.0:
        raise ValueRefused(
            "this limit moves upwards only", Place(key="at-least"), f"{wanted:g}",
            f"{AT_LEAST:g} or more and less than 1",
        )  # fmt: skip
    return wanted


def clean(rung: Rung, values: Mapping[str, float], bounds: Mapping[str, float]) -> str:
    """Why a record of a step is not clean; empty when it is.

    ``bounds`` are the abort numbers that were stated beforehand, in the terms of what is typed.
    """
    for name in rung.record:
        row, value = measures()[name], values.get(name)
        if value is None or not math.isfinite(value):
            return f"not recorded: {row.words}"
        if not row.quantity:
            if value != 1.0:
                return f"not so: {row.words}"
            continue
        bound = bounds.get(name)
        if bound is None or not math.isfinite(bound):
            return f"no abort number was stated for: {row.words}"
        low = row.sense == "low" or name == "rail-pressure"
        if (value < bound) if low else (value > bound):
            return f"past its abort number: {row.words}"
        if value > bounds.get(f"{name}{HIGHEST}", math.inf):
            return f"above all that is expected, the regulator does not hold it: {row.words}"
        if value < row.least or value > row.most:
            return f"not believable, look at the sensor and its wires: {row.words}"
    return ""


def judged(rung: Rung, rows: Sequence[Rung], worst: Mapping[str, FloatArray],
           weight: FloatArray) -> tuple[tuple[Chance, ...], float]:  # fmt: skip
    """Every limit that the model is held to at a step, and the chance that all of them hold.

    ``worst`` is the worst point of the step for each sample, ``weight`` adds up to one.
    """
    order = [row.name for row in rows]
    good = np.ones(weight.size, dtype=bool)
    found = []
    for name, row in measures().items():
        known = name in worst and row.since in order
        if not known or order.index(rung.name) < order.index(row.since):
            continue
        values = worst[name]
        holds = inside(row, values)
        good &= holds
        found.append(Chance(row, _band(values, weight), float(weight[holds].sum())))
    return tuple(found), float(weight[good].sum())


def inside(row: Measure, values: FloatArray, limit: str = "abort") -> Any:
    """Which values are on the good side of a limit; what is not a number is not."""
    bound = row.abort if limit == "abort" else row.look
    with np.errstate(invalid="ignore"):
        return values >= bound if row.sense == "low" else values <= bound


def _band(values: FloatArray, weight: FloatArray) -> Band:
    order = np.argsort(values)
    total = np.cumsum(weight[order])
    at = np.minimum(np.searchsorted(total, (0.05, 0.5, 0.95)), values.size - 1)
    low, middle, high = values[order][at]
    return Band(float(low), float(middle), float(high))


def opening(
    rung: Rung,
    judgement: tuple[tuple[Chance, ...], float],
    unexplained: float,
    at_least: float,
    barred: Sequence[str] = (),
    reached: bool = True,
) -> Opening:
    """Whether a step is open.

    ``unexplained`` is the chance that no known cause fits the readings: the model is then no
    witness, and it counts as not holding. ``barred`` are hold points and open items in the way.
    """
    chances, joint = judgement
    holds = joint * (1.0 - unexplained)
    why = list(barred)
    if not reached:
        why.append("the step before it is not recorded clean")
    if holds < at_least:
        why += [_missing(row, at_least) for row in chances if row.holds < at_least]
        if unexplained > 1.0 - at_least:
            why.append("the readings fit no cause that is known: find out before you load it")
        if len(why) == len(barred) + (not reached):
            why.append("each limit holds by itself, but not all of them together often enough")
    return Opening(rung, not why, holds, at_least, chances, tuple(why))


def _missing(row: Chance, at_least: float) -> str:
    """What to change when the limit is likely broken, what to measure when nobody knows."""
    share = f"{row.holds:.0%}"
    if row.holds < 0.5:
        return f"change something first: {row.measure.words} would hold with {share} only"
    return (
        f"not known well enough: {row.measure.words} holds with {share}, {at_least:.0%} is asked; "
        f"measure {row.measure.tells}"
    )
