"""Readings of logs: what a sensor of the logger is off by is one unknown, not one for each.

Every stretch of every log of a car is read with the same sensors. Their error is shared: however
many stretches there are, together they say no more about a level than one such sensor can, while
what differs between them is known better. So each sensor gets unknowns of its own, drawn once for
all its readings; what the readings state as their spread is only what is not shared.

Without another gauge on the fuel rail the sensor is the gauge of the car: it has the unknowns and
the faults of that, with the wider healthy zero of a sensor that nothing was held against.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from keyturn.evidence.reading import Reading, kinds
from keyturn.evidence.unknowns import Spread, Unknown
from keyturn.system.circuit import FloatArray

LOG = "log "  # how the instrument of a reading begins that comes from a log
SCALE = 0.01  # 1 sigma of a sensor's scale, common practice, no source
SOURCE = "the usual error of the instrument in data/readings.toml"
# kinds that the gauge at the rail reads
AT_RAIL = ("rail-pressure", "return-restricted", "before-filter", "after-filter", "gauge-zero")
# kind: its unknown and what that is
SHIFTS = {
    "lambda": ("log_lambda", "error of the log's lambda probe", "ratio"),
    "manifold-pressure": ("log_manifold", "error of the log's manifold sensor",
                          "pressure_difference"),
    "pump-voltage": ("log_voltage", "error of the log's voltage at the pump", "voltage"),
}  # fmt: skip
ZERO, RATIO = "log_zero", "log_scale"
Values = dict[str, FloatArray]


def of_log(reading: Reading) -> bool:
    """Whether a reading was taken from a log."""
    return reading.instrument.startswith(LOG)


def widened(rows: tuple[Unknown, ...], readings: tuple[Reading, ...]) -> tuple[Unknown, ...]:
    """The unknowns with those of the sensors that some reading was taken with."""
    logged = [item for item in readings if of_log(item)]
    more = list(_shifts(logged))
    rail = [item.value for item in logged if item.kind == "rail-pressure"]
    if not rail:
        return (*rows, *more)
    error = kinds()["rail-pressure"].usual_spread(float(np.median(rail)))
    if any(item.kind in AT_RAIL and not of_log(item) for item in readings):
        words = "of the log's fuel pressure sensor"
        more.append(_unknown(ZERO, f"zero error {words}", "pressure_difference", error))
        more.append(
            replace(
                _unknown(RATIO, f"scale error {words}", "ratio", SCALE),
                healthy=Spread("log", 0.0, SCALE), low=0.5, high=2.0,
            )
        )  # fmt: skip
        return (*rows, *more)
    rows = tuple(
        replace(
            row, healthy=replace(row.healthy, spread=float(np.hypot(row.healthy.spread, error)))
        )
        if row.name == "gauge_offset"
        else row
        for row in rows
    )
    return (*rows, *more)


def _shifts(logged: list[Reading]) -> Iterator[Unknown]:
    for kind, (name, words, quantity) in SHIFTS.items():
        read = [item.value for item in logged if item.kind == kind]
        if read:
            error = kinds()[kind].usual_spread(float(np.median(read)))
            yield _unknown(name, words, quantity, error)


def _unknown(name: str, words: str, quantity: str, error: float) -> Unknown:
    return Unknown(
        name, words, quantity, Spread("normal", 0.0, error), None, -10.0 * error, 10.0 * error,
        "one sensor reads every stretch of every log", SOURCE,
    )  # fmt: skip


def at_rail(values: Values, reading: Reading, pressure: FloatArray) -> FloatArray:
    """What the gauge or the sensor at the rail shows of ``pressure`` [Pa]."""
    zero, scale = "gauge_offset", "gauge_scale"
    if of_log(reading) and ZERO in values:
        zero, scale = ZERO, RATIO
    return values[zero][:, 0] + values[scale][:, 0] * pressure


def shifted(values: Values, reading: Reading, found: FloatArray) -> FloatArray:
    """``found`` as the sensor of a log shows it; as it is for any other instrument."""
    name = SHIFTS.get(reading.kind, ("",))[0]
    if not of_log(reading) or name not in values:
        return found
    return found + values[name][:, 0]
