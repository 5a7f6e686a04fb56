"""Measured stretches of a log as readings, with the error that they honestly have.

One stretch gives one reading, however many rows it has: its noise is divided by the number of
independent samples, not of rows. To that comes what the sensor does not repeat from stretch to
stretch. What it is off by in all of them is no part of the spread: the instrument is named as that
of a log, and the evidence takes its error for one unknown (`keyturn.evidence.sensors`). So the
stretches together say no more about the level than one gauge does, and more about differences.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from keyturn.build.model import Build
from keyturn.evidence.reading import Conditions, Reading
from keyturn.evidence.sensors import LOG
from keyturn.logs.boost import BUILT_UP, SHAPE
from keyturn.logs.derive import Derived
from keyturn.logs.found import LogFindings
from keyturn.logs.stretches import LEAST_SETTLED, Mean, Stretch, mean_of, settled

SLOWER = 0.7  # of the speed at the end of a pull: far enough to tell slip from a leak
MOST_HELD = 3  # held speeds that are handed over
SPEED_CLASS = 500.0 / 60.0  # [1/s] held speeds closer than this are one
# 1 sigma of what a sensor does not repeat from one stretch to another, SI: warmth, hysteresis,
# pulsation in its line; a quarter of a percent of the usual range; engineering judgement
UNREPEATED = {
    "rail-pressure": 2.0e3, "manifold-pressure": 1.0e3, "lambda": 0.005, "pump-voltage": 0.03,
}  # fmt: skip
PRIMED = 0.5  # of the wanted pressure: below, the pump did not run at key-on


@dataclass(frozen=True)
class Measured:
    """A reading with the stretch that it was taken from."""

    reading: Reading
    stretch: Stretch
    effective: float


def measured(
    build: Build, found: LogFindings, name: str, *, pump_voltage: bool = False
) -> tuple[Measured, ...]:
    """What the log hands to the journal; nothing from a sensor that reads a wrong zero.

    ``pump_voltage`` says that the voltage was taken at the pump: elsewhere it tells nothing of the
    wiring, and is not handed over.
    """
    frame = found.log.frame
    doubted = {one.quantity for one in found.findings if one.kind == "gauge"}
    rows: list[Measured] = []
    if "rail_gauge" in frame and "manifold_pressure" in frame and not doubted:
        rows += _of(build, found, name, "rail-pressure", "rail_gauge")
    if "lambda_aligned" in frame and found.log.lag is not None:
        rows += _of(build, found, name, "lambda", "lambda_aligned")
    if "manifold_pressure" in frame and "pressure" not in doubted:
        rows += _of(build, found, name, "manifold-pressure", "manifold_pressure")
    if pump_voltage and "voltage" in frame and "manifold_pressure" in frame:
        rows += _of(build, found, name, "pump-voltage", "voltage")
    return tuple(rows)


STATES = {
    "rail-pressure": ("key-on", "idle", "held-speed", "full-load"),
    "lambda": ("full-load",),
    "manifold-pressure": ("full-load",),
    "pump-voltage": ("key-on", "idle", "full-load"),
}


def _of(build: Build, found: LogFindings, name: str, kind: str, channel: str) -> Iterator[Measured]:
    for one in chosen(build, found):
        if one.state not in STATES[kind]:
            continue
        log = found.log
        parts = [settled(log, one) if one.kind == "pull" else one.rows]
        if kind == "manifold-pressure":
            parts += _slower(log, one)
        for number, part in enumerate(parts):
            mean = mean_of(log.frame[channel][part])
            if not (np.isfinite(mean.value) and np.isfinite(mean.spread)):
                continue
            said = Conditions()
            if one.kind != "key-on":
                manifold = None
                if kind != "manifold-pressure":
                    manifold = mean_of(log.frame["manifold_pressure"][part]).value
                speed = mean_of(log.frame["engine_speed"][part]).value
                said = Conditions(engine_speed=speed, manifold_pressure=manifold)
            if number:
                # what the model's curve may be bent by between the two speeds
                mean = replace(mean, spread=float(np.hypot(mean.spread, SHAPE * mean.value)))
            yield Measured(_reading(kind, one, mean, said, name), one, mean.effective)


def _slower(log: Derived, pull: Stretch) -> list[slice]:
    """A second point of a pull, once boost has built up, where it began slowly enough."""
    speed, first = log.frame["engine_speed"], pull.first + round(BUILT_UP * log.rate)
    part = slice(first, first + max(2, round(LEAST_SETTLED * log.rate)))
    if part.stop > pull.last or speed[part].mean() > SLOWER * speed[pull.last]:
        return []
    return [part]


TYPED = {"lambda": "{:.3f}", "pump-voltage": "{:.2f} V"}  # all others are pressures


def _reading(kind: str, one: Stretch, mean: Mean, said: Conditions, name: str) -> Reading:
    typed = TYPED.get(kind, f"{mean.value / 1e3:.1f} kPa").format(mean.value)
    note = (
        f"{one.start:.1f} to {one.end:.1f} s, rows {one.first_row} to {one.last_row}, worth"
        f" {mean.effective:.0f} independent ones"
    )
    spread = float(np.hypot(mean.spread, UNREPEATED[kind]))
    return Reading(kind, one.state, mean.value, spread, typed, f"{LOG}{name}", said, note)


def chosen(build: Build, found: LogFindings) -> tuple[Stretch, ...]:
    """The longest stretch of each state; of held speeds the longest of some speeds."""
    frame = found.log.frame
    least = PRIMED * build.regulator.set.si
    best: dict[tuple[str, int], Stretch] = {}
    for one in found.stretches:
        speed = float(np.nanmean(frame["engine_speed"][one.rows]))
        if one.kind == "key-on" and (
            "rail_gauge" not in frame or np.nanmean(frame["rail_gauge"][one.rows]) < least
        ):
            continue
        key = (one.state, round(speed / SPEED_CLASS) if one.state == "held-speed" else 0)
        if key not in best or one.end - one.start > best[key].end - best[key].start:
            best[key] = one
    held = sorted(
        (one for (state, _), one in best.items() if state == "held-speed"),
        key=lambda one: one.start - one.end,
    )[:MOST_HELD]
    others = [one for (state, _), one in best.items() if state != "held-speed"]
    return tuple(sorted((*others, *held), key=lambda one: one.first))
