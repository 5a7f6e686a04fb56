"""Every verdict of `check` again, with what the readings have taught in place of what was typed."""

from __future__ import annotations

from collections.abc import Collection

import numpy as np

from keyturn.build.model import Build, Curve, Part, Value
from keyturn.evidence.forward import air_share, pressure_factor, tank_leak
from keyturn.evidence.pooled import Values
from keyturn.evidence.result import PartVerdict, Verdict
from keyturn.evidence.unknowns import split_feed
from keyturn.system import headroom, parts, verdict
from keyturn.system.check import load_up, sentence
from keyturn.system.circuit import FloatArray
from keyturn.system.draws import AIR_DRAWN, BELT_SLIP, CHARGE_LEAK, TANK_LEAK, Draws

# unknowns of `find` that stand for keys of the build file
UNKNOWNS = ("pump", "set", "wiring", "filter", "line", "strainer", "return")
LEARNT = 0.5  # a spread cut below this share makes a value "measured"


class Learnt(Draws):
    """Draws of a build in which some values come from readings instead of from what was typed."""

    def __init__(
        self,
        build: Build,
        samples: int,
        rng: np.random.Generator,
        values: dict[str, FloatArray],
        scales: dict[str, FloatArray],
        learnt: Collection[str] = (),
    ) -> None:
        super().__init__(build, samples, rng)
        self.values = values
        self.scales = scales
        self.tell(build, learnt)

    def of(self, value: Value) -> FloatArray:
        """Samples of one value [its SI unit], shape (samples + 1, 1)."""
        found = self.values.get(value.key)
        return super().of(value) if found is None else found

    def scale(self, curve: Curve) -> FloatArray:
        """Samples of the common factor of a curve [-], shape (samples + 1, 1)."""
        found = self.scales.get(curve.key)
        return super().scale(curve) if found is None else found

    def fault(self, name: str) -> FloatArray | None:
        """Samples of a fault that no key states, shape (samples + 1, 1)."""
        return self.values.get(name)

    def tell(self, build: Build, learnt: Collection[str]) -> None:
        """Fill in what the verdict's rules ask about the origin of the spread.

        Where the readings speak of a value, its spread is that of the samples: against deviates
        that were never used, a guess would explain nothing and pass for a certainty. One unknown
        may stand for several keys: it has the worst grade of them, or is as good as measured when
        the readings have pinned it.
        """
        samples = self.values | self.scales
        grades = _grades(build, learnt)
        known: list[Value | Curve] = []
        columns = [np.zeros((self.samples + 1, 0))]
        for key, item in {item.key: item for item in build.known()}.items():
            drawn = samples.get(key)
            if drawn is None:
                if item.spread > 0.0:
                    known.append(item)
                    columns.append(self.deviate(key))
                continue
            centre, width = float(drawn[1:].mean()), float(drawn[1:].std())
            if width > 1e-9 * abs(centre):
                known.append(item.model_copy(update={"grade": grades.get(key, item.grade)}))
                columns.append((drawn - centre) / width)
        self.set_known(known, np.hstack(columns))


def _grades(build: Build, learnt: Collection[str]) -> dict[str, str]:
    """Grade by key of what the unknowns of `find` stand for."""
    known = {item.key: item for item in build.known()}
    found: dict[str, str] = {}
    for name in UNKNOWNS:
        keys = learnt_keys(build, {name}) & known.keys()
        weak = [known[key].grade for key in sorted(keys) if known[key].grade in verdict.WEAK]
        for key in keys:
            found[key] = "measured" if name in learnt else (weak or [known[key].grade])[0]
    return found


def verdict_of(build: Build, draws: Draws) -> Verdict:
    """The word for every part, and for the car."""
    rows = tuple(verdict.judge(need, draws) for need in headroom.needs(load_up(build, draws)))
    limiting = verdict.worst(rows)
    return Verdict(
        limiting.verdict,
        sentence(limiting),
        tuple(PartVerdict(row.part, row.verdict, row.p_holds) for row in rows),
    )


