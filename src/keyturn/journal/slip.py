"""Was that the unit that was meant? A reading far from what the model expects, which another unit
or the other zero would bring right into it, is suspected aloud; it is never converted by itself.

A fault of the car moves a reading too. Only a reading outside the widened band is looked at, and
only changes that a slip makes: the same number in another unit, a factor of ten, an absolute
gauge read as one above ambient or the other way round.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from keyturn import units
from keyturn.evidence.reading import Reading, kinds, system_state
from keyturn.journal.typed import plain
from keyturn.system.result import CheckResult, State

# Widening of the expected band beside two sigma of the instrument, as a share of its top;
# engineering judgement. WIDE: what a fault of the car does. NEAR: another meaning must fit well;
# and one atmosphere is small beside a fuel pressure, so it is looked for near the band too.
WIDE, NEAR = 0.25, 0.05
LEFT = 0.2  # of pressure or flow that a worn pump still makes; engineering judgement
# A number that is often read in the unit beside the one that was typed.
OTHERS = {
    "pressure_gauge": ("kPa", "psi", "bar"),
    "pressure": ("kPa", "psi", "bar", "inHg"),
    "temperature": ("degC", "degF"),
    "voltage": ("V", "mV"),
    "current": ("A", "mA"),
    "volume": ("L", "us_gallon", "mL"),
    "air_fuel_equivalence": (),
}
DECIMAL = ("pressure_gauge", "pressure", "current", "voltage")
USUAL = {  # bands for what the model does not predict; engineering judgement
    "ground-drop": (0.0, 1.0),
    "fuel-temperature": (258.15, 333.15),
    "gauge-zero": (-4.0e4, 4.0e4),
}


# SI value, how it would be typed, in words, and the widening up to which nothing is suspected
Meaning = tuple[float, str, str, float]


@dataclass(frozen=True)
class Suspicion:
    """Why a reading may not mean what was typed, and what would then be typed."""

    words: str
    meant: str  # a text that the reader takes as the other meaning


def expected(reading: Reading, result: CheckResult) -> tuple[float, float] | None:
    """5 and 95 % of what the model expects to be read [SI]; None when it expects nothing."""
    state = _state(reading, result)
    rail = _rail(reading, result, state)
    if reading.kind in ("rail-pressure", "second-gauge", "after-filter"):
        return rail
    if reading.kind in ("before-filter", "return-restricted") and rail is not None:
        closed = max(float(crossing.pump_rise.max()) for crossing in result.pump.crossings)
        return LEFT * rail[0], max(rail[1], closed)
    if reading.kind == "pressure-held":
        return 0.0, reading.conditions.pressure_gauge or 0.0
    if reading.kind == "timed-volume" and state is not None:
        caught = state.pump_flow.p95 * (reading.conditions.duration or 0.0)
        return LEFT * caught, caught
    if reading.kind == "manifold-pressure":
        return _manifold(reading, result, state)
    if reading.kind in ("pump-voltage", "pump-current", "lambda"):
        near = state or result.states[-1]
        name = {"lambda": "air_fuel_equivalence"}.get(reading.kind, reading.kind.replace("-", "_"))
        band = getattr(near, name)
        return (band.p05, band.p95) if math.isfinite(band.p05) else None
    return USUAL.get(reading.kind)


def _state(reading: Reading, result: CheckResult) -> State | None:
    name = system_state(reading)
    if reading.state == "held-speed":
        name = "2500 rev/min no load"
    found = {state.name: state for state in result.states}
    return found.get(name) if name else None


def _rail(reading: Reading, result: CheckResult, state: State | None) -> tuple[float, float] | None:
    if state is not None:
        return state.rail_gauge.p05, state.rail_gauge.p95
    speed = reading.conditions.engine_speed
    if reading.state != "full-load" or speed is None:
        return None
    grid = result.envelope
    row = int(np.argmin(np.abs(grid.engine_speed - speed)))
    pressure = reading.conditions.manifold_pressure or grid.full_load_pressure[row]
    at = [np.interp(pressure, grid.manifold_pressure, band[row]) for band in
          (grid.rail_gauge_p05, grid.rail_gauge_p95)]  # fmt: skip
    return float(at[0]), float(at[1])


def _manifold(
    reading: Reading, result: CheckResult, state: State | None
) -> tuple[float, float] | None:
    if reading.state == "key-on":
        return result.barometer, result.barometer
    if reading.state == "full-load":
        line, speed = result.full_load, reading.conditions.engine_speed or 0.0
        low, _, high = (float(np.interp(speed, line.engine_speed, band))
                        for band in line.manifold_pressure)  # fmt: skip
        return low, high
    if state is not None:  # no load: anything from a deep vacuum to half the weather
        return 0.2 * result.barometer, max(0.6 * result.barometer, state.manifold_pressure)
    return None


def suspect(
    reading: Reading, band: tuple[float, float] | None, barometer: float, stoichiometric: float
) -> Suspicion | None:
    """The slip that would explain a reading; None when it fits as typed or nothing explains it."""
    if band is None or reading.value == 0.0:
        return None
    name = kinds()[reading.kind].quantity
    for value, meant, words, doubt in _meanings(reading, name, barometer, stoichiometric):
        if not _fits(reading.value, reading, band, doubt) and _fits(value, reading, band, NEAR):
            low, high = (units.show(edge, name, digits=3) for edge in band)
            return Suspicion(
                f"{reading.typed} is far from the {low} to {high} expected here; {words}", meant
            )
    return None


def _fits(value: float, reading: Reading, band: tuple[float, float], wider: float) -> bool:
    low, high = band
    # a share of a temperature means nothing, a share of the width of its band does
    whole = high - low if reading.kind == "fuel-temperature" else max(abs(low), abs(high))
    slack = wider * whole + 2.0 * reading.spread
    return low - slack <= value <= high + slack


def _meanings(
    reading: Reading, name: str, barometer: float, stoichiometric: float
) -> Iterator[Meaning]:
    """Other meanings of what was typed, the likeliest first."""
    number, unit = units.split(plain(reading.typed) if name == "pressure" else reading.typed)
    bare, side = units.pressure_side(unit)
    if name in ("pressure", "pressure_gauge"):
        yield from _other_zero(reading, number, bare, side, barometer)
    tail = f" {side}" if side else ""
    for other in OTHERS[name]:
        if units.tidy(bare) != units.tidy(other):
            meant = f"{number:g} {other}{tail}"
            yield units.parse(meant, name, barometer), meant, f"{meant} would fit", WIDE
    if name in DECIMAL:
        for factor in (0.1, 10.0):
            meant = f"{number * factor:g} {bare}{tail}"
            words = f"{meant} would fit: did the point slip?"
            yield units.parse(meant, name, barometer), meant, words, WIDE
    if name == "air_fuel_equivalence":
        meant = f"{number / stoichiometric:.3g}"
        words = f"as an air-fuel ratio it is lambda {meant}"
        yield number / stoichiometric, meant, words, WIDE


def _other_zero(
    reading: Reading, number: float, bare: str, side: str | None, barometer: float
) -> Iterator[Meaning]:
    if side == "absolute":
        words = "was it read above ambient (gauge) and not absolute?"
        yield reading.value + barometer, f"{number:g} {bare} gauge", words, 0.0
    else:
        words = "was it read by an absolute gauge, which shows one atmosphere in open air?"
        yield reading.value - barometer, f"{number:g} {bare} absolute", words, 0.0
