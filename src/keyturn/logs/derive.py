"""Channels that a log does not hold but that follow from it and from the model of the car.

The work is done on a clock of about `CLOCK` rows a second: of a faster log each row here is the
mean of a block of its rows, for limits in this trade have to be passed for 0.3 s. Knock retard
keeps its greatest value in the block, so no single event is lost.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from keyturn.build.model import Build
from keyturn.logs.clock import rate_of
from keyturn.logs.frame import Frame, Samples
from keyturn.system.result import CheckResult

CLOCK = 20.0  # [1/s] rows a second that are judged; common practice for pressure at load
LONGEST_LAG = 0.8  # [s] of lambda; transport and sensor, common practice
OVERRUN = 1.25  # lambda above which fuel is cut off; engineering judgement
LEAST_LIKENESS = 0.4  # correlation below which no lag is stated
TURNING = 3.0  # [1/s] 180 rev/min: slower, the engine stands
BREAK = 5.0  # usual steps between two rows that make a gap
GREATEST = ("knock_retard",)  # of these the greatest value of a block counts, not the mean


@dataclass(frozen=True)
class Derived:
    """A log on the working clock, with what was derived from it."""

    frame: Frame  # recorded and derived channels, SI
    rows: NDArray[np.int64]  # first row of the log under each row here
    step: int  # rows of the log under one row here
    rate: float  # rows a second here
    fuel_from: str | None  # where the fuel flow comes from, in words
    lag: float | None  # [s] of lambda, None where it could not be told
    likeness: float  # correlation at that lag
    notes: tuple[str, ...] = ()

    def broken(self) -> NDArray[np.bool_]:
        """Rows that stand after a gap."""
        time = self.frame.time
        return np.diff(time, prepend=time[0]) > BREAK / self.rate


def derive(build: Build, check: CheckResult, calm: Frame, step: int) -> Derived:
    """Everything that can be derived; what cannot be is left out.

    ``calm`` and ``step`` are what `reduced` made of the log.
    """
    rate = rate_of(calm.time)
    have = dict(calm.channels)
    notes: list[str] = []
    barometer = check.barometer
    if "across_injector" not in have and {"rail_gauge", "manifold_pressure"} <= have.keys():
        have["across_injector"] = have["rail_gauge"] - (have["manifold_pressure"] - barometer)
    if "duty" not in have and {"injector_pulse", "engine_speed"} <= have.keys():
        # one injection every two revolutions
        have["duty"] = have["injector_pulse"] * have["engine_speed"] / 2.0
    have.update(_expected(check, have))
    fuel_from = _add_fuel_flow(build, have)
    if fuel_from is None:
        notes.append("fuel flow could not be derived: neither duty nor air flow with lambda")
    if "across_expected" in have and "across_injector" in have:
        running = have["engine_speed"] > TURNING
        have["across_error"] = np.where(
            running, have["across_injector"] - have["across_expected"], np.nan
        )
    lag, likeness = _align_lambda(build, have, calm.time, rate)
    if "lambda" in have and lag is None:
        notes.append("the lag of lambda could not be told: it is judged as recorded")
    rows = np.arange(len(calm.time), dtype=np.int64) * step
    return Derived(Frame(calm.time, have), rows, step, rate, fuel_from, lag, likeness, tuple(notes))


def reduced(frame: Frame) -> tuple[Frame, int]:
    """The log on the working clock, and how many of its rows are one there."""
    step = max(1, round(rate_of(frame.time) / CLOCK))
    count = len(frame) // step
    if step == 1 or count < 2:
        return Frame(frame.time, dict(frame.channels)), 1
    whole = count * step
    mean = np.full(step, 1.0 / step)
    found: dict[str, Samples] = {}
    for name, values in frame.channels.items():
        blocks = values[:whole].reshape(count, step)
        if name in GREATEST:
            found[name] = np.fmax.reduce(blocks, axis=1)
            continue
        found[name] = blocks @ mean
        empty = np.flatnonzero(np.isnan(found[name]))
        if empty.size:
            found[name][empty] = _means(blocks[empty])
    return Frame(frame.time[:whole].reshape(count, step) @ mean, found), step


def _means(blocks: Samples) -> Samples:
    """Means of what is there in each block; NaN where nothing is."""
    there = np.isfinite(blocks)
    count = there.sum(axis=1)
    total = np.where(there, blocks, 0.0).sum(axis=1)
    found: Samples = np.where(count > 0, total / np.maximum(count, 1), np.nan)
    return found


class _Map:
    """Bilinear look-up in the map over speed and manifold pressure, weights worked out once."""

    def __init__(self, check: CheckResult, speed: Samples, pressure: Samples) -> None:
        self.row, self.row_share = _place(check.envelope.engine_speed, speed)
        self.column, self.column_share = _place(check.envelope.manifold_pressure, pressure)

    def of(self, table: Samples) -> Samples:
        """The table at every sample; held at the border of the map."""
        low = self._along(table, self.row)
        found: Samples = low + self.row_share * (self._along(table, self.row + 1) - low)
        return found

    def _along(self, table: Samples, row: NDArray[np.intp]) -> Samples:
        left = table[row, self.column]
        found: Samples = left + self.column_share * (table[row, self.column + 1] - left)
        return found


def _place(grid: Samples, values: Samples) -> tuple[NDArray[np.intp], Samples]:
    """Cell and share in it; the grid is even, as `operating.speeds` and `map_pressures` are."""
    place = (values - grid[0]) / (grid[-1] - grid[0]) * (grid.size - 1)
    place = np.clip(np.nan_to_num(place), 0.0, grid.size - 1.0)
    cell = np.minimum(place.astype(np.intp), grid.size - 2)
    return cell, place - cell


def _expected(check: CheckResult, have: Mapping[str, Samples]) -> dict[str, Samples]:
    """What the model says at the speed and manifold pressure of each row."""
    if not {"engine_speed", "manifold_pressure"} <= have.keys():
        return {}
    at, over = _Map(check, have["engine_speed"], have["manifold_pressure"]), check.envelope
    return {
        "across_expected": at.of(over.across_injector),
        "across_low": at.of(over.across_injector_p05),
        "across_high": at.of(over.across_injector_p95),
        "fuel_expected": at.of(over.fuel_flow),
    }


def _add_fuel_flow(build: Build, have: dict[str, Samples]) -> str | None:
    """Fuel flow [m3/s], from the best there is; says from what."""
    if "fuel_flow" in have:
        return "as recorded"
    if {"duty", "across_injector", "engine_speed"} <= have.keys():
        part = build.injectors
        volts = have.get("voltage", np.full_like(have["duty"], build.wiring.source_voltage.si))
        dead = np.interp(volts, part.dead_time.x, part.dead_time.y) * have["engine_speed"] / 2.0
        constant = part.count * part.flow.si / np.sqrt(part.at.si)
        across = np.sqrt(np.maximum(have["across_injector"], 0.0))
        have["fuel_flow"] = constant * np.clip(have["duty"] - dead, 0.0, 1.0) * across
        return "injector duty and the pressure across the injectors"
    if {"air_flow", "lambda"} <= have.keys():
        stoichiometric, density = build.fuel.stoichiometric.si, build.fuel.density.si
        have["fuel_flow"] = have["air_flow"] / (stoichiometric * have["lambda"] * density)
        return "air flow and lambda"
    if "fuel_expected" in have:
        have["fuel_flow"] = np.where(have["engine_speed"] > TURNING, have["fuel_expected"], 0.0)
        return "the model of the engine, at the recorded speed and manifold pressure"
    return None


def _align_lambda(
    build: Build, have: dict[str, Samples], time: Samples, rate: float
) -> tuple[float | None, float]:
    """Shift lambda back by its lag; ``lambda_wanted`` is the target, recorded or of the build."""
    if "lambda_target" in have:
        have["lambda_wanted"] = have["lambda_target"]
    elif "manifold_pressure" in have:
        curve = build.mixture.curve
        have["lambda_wanted"] = np.interp(have["manifold_pressure"], curve.x, curve.y)
    if "lambda" not in have:
        return None, 0.0
    have["lambda_aligned"] = have["lambda"]
    if "lambda_wanted" not in have:
        return None, 0.0
    lag, likeness = lag_of(have["lambda_wanted"], have["lambda"], rate)
    if lag is not None:
        have["lambda_aligned"] = _earlier(time, have["lambda"], lag, BREAK / rate)
    return lag, likeness


def _earlier(time: Samples, values: Samples, lag: float, longest: float) -> Samples:
    """The values ``lag`` [s] later; NaN where that falls into a gap of the log or past its end."""
    wanted = time + lag
    found: Samples = np.interp(wanted, time, values, right=np.nan)
    after = np.minimum(np.searchsorted(time, wanted, "left"), len(time) - 1)
    found[np.diff(time, prepend=time[0])[after] > longest] = np.nan
    return found


def lag_of(cause: Samples, answer: Samples, rate: float) -> tuple[float | None, float]:
    """By how much the answer comes late [s], and the correlation at that lag.

    The lag at which the changes of the two over 0.5 s go together best, with a parabola through
    the three best steps. None where they never go together, where the best lies at an end of what
    was tried, or where nothing changes.
    """
    from scipy.ndimage import maximum_filter1d

    most, span = int(np.ceil(LONGEST_LAG * rate)), max(1, round(0.5 * rate))
    if most < 2 or len(cause) < 4 * (most + span):
        return None, 0.0
    first, second = cause[span:] - cause[:-span], answer[span:] - answer[:-span]
    # the overrun, where a probe reads air, says nothing about its lag; nor does what is near it,
    # for a change that is cut off there would look early
    near = maximum_filter1d(answer > OVERRUN, 2 * (span + most) + 1)
    good = np.isfinite(first) & np.isfinite(second) & ~near[span:]
    first, second = np.where(good, first, 0.0), np.where(good, second, 0.0)
    count = len(first) - most
    found = np.array([_likeness(first[:count], second[n : n + count]) for n in range(most + 1)])
    best = int(np.argmax(found))
    if found[best] < LEAST_LIKENESS or best == most:
        return None, float(found[best])
    if best == 0:
        return 0.0, float(found[0])
    low, middle, high = found[best - 1 : best + 2]
    bend = low - 2.0 * middle + high
    shift = 0.5 * (low - high) / bend if bend < 0.0 else 0.0
    return float((best + shift) / rate), float(middle)


def _likeness(first: Samples, second: Samples) -> float:
    size = float(np.sqrt((first @ first) * (second @ second)))
    return float(first @ second) / size if size > 0.0 else 0.0