def before(build: Build, samples: int, rng: np.random.Generator) -> Verdict:
    """As `check` says it without any reading."""
    return verdict_of(build, Draws(build, samples, rng))


def after(
    build: Build, posterior: Values, prior: Values, samples: int, rng: np.random.Generator
) -> Verdict:
    """The same with the unknowns of ``posterior``, ``samples`` rows of it."""
    chosen = rng.integers(posterior["set"].shape[0], size=samples)
    rows = {
        name: np.vstack([np.median(value, keepdims=True), value[chosen]])
        for name, value in posterior.items()
    }
    values, scales = put_in(build, rows)
    learnt = {
        name
        for name, value in posterior.items()
        if float(np.std(value)) < LEARNT * float(np.std(prior[name]))
    }
    return verdict_of(build, Learnt(build, samples, rng, values, scales, learnt))


def put_in(
    build: Build, rows: Values, read_on: Build | None = None
) -> tuple[dict[str, FloatArray], dict[str, FloatArray]]:
    """Values and curve factors by key of the build file, and faults by their names in `Draws`.

    ``read_on`` is the car that the readings are from, when ``build`` is a variant of it: a leak
    in the tank is as large as it was there whatever pump feeds it.
    """
    pump, wiring, regulator = build.pump, build.wiring, build.regulator
    one = np.ones_like(rows["pump"])
    read = read_on or build
    stated = parts.pump_arrays(read, Draws(read, 0, np.random.default_rng(0)))
    values: dict[str, FloatArray] = {
        pump.age.key: pump.age.si * rows["pump"],
        pump.pressure_scale.key: pump.pressure_scale.si * pressure_factor(rows),
        regulator.set.key: np.maximum(regulator.set.si + rows["set"], 1.0e3),
        regulator.ratio.key: regulator.ratio.si * rows["reference"],
        wiring.contacts.key: np.maximum(wiring.contacts.si + rows["wiring"], 1.0e-4),
        TANK_LEAK: tank_leak(stated, rows),
        AIR_DRAWN: air_share(build, rows),
        BELT_SLIP: rows["belt_slip"],
        CHARGE_LEAK: rows["charge_leak"],
    }
    for value in (wiring.length, wiring.area, wiring.temperature):
        values[value.key] = value.si * one
    for name, chosen in _paths(build).items():
        for part in chosen:
            values |= _losses(part, rows[name])
    scales: dict[str, FloatArray] = {
        pump.curve.key: one,
        pump.current.key: rows["current"],
    }
    if build.boost is not None:
        scales[build.boost.curve.key] = rows["boost"]
    if build.blower is not None:
        values[build.blower.displacement.key] = build.blower.displacement.si * rows["boost"]
    return values, scales


def _paths(build: Build) -> dict[str, tuple[Part, ...]]:
    """The parts whose loss each unknown multiplies."""
    filters, others = split_feed(build.feed)
    return {"filter": filters, "line": others, "strainer": build.suction, "return": build.returns}


def _losses(part: Part, factor: FloatArray) -> dict[str, FloatArray]:
    known = [value for value in (part.drop, part.loss, part.length) if value is not None]
    return {value.key: value.si * factor for value in known}


def learnt_keys(build: Build, learnt: set[str]) -> set[str]:
    keys: set[str] = set()
    if "pump" in learnt:
        keys |= {build.pump.curve.key, build.pump.age.key, build.pump.pressure_scale.key}
    if "set" in learnt:
        keys.add(build.regulator.set.key)
    if "wiring" in learnt:
        wiring = build.wiring
        keys |= {wiring.contacts.key, wiring.length.key, wiring.area.key}
    for name, chosen in _paths(build).items():
        if name in learnt:
            keys |= {value.key for part in chosen for value in (part.drop, part.length) if value}
    return keys
