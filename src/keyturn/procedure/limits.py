"""The limits for this car: from its model where the model knows them, else from a source."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from keyturn.build.model import Build, Value
from keyturn.build.schema import read_data
from keyturn.evidence.reading import kinds
from keyturn.system.result import Band, CheckResult, State

CEILING = 6.0e5  # [Pa] service procedure, turbo four, 1985: 87 psi is not exceeded; from memory
LOST = 0.5  # [V] between battery and pump: service fault tree, V6 3.0 L, 1988; from memory
MOST_VOLTS = 15.0  # [V] more at the pump is a fault of the charging; common practice, no source
MORE = 1.25  # of what the pump can at most: lower volts and pressure, the can; a judgement
FAR = 34.5e3  # [Pa] 5 psi above the band of a known set point; a judgement
LEAST_VOLTS = 8.0  # [V] a pump that turns has more than that; common practice, no source
SIGMAS = 2.0  # of the gauge, on either side of the band
WEAK = ("assumed", "hearsay")


@dataclass(frozen=True)
class Limit:
    """What a recorded number is held against; an open side is None."""

    name: str
    words: str
    quantity: str
    low: float | None
    high: float | None
    source: str
    model: bool = False  # from the model of this car
    leans: str = ""  # why nothing can be judged by it, when that is so

    def judge(self, value: float) -> tuple[str, str]:
        """A verdict and its reason."""
        if self.leans:
            return "cannot be judged", self.leans
        if self.low is not None and value < self.low:
            return "fails", f"below the limit: {self.words}"
        if self.high is not None and value > self.high:
            return "fails", f"above the limit: {self.words}"
        return "passes", ""


def limits(build: Build, result: CheckResult | None) -> Mapping[str, Limit]:
    """Every limit by name; ``result`` is what `check` says of the build as described.

    Without it the model has no answer: the limits that need one are left out, and nothing that is
    held against them can be judged.
    """
    stated = [
        Limit(
            row["name"], row["words"], row["quantity"], row.get("low"), row.get("high"),
            row["source"],
        )
        for row in read_data("stages.toml")["limit"]
    ]  # fmt: skip
    modelled = _modelled(build, result) if result is not None else []
    return {row.name: row for row in (*stated, *modelled)}


def _modelled(build: Build, result: CheckResult) -> list[Limit]:
    states = {row.name: row for row in result.states}
    error = SIGMAS * kinds()["rail-pressure"].least_error
    weak = _weak(build.regulator.set, "the set point of the regulator")
    key_on = _banded("key-on-pressure", "key on", states["key-on"], error, weak)
    found = [
        key_on,
        _banded("idle-pressure", "warm idle", states["idle"], error, weak),
        _banded("held-speed-pressure", "2500 rev/min, no load",
                states["2500 rev/min no load"], error, weak),
        # joints are proven at working pressure, however well that is known
        Limit("proving-pressure", "joints are proven at working pressure, below 87 psi; more than "
              "the regulator is set to: it does not regulate, or the return is shut",
              "pressure_gauge", key_on.low, _ceiling(key_on, weak),
              f"{key_on.source}; ceiling: service procedure, turbo four, 1985", True),
    ]  # fmt: skip
    if build.regulator.reference == "manifold":
        found.append(_follows(build, error))
    supply = build.wiring.source_voltage
    found.append(
        Limit("pump-volts", f"within {LOST:g} V of the battery", "voltage", supply.si - LOST,
              MOST_VOLTS, "service fault tree, V6 3.0 L, 1988: within 0.5 V of battery; the supply "
              "is what build.toml says", True, _weak(supply, "the voltage of the supply"))
    )  # fmt: skip
    found.append(
        Limit("flow-volts", "no more than the running engine gives: more flatters the pump",
              "voltage", LEAST_VOLTS, supply.si + LOST, "the supply is what build.toml says, and "
              f"{LOST:g} V for the meter; common practice, no source", True,
              _weak(supply, "the voltage of the supply"))
    )  # fmt: skip
    return found + _flow(build, result, error)


def _ceiling(key_on: Limit, weak: str) -> float:
    """Where a set point is known, far above it is no working pressure."""
    return CEILING if weak or key_on.high is None else min(CEILING, key_on.high + FAR)


def _weak(value: Value, words: str) -> str:
    if value.grade not in WEAK:
        return ""
    return f"{words} is {value.grade}: state {value.key} with its source, then it can be judged"


def _banded(name: str, words: str, state: State, error: float, weak: str) -> Limit:
    """The band that the model expects, widened by the error of the usual gauge."""
    band: Band = state.rail_gauge
    return Limit(
        name, f"what the model of this car expects at {words}", "pressure_gauge",
        max(band.p05 - error, 0.0), band.p95 + error,
        "model of this car, 5 to 95 %, and twice the error of a usual gauge", True, weak,
    )  # fmt: skip


def _follows(build: Build, error: float) -> Limit:
    """How far the rail has to rise when the regulator's hose comes off at idle."""
    vacuum = build.site.barometer.si - build.engine.idle_pressure.si
    rise = build.regulator.ratio.si * vacuum
    return Limit(
        "hose-off-rise", "the regulator follows the manifold", "pressure_difference", 0.5 * rise,
        1.5 * rise + error,
        "model of this car: vacuum at idle by the ratio of the regulator, half of it either way",
        True, _weak(build.engine.idle_pressure, "the manifold pressure at idle"),
    )  # fmt: skip


def _flow(build: Build, result: CheckResult, error: float) -> list[Limit]:
    """What the pump has to pass, and at which pressure; no more than a known pump can."""
    loaded = [row for row in result.states if row.name.startswith("full load")]
    top = max(loaded, key=lambda row: row.rail_gauge.p50)
    pump = next(row for row in result.headroom if row.part == "pump")
    return [
        Limit("flow-pressure", "timed at the rail pressure of full load", "pressure_gauge",
              max(top.rail_gauge.p05 - error, 0.0), CEILING,
              f"model of this car: {top.name}", True),
        Limit("pump-flow", "what the engine takes at full load with what has to return, to what "
              "the pump can", "flow",
              pump.need.p95, None if build.pump.curve.grade in WEAK else MORE * pump.has.p95,
              "model of this car, 95 % of its samples need less; a quarter more than the pump of "
              "build.toml can is another pressure, time or can", True),
    ]  # fmt: skip
