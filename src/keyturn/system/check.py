"""Will the build hold? Draws, matches, solves, judges: the whole answer in one call."""

from __future__ import annotations

import math
import time
from dataclasses import replace
from typing import Any

import numpy as np

from keyturn.build.model import Build, Curve, Value
from keyturn.build.unstated import how_to_measure
from keyturn.system import envelope, gauges, headroom, operating, parts, remedies, verdict
from keyturn.system.cautions import cautions
from keyturn.system.circuit import FloatArray
from keyturn.system.draws import Draws
from keyturn.system.result import BANDS_FOLLOW, CheckResult, FullLoad, Headroom, LeanedOn
from keyturn.system.solve import solve

MOST_LEANED = 8
PSI = 6894.757  # [Pa]


def run(build: Build, samples: int, seed: int) -> CheckResult:
    """Judge a build. Raises CannotSolve when an equation has no trustworthy answer."""
    started = time.perf_counter()
    draws = Draws(build, samples, np.random.default_rng(seed))
    loads = load_up(build, draws)
    needs = headroom.needs(loads)
    rows = tuple(verdict.judge(need, draws) for need in needs)
    limiting = verdict.worst(rows)
    chosen = next(need for need in needs if need.part == limiting.part)
    return CheckResult(
        verdict=limiting.verdict,
        sentence=sentence(limiting),
        limiting=limiting,
        headroom=rows,
        remedies=remedies.remedies(loads, needs, rows),
        leaned_on=_leaned_on(chosen, draws),
        samples=samples,
        seed=seed,
        **_worked_out(loads, needs),
        seconds=time.perf_counter() - started,
    )


def middle(build: Build) -> CheckResult:
    """The car with the middle of every value: what it would do, never whether it holds.

    No spread was drawn, so there is no probability and no verdict: `samples` is 0, every verdict
    is `BANDS_FOLLOW` and every share of a part is NaN.
    """
    started = time.perf_counter()
    draws = Draws(build, 1, np.random.default_rng(0))
    draws.deviation[:] = 0.0
    loads = load_up(build, draws)
    needs = headroom.needs(loads)
    judged = (verdict.judge(need, draws) for need in needs)
    rows = tuple(replace(row, verdict=BANDS_FOLLOW, p_holds=math.nan) for row in judged)
    limiting = min(rows, key=lambda row: row.ratio.p50)
    return CheckResult(
        verdict=BANDS_FOLLOW,
        sentence=f"With middle values the least is left for the {limiting.part}{_at(limiting)};"
        " whether it holds is being worked out.",
        limiting=limiting,
        headroom=rows,
        remedies=(),
        leaned_on=(),
        samples=0,
        seed=0,
        **_worked_out(loads, needs),
        seconds=time.perf_counter() - started,
    )


def _worked_out(loads: headroom.Loads, needs: tuple[headroom.Need, ...]) -> dict[str, Any]:
    """What an answer holds beside its verdicts."""
    build, draws, liquid, line = loads.build, loads.draws, loads.liquid, loads.line
    return {
        "name": build.name,
        "invented": build.invented,
        "states": gauges.states(build, draws, liquid, loads.states, loads.states_duty, loads.idle),
        "full_load": _full_load(line),
        "envelope": envelope.envelope(build, draws, liquid, line, needs),
        "corridor": envelope.corridor(loads),
        "pump": envelope.pump_figure(loads),
        "missing": build.missing,
        "flags": build.flags,
        "cautions": cautions(build),
        "assumptions": remedies.unsettled(build, loads.circuit),
        "wanted_pressure": verdict.band(draws.of(build.control.calibrated_pressure)[1:]),
        "barometer": build.site.barometer.si,
    }


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
    at, part = _at(limiting), limiting.part
    if limiting.verdict == "holds":
        return f"Every part holds under the stated assumptions; least is left for {part}{at}."
    if limiting.verdict == "tight":
        return f"Just enough: the {part} is tight{at}."
    if limiting.verdict == "short":
        return f"It does not hold: the {part} is short{at}."
    return f"Not proven: nothing shows yet that the {part} will hold{at}."


def _at(limiting: Headroom) -> str:
    at = ""
    if limiting.engine_speed:
        at = f" at {limiting.engine_speed * 60:.0f} rev/min"
        if limiting.manifold_pressure:
            # builders think in boost: without the word this would be read as gauge pressure
            pressure = limiting.manifold_pressure
            at += (
                f" and {pressure / 1e3:.0f} kPa ({pressure / PSI:.0f} psi) absolute in the manifold"
            )
    return at


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
