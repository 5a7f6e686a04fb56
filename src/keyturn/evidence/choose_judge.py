"""One set of purchases against the samples of the car: does every part of the full-load line hold?

Everything that a worker needs is in `Task`, sent by value, so that any executor can do it.
"""

from __future__ import annotations

import copy
import zlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from keyturn.build.assemble import assemble
from keyturn.build.model import Build, Value
from keyturn.build.paste import set_key
from keyturn.build.values import Context
from keyturn.errors import BuildError, BuildErrors, CannotSolve, DomainError, Place
from keyturn.evidence.after import Learnt, put_in
from keyturn.evidence.choose_sets import CORRECT_KEY
from keyturn.evidence.pooled import Values
from keyturn.system import headroom, operating, parts, verdict
from keyturn.system.circuit import FloatArray
from keyturn.system.draws import AIR_DRAWN, BELT_SLIP, TANK_LEAK, Draws
from keyturn.system.solution import CircuitSolution
from keyturn.system.solve import solve

COARSE = 6  # speeds of the first look; fewer points can only make a set look better
MOST_AIRS = 64  # full-load lines kept: a megabyte each, and sets that share one come together
GAUGE = 0.02  # spread of the pressure that a builder corrects the calibration to [-]
JUDGED_STATES = ("key-on", "idle")
# decide the line; the belt because it may slip
AIR = ("site", "engine", "blower", "boost", "cooler", "fuel", "mixture", "belt")


@dataclass(frozen=True)
class Task:
    """Some sets of one build; plain data throughout."""

    document: Mapping[str, Any]  # tables of the build file, without its options
    file: str
    changes: tuple[Mapping[str, Any], ...]  # of every option
    sets: tuple[tuple[int, ...], ...]
    samples: int
    seed: int
    power: float | None  # [W]
    learnt: tuple[str, ...]  # unknowns that the readings have pinned
    posterior: Values | None  # rows (samples + 1, 1) of every unknown, None: as described
    exact: bool  # all speeds, and the verdict's word


@dataclass(frozen=True)
class Judged:
    """What one set does. ``p`` is the share of samples in which all that is asked for is true."""

    p: float
    p_holds: float
    p_power: float  # NaN when no power was asked for
    word: str = ""
    limiting: str = ""
    fault: str = ""  # why it could not be judged; then p is zero


class Keyed(Learnt):
    """Draws in which a key has the same deviates in every variant of the build.

    Two variants then differ by what was changed and not by the luck of the draw (common random
    numbers). What the readings have taught replaces what was typed, except of changed parts.
    """

    def __init__(self, samples: int, seed: int, store: dict[str, FloatArray]) -> None:
        # values are drawn when they are asked for: most variants share all but a few
        self.samples = samples
        self._seed = seed
        self._store = store
        self.values = {}
        self.scales = {}
        self.known = []
        self.deviation = np.zeros((samples + 1, 0))

    def deviate(self, key: str) -> FloatArray:
        """Standard normal deviates of a key (samples + 1, 1), stratified, the first zero."""
        found = self._store.get(key)
        if found is None:
            rng = np.random.default_rng((self._seed, zlib.crc32(key.encode("utf-8", "replace"))))
            strata = (rng.permutation(self.samples) + rng.random(self.samples)) / self.samples
            found = np.concatenate([[0.0], ndtri(strata)])[:, None]
            self._store[key] = found
        return found

    def of(self, value: Value) -> FloatArray:
        """Samples of one value [its SI unit], shape (samples + 1, 1)."""
        if value.spread == 0.0 and value.key not in self.values:
            return np.full((self.samples + 1, 1), value.si)
        return super().of(value)


def judge_sets(task: Task) -> list[Judged]:
    """Judge the sets of a task, in their order."""
    return Judge(task).sets(task.sets)


@dataclass(frozen=True)
class _Air:
    """What is the same for all variants that share engine, air and fuel."""

    build: Build
    liquid: parts.Fluid
    line: operating.Line
    judged: operating.Line  # at the speeds that are judged
    states: tuple[operating.NamedState, ...]


