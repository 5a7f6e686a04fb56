"""Will the build hold? Draws, matches, solves, judges: the whole answer in one call."""

from __future__ import annotations

import time

import numpy as np

from keyturn.build.model import Build, Curve, Value
from keyturn.build.unstated import how_to_measure
from keyturn.system import envelope, gauges, headroom, operating, parts, remedies, verdict
from keyturn.system.cautions import cautions
from keyturn.system.circuit import FloatArray
from keyturn.system.draws import Draws
from keyturn.system.result import CheckResult, FullLoad, Headroom, LeanedOn
from keyturn.system.solve import solve

MOST_LEANED = 8


def run(build: Build, samples: int, seed: int) -> CheckResult:
    """Judge a build. Raises CannotSolve when an equation has no trustworthy answer."""
    started = time.perf_counter()
    draws = Draws(build, samples, np.random.default_rng(seed))
    loads = load_up(build, draws)
    needs = headroom.needs(loads)
    rows = tuple(verdict.judge(need, draws) for need in needs)
    limiting = verdict.worst(rows)
    chosen = next(need for need in needs if need.part == limiting.part)
    leaned = _leaned_on(chosen, draws)
    return CheckResult(
        name=build.name,
        invented=build.invented,
        verdict=limiting.verdict,
        sentence=sentence(limiting),
        limiting=limiting,
        headroom=rows,
        states=gauges.states(
            build, draws, loads.liquid, loads.states, loads.states_duty, loads.idle
        ),
        full_load=_full_load(loads.line),
        envelope=envelope.envelope(build, draws, loads.liquid, loads.line, needs),
        corridor=envelope.corridor(loads),
        pump=envelope.pump_figure(loads),
        remedies=remedies.remedies(loads, needs, rows),
        leaned_on=leaned,
        missing=build.missing,
        flags=build.flags,
        cautions=cautions(build),
        assumptions=remedies.unsettled(build, loads.circuit),
        wanted_pressure=verdict.band(draws.of(build.control.calibrated_pressure)[1:]),
        barometer=build.site.barometer.si,
        samples=samples,
        seed=seed,
        seconds=time.perf_counter() - started,
    )


def load_up(build: Build, draws: Draws) -> headroom.Loads:
    """Full load and the gauge states solved for all samples."""
    liquid = parts.fluid(build, draws)
    line = operating.full_load(build, draws, liquid)
    full = operating.full_load_duty(build, draws, line)
    circuit = parts.circuit(build, draws, liquid, full)
    states = operating.states(build, line)
    duty = operating.states_duty(build, draws, liquid, line, states)
    return headroom.Loads(
        build=build,
        draws=draws,
        liquid=liquid,
        line=line,
        full=full,
        circuit=circuit,
        solution=solve(circuit),
        idle=solve(parts.circuit(build, draws, liquid, duty)),
        states=states,
        states_duty=duty,
    )


def sentence(limiting: Headroom) -> str:
    """The answer in one plain sentence."""
    at = ""
    if limiting.engine_speed:
        at = f" at {limiting.engine_speed * 60:.0f} rev/min"
        if limiting.manifold_pressure:
            at += f" and {limiting.manifold_pressure / 1e3:.0f} kPa in the manifold"
    part = limiting.part
    if limiting.verdict == "holds":
        return f"Every part holds under the stated assumptions; least is left for {part}{at}."
    if limiting.verdict == "tight":
        return f"Just enough: the {part} is tight{at}."
    if limiting.verdict == "short":
        return f"It does not hold: the {part} is short{at}."
    return f"Not proven: nothing shows yet that the {part} holds{at}."


def _full_load(line: operating.Line) -> FullLoad:
    def bands(values: FloatArray) -> FloatArray:
        wide = np.broadcast_to(values, line.fuel_demand.shape)
        return np.asarray(np.quantile(wide[1:], (0.05, 0.5, 0.95), axis=0))

    air = line.air
    return FullLoad(
        engine_speed=line.engine_speed,
        manifold_pressure=bands(air.manifold_pressure),
        inlet_temperature=bands(air.inlet_temperature),
        air_flow=bands(air.air_flow),
        fuel_demand=bands(line.fuel_demand),
        power=bands(line.power),
        blower_power=bands(air.blower_power),
        blower_outlet_temperature=bands(air.blower_outlet_temperature),
        cooler_heat=bands(air.cooler_heat),
    )


def _leaned_on(need: headroom.Need, draws: Draws) -> tuple[LeanedOn, ...]:
    """What the limiting part's answer leans on: most telling first, badly known ones ahead."""
    ratio = np.broadcast_to(need.ratio, (draws.samples + 1, need.engine_speed.size)).min(axis=1)
    rows = [
        LeanedOn(
            key=known.key,
            typed=known.typed,
            grade=known.grade,
            spread=_relative(known),
            share=share,
            measure=how_to_measure(known.key) or "",
        )
        for share, known in verdict.shares(ratio, draws)
        if share > verdict.SEEN
    ]
    return tuple(rows[:MOST_LEANED])


def _relative(known: Value | Curve) -> float:
    if isinstance(known, Value) and known.law == "set":
        return known.spread / max(abs(known.si), 1e-12)
    return known.spread
