"""Measured stretches of a log as readings, with the error that they honestly have.

One stretch gives one reading, however many rows it has: its noise is divided by the number of
independent samples, not of rows, and the bias of the sensor stays whole. That bias is the same in
every reading of the log, while the evidence takes errors for independent. So its variance is
multiplied by the number of readings handed over: together they then say no more about the level
than one of them does. Differences between stretches are known better than is stated so.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from keyturn.build.model import Build
from keyturn.evidence.reading import Conditions, Reading, kinds
from keyturn.logs.found import LogFindings
from keyturn.logs.stretches import Mean, Stretch, mean_of, settled

MOST_HELD = 3  # held speeds that are handed over
SPEED_CLASS = 500.0 / 60.0  # [1/s] held speeds closer than this are one
PRIMED = 0.5  # of the wanted pressure: below, the pump did not run at key-on


@dataclass(frozen=True)
class Measured:
    """A reading with the stretch that it was taken from."""

    reading: Reading
    stretch: Stretch
    effective: float


def measured(build: Build, found: LogFindings, name: str) -> tuple[Measured, ...]:
    """What the log hands to the journal; nothing from a sensor that reads a wrong zero."""
    frame = found.log.frame
    doubted = {one.quantity for one in found.findings if one.kind == "gauge"}
    rows: list[Measured] = []
    if "rail_gauge" in frame and "manifold_pressure" in frame and not doubted:
        rows += _shared(list(_of(build, found, name, "rail-pressure", "rail_gauge")))
    if "lambda_aligned" in frame and found.log.lag is not None:
        rows += _shared(list(_of(build, found, name, "lambda", "lambda_aligned")))
    if "manifold_pressure" in frame and "pressure" not in doubted:
        rows += _shared(list(_of(build, found, name, "manifold-pressure", "manifold_pressure")))
    return tuple(rows)


STATES = {
    "rail-pressure": ("key-on", "idle", "held-speed", "full-load"),
    "lambda": ("full-load",),
    "manifold-pressure": ("full-load",),
}


def _of(build: Build, found: LogFindings, name: str, kind: str, channel: str) -> Iterator[Measured]:
    for one in chosen(build, found):
        if one.state not in STATES[kind]:
            continue
        log = found.log
        part = settled(log, one) if one.kind == "pull" else one.rows
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
        yield Measured(_reading(kind, one, mean, said, name), one, mean.effective)


def _reading(kind: str, one: Stretch, mean: Mean, said: Conditions, name: str) -> Reading:
    typed = f"{mean.value:.3f}" if kind == "lambda" else f"{mean.value / 1e3:.1f} kPa"
    note = (
        f"{one.start:.1f} to {one.end:.1f} s, rows {one.first_row} to {one.last_row}, worth"
        f" {mean.effective:.0f} independent ones"
    )
    return Reading(kind, one.state, mean.value, mean.spread, typed, f"log {name}", said, note)


def _shared(rows: list[Measured]) -> list[Measured]:
    """The sensor's bias added, as often as there are readings of that sensor."""
    return [
        replace(
            row,
            reading=replace(
                row.reading,
                spread=float(
                    np.hypot(
                        row.reading.spread,
                        np.sqrt(len(rows))
                        * kinds()[row.reading.kind].usual_spread(row.reading.value),
                    )
                ),
            ),
        )
        for row in rows
    ]


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