class Judge:
    """Judges sets of one task and keeps what they share."""

    def __init__(self, task: Task) -> None:
        self.task = task
        self.store: dict[str, FloatArray] = {}
        self.airs: dict[tuple[object, ...], _Air] = {}
        self.base = self._assembled({})
        self.last: tuple[tuple[int, ...], headroom.Loads] | None = None
        self.single: dict[int, dict[str, Any]] = {}

    def sets(self, sets: Sequence[tuple[int, ...]]) -> list[Judged]:
        """Judge some sets, in their order."""
        return [self.one(members) for members in sets]

    def one(self, members: tuple[int, ...]) -> Judged:
        task = self.task
        changed: dict[str, Any] = {}
        for member in members:
            changed |= task.changes[member]
        try:
            build = self._assembled(changed) if task.exact else self._composed(members, changed)
            return self._judged(build, members, changed)
        except BuildErrors as group:
            return _not_judged(group.faults[0].problem)
        except BuildError as fault:
            return _not_judged(fault.problem)
        except (CannotSolve, DomainError) as fault:
            return _not_judged(str(fault))

    def _assembled(self, changed: Mapping[str, Any]) -> Build:
        document: Any = copy.deepcopy(dict(self.task.document)) if changed else self.task.document
        for key, new in changed.items():
            if new is not None:
                set_key(document, key, copy.deepcopy(new), Place(self.task.file, None, key))
        context = Context(self.task.file, {})
        built = assemble(document, context)
        if built is None:
            raise BuildErrors(context.errors)
        return built

    def _composed(self, members: tuple[int, ...], changed: Mapping[str, Any]) -> Build:
        """The variant from the tables that each option changes; anew where they share a table."""
        update: dict[str, Any] = {}
        for member in members:
            if member not in self.single:
                self.single[member] = self._difference(self.task.changes[member])
            mine = self.single[member]
            if update.keys() & mine.keys():
                return self._assembled(changed)
            update |= mine
        return self.base.model_copy(update=update)

    def _difference(self, changed: Mapping[str, Any]) -> dict[str, Any]:
        """Fields of the build that one option changes."""
        build = self._assembled(changed)
        names = set(type(build).model_fields) - {"flags", "missing", "options"}
        return {
            name: getattr(build, name)
            for name in sorted(names)
            if getattr(build, name) != getattr(self.base, name)
        }

    def _judged(self, build: Build, members: tuple[int, ...], changed: Mapping[str, Any]) -> Judged:
        task = self.task
        draws = Keyed(task.samples, task.seed, self.store)
        if task.posterior is not None:
            values, scales = put_in(build, task.posterior, self.base)
            renewed = renewed_by(changed) + mended_by(changed, self.base)
            draws.values = {k: v for k, v in values.items() if not k.startswith(renewed)}
            draws.scales = {k: v for k, v in scales.items() if not k.startswith(renewed)}
        air = self._air(build, draws, changed)
        correct = CORRECT_KEY in changed and changed[CORRECT_KEY] is None
        others = tuple(n for n in members if None not in task.changes[n].values())
        if correct and self.last is not None and self.last[0] == others:
            loads = self.last[1]
        else:
            loads = _loads(build, draws, air)
            self.last = (others, loads)
        if correct:
            loads = _loads(_corrected(build, draws, loads), draws, air)
        build = loads.build
        needs = headroom.needs(loads)
        holds = np.ones(task.samples, dtype=bool)
        for need in needs:
            ratio = np.broadcast_to(need.ratio, (task.samples + 1, need.engine_speed.size))
            holds &= np.all(ratio[1:] >= 1.0, axis=1)
        p_power, wanted = float("nan"), holds
        if task.power is not None:
            reached = air.line.power[1:].max(axis=1) >= task.power
            p_power, wanted = float(reached.mean()), holds & reached
        word, limiting = "", ""
        if task.exact:
            draws.tell(build, task.learnt)
            worst = verdict.worst(tuple(verdict.judge(need, draws) for need in needs))
            word, limiting = worst.verdict, worst.part
        return Judged(float(wanted.mean()), float(holds.mean()), p_power, word, limiting)

    def _air(self, build: Build, draws: Keyed, changed: Mapping[str, Any]) -> _Air:
        """The full-load line, once for all variants that share engine, air and fuel."""
        renewed = tuple(sorted(key for key in changed if key.split(".")[0] in AIR))
        key = (*(id(getattr(build, name)) for name in AIR), renewed)
        if key in self.airs and not self.task.exact:
            return self.airs[key]
        liquid = parts.fluid(build, draws)
        line = operating.full_load(build, draws, liquid)
        states = operating.states(build, line)
        states = tuple(row for row in states if row.name in JUDGED_STATES)
        thin = line if self.task.exact else _thinned(line)
        # the build is kept so that no other can take the place of its parts in memory
        found = _Air(build, liquid, line, thin, states)
        if not self.task.exact:
            if len(self.airs) >= MOST_AIRS:
                self.airs.clear()
            self.airs[key] = found
        return found


def renewed_by(changed: Mapping[str, Any]) -> tuple[str, ...]:
    """Key prefixes of parts that are new, so that readings of the old ones say nothing of them."""
    found = {"\0"}
    for key in changed:
        pieces = key.split(".")
        if pieces[0] == "pump" and pieces[1:2] and pieces[1] in ("flow", "age"):
            found.add("pump.")
        elif pieces[0] in ("feed", "return"):
            found.add(".".join([*pieces[:2], ""]))
        else:
            found.add(key)
    return tuple(found)


