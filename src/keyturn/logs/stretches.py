"""Steady stretches and pulls of a log, and the mean of a stretch with its honest error."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from keyturn.build.model import Build
from keyturn.logs.derive import TURNING, Derived
from keyturn.logs.frame import Samples

STEADY_FOR = 2.0  # [s] shortest steady stretch
WITHIN_SPEED = 2.5  # [1/s] 150 rev/min from least to greatest in a second
WITHIN_PRESSURE = 6.0e3  # [Pa] manifold, from least to greatest in a second
WITHIN_RAIL = 3.0e4  # [Pa] rail, engine off, from least to greatest in half a second
PULL_FOR = 1.0  # [s] shortest pull
WIDE_OPEN = 0.85  # throttle
PULL_GAIN = 1.08  # speed at the end of a pull over that at its start
LEAST_SETTLED = 0.5  # [s] of a pull's end that is taken as one measured point


@dataclass(frozen=True)
class Stretch:
    """Rows of a log that belong together."""

    kind: str  # "key-on", "steady", "pull"
    state: str  # of a reading: "key-on", "idle", "held-speed", "full-load"
    start: float  # [s]
    end: float
    first: int  # row here, on the working clock
    last: int  # the last row that belongs to it
    first_row: int  # row of the log
    last_row: int

    @property
    def rows(self) -> slice:
        return slice(self.first, self.last + 1)


@dataclass(frozen=True)
class Mean:
    """A mean over a stretch; ``spread`` holds for its noise alone, never for the sensor's bias."""

    value: float
    spread: float
    effective: float  # number of independent samples that the rows are worth


def stretches(build: Build, log: Derived) -> tuple[Stretch, ...]:
    """Every stretch, in order of time; pulls and steady stretches do not overlap."""
    if "engine_speed" not in log.frame:
        return ()
    speed = log.frame["engine_speed"]
    pull = _pulling(build, log)
    steady = _steady(log) & ~pull
    standing = steady & (speed < TURNING) & _primed_or_not(log)
    turning = steady & (speed >= TURNING)
    found = [_stretch(log, "key-on", "key-on", *ends) for ends in _runs(log, standing, STEADY_FOR)]
    for ends in _runs(log, turning, STEADY_FOR):
        found.append(_stretch(log, "steady", _state(build, log, *ends), *ends))
    for first, last in _runs(log, pull, PULL_FOR):
        if speed[last] >= PULL_GAIN * speed[first]:
            found.append(_stretch(log, "pull", "full-load", first, last))
    return tuple(sorted(found, key=lambda one: one.first))


def _stretch(log: Derived, kind: str, state: str, first: int, last: int) -> Stretch:
    time, rows = log.frame.time, log.rows
    end_row = int(rows[last]) + log.step - 1
    return Stretch(
        kind, state, float(time[first]), float(time[last]), first, last, int(rows[first]), end_row
    )


def _state(build: Build, log: Derived, first: int, last: int) -> str:
    speed = float(log.frame["engine_speed"][first : last + 1].mean())
    if speed <= 1.3 * build.engine.idle.si:
        return "idle"
    return "held-speed"


def _steady(log: Derived) -> NDArray[np.bool_]:
    from scipy.ndimage import maximum_filter1d, minimum_filter1d, uniform_filter1d

    width = max(2, round(log.rate))
    short = max(1, round(0.25 * log.rate))
    calm = np.ones(len(log.frame), dtype=bool)
    for name, within in (("engine_speed", WITHIN_SPEED), ("manifold_pressure", WITHIN_PRESSURE)):
        if name not in log.frame:
            continue
        values = uniform_filter1d(np.nan_to_num(log.frame[name], nan=-1e9), short)
        calm &= maximum_filter1d(values, width) - minimum_filter1d(values, width) < within
    return calm


def _primed_or_not(log: Derived) -> NDArray[np.bool_]:
    """Engine off: the pump runs or it does not; what lies between is neither."""
    from scipy.ndimage import maximum_filter1d, minimum_filter1d

    if "rail_gauge" not in log.frame:
        return np.ones(len(log.frame), dtype=bool)
    rail, width = np.nan_to_num(log.frame["rail_gauge"], nan=-1e9), max(2, round(0.5 * log.rate))
    calm: NDArray[np.bool_] = (
        maximum_filter1d(rail, width) - minimum_filter1d(rail, width) < WITHIN_RAIL
    )
    return calm


def _pulling(build: Build, log: Derived) -> NDArray[np.bool_]:
    """Full load: the throttle wide open, or without that channel boost or nearly open air."""
    speed = log.frame["engine_speed"]
    running: NDArray[np.bool_] = speed > 1.2 * build.engine.idle.si
    if "throttle" in log.frame:
        return running & (log.frame["throttle"] >= WIDE_OPEN)
    if "manifold_pressure" in log.frame:
        return running & (log.frame["manifold_pressure"] > 0.97 * build.site.barometer.si)
    return np.zeros(len(log.frame), dtype=bool)


def _runs(log: Derived, mask: NDArray[np.bool_], least: float) -> Iterator[tuple[int, int]]:
    """First and last row of every run that lasts; a gap in the log ends one."""
    yield from runs(mask, log.broken(), max(2, round(least * log.rate)))


def runs(
    mask: NDArray[np.bool_], broken: NDArray[np.bool_], least: int
) -> Iterator[tuple[int, int]]:
    """Runs of at least ``least`` true rows, none across a row that stands after a gap."""
    if not mask.size:
        return
    before = np.concatenate(([False], mask[:-1]))
    after = np.concatenate((mask[1:], [False]))
    ends_here = np.concatenate((broken[1:], [True]))
    starts = np.flatnonzero(mask & (~before | broken))
    ends = np.flatnonzero(mask & (~after | ends_here))
    for first, last in zip(starts, ends, strict=True):
        if last - first + 1 >= least:
            yield int(first), int(last)


def settled(log: Derived, pull: Stretch) -> slice:
    """The end of a pull, where speed and flow are highest, as one point."""
    rows = max(2, round(LEAST_SETTLED * log.rate))
    return slice(max(pull.first, pull.last + 1 - rows), pull.last + 1)


def mean_of(values: Samples) -> Mean:
    """Mean with the error of its noise, from the effective number of independent samples.

    n / (1 + 2 sum of the autocorrelations), summed while they stay positive (Geyer, 1992, initial
    positive sequence, simplified to single lags). Never more than n. Neighbouring rows of a damped
    sensor or of a wandering pressure count for less than one each.
    """
    there = values[np.isfinite(values)]
    count = len(there)
    if count < 2:
        return Mean(float(there[0]) if count else float("nan"), float("inf"), float(count))
    off = there - there.mean()
    power = float(off @ off) / count
    if power <= 0.0:
        # all rows alike, as of a coarse sensor: they say no more than one of them
        return Mean(float(there[0]), 0.0, 1.0)
    total = 0.0
    for lag in range(1, max(2, count // 3)):
        alike = float(off[lag:] @ off[:-lag]) / (count * power)
        if alike <= 0.0:
            break
        total += alike
    effective = min(float(count), max(1.0, count / (1.0 + 2.0 * total)))
    scatter = power * count / (count - 1)
    return Mean(float(there.mean()), float(np.sqrt(scatter / effective)), effective)