def mended_by(changed: Mapping[str, Any], build: Build) -> tuple[str, ...]:
    """Faults of `Draws` that new parts take with them.

    A leak in the tank goes with the hose right behind the pump and not with the pump; air at the
    inlet with any part before the pump; a slipping belt with what the option says of the belt.
    """
    hose = [part for part in build.feed[:1] if part.kind in ("hose", "tube")]
    places = {
        TANK_LEAK: tuple(f"{part.key}." for part in hose),
        AIR_DRAWN: tuple(f"{part.key}." for part in build.suction),
        BELT_SLIP: ("belt.",),
    }
    return tuple(
        name
        for name, starts in places.items()
        if any(f"{key}.".startswith(starts) for key in changed)
    )


def _not_judged(why: str) -> Judged:
    return Judged(0.0, 0.0, float("nan"), fault=why)


def _loads(build: Build, draws: Draws, air: _Air) -> headroom.Loads:
    """As `check` loads the car, with only the states that are judged, all solved at once."""
    quiet = operating.states_duty(build, draws, air.liquid, air.line, air.states)
    full = operating.full_load_duty(build, draws, air.judged)
    shape = air.judged.fuel_demand.shape
    both = _beside(full, shape, quiet, (shape[0], len(air.states)))
    whole = parts.circuit(build, draws, air.liquid, both)
    solved = solve(whole)
    columns = shape[1] + len(air.states)

    def first(values: FloatArray) -> FloatArray:
        return values[:, : shape[1]] if values.shape[1:] == (columns,) else values

    def last(values: FloatArray) -> FloatArray:
        return values[:, shape[1] :] if values.shape[1:] == (columns,) else values

    return headroom.Loads(
        build=build,
        draws=draws,
        liquid=air.liquid,
        line=air.judged,
        full=full,
        circuit=whole.map(first),
        solution=_cut(solved, first),
        idle=_cut(solved, last),
        states=air.states,
        states_duty=quiet,
    )


def _beside(
    one: parts.Duty, one_shape: tuple[int, ...], other: parts.Duty, other_shape: tuple[int, ...]
) -> parts.Duty:
    """The working points of two duties in one."""
    return parts.Duty(
        *(
            np.hstack(
                [
                    np.broadcast_to(getattr(one, item.name), one_shape),
                    np.broadcast_to(getattr(other, item.name), other_shape),
                ]
            )
            for item in fields(one)
        )
    )


def _cut(solved: CircuitSolution, change: Callable[[FloatArray], FloatArray]) -> CircuitSolution:
    parted: dict[str, Any] = {
        item.name: change(getattr(solved, item.name)) for item in fields(solved)
    }
    return replace(solved, **parted)


def _spread_out(count: int) -> NDArray[np.intp]:
    """The columns of the first look among ``count``."""
    return np.linspace(0, count - 1, COARSE).round().astype(np.intp)


def _thinned(line: operating.Line) -> operating.Line:
    shape = line.fuel_demand.shape
    columns = _spread_out(shape[1])

    def thin(values: FloatArray) -> FloatArray:
        return np.broadcast_to(values, shape)[:, columns]

    air = {item.name: thin(getattr(line.air, item.name)) for item in fields(line.air)}
    return replace(
        line,
        engine_speed=line.engine_speed[columns],
        air=replace(line.air, **air),
        fuel_demand=thin(line.fuel_demand),
        wanted_lambda=thin(line.wanted_lambda),
        power=thin(line.power),
    )


def _corrected(build: Build, draws: Keyed, loads: headroom.Loads) -> Build:
    """The control unit told the pressure that this car has, read with a gauge, and its injectors.

    Each sample is corrected to its own pressure: that is what a builder reads.
    """
    control, part = build.control, build.injectors
    # at the speeds of the first look in both looks, so that both correct to the same pressure
    seen = loads.solution.across_injector[:, _spread_out(loads.speed.size)]
    across = np.maximum(np.median(seen, axis=1, keepdims=True), 1.0e3)
    error = np.exp(GAUGE * draws.deviate("correction of the calibration"))
    draws.values[control.calibrated_pressure.key] = across * error
    nominal = float(across[0, 0])
    flow = part.flow.si * float(np.sqrt(nominal / part.at.si))
    pressure = control.calibrated_pressure.model_copy(update={"si": nominal, "grade": "measured"})
    given = control.calibrated_flow.model_copy(update={"si": flow, "grade": "measured"})
    told = {"calibrated_pressure": pressure, "calibrated_flow": given}
    return build.model_copy(update={"control": control.model_copy(update=told)})
