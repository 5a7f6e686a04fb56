"""Findings on the fuel side: gauge, reference, set point, wiring, heat, supply.

Everything rests on one channel, ``across_error``: pressure across the injectors less what the
model expects at that speed and manifold pressure. Flat and off is a set point or a gauge, sloping
with the manifold is the reference, falling with flow is the supply, and what goes with it says why.
Limits: common practice, no printed source, `LOOK`, `STOP` and `END`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from keyturn.evidence.reading import kinds
from keyturn.logs.derive import TURNING, Derived
from keyturn.logs.found import Finding, Span, calm, grade, inside, spans
from keyturn.logs.frame import Samples
from keyturn.logs.stretches import Stretch, mean_of, settled
from keyturn.system.result import CheckResult

LOOK, STOP, END = 1.4e4, 2.1e4, 3.4e4  # [Pa] 2, 3 and 5 psi below the base
ZERO_OFF = 7.0e3  # [Pa] 1 psi: more than the usual error of a sender at zero
MANIFOLD_OFF = 5.0e3  # [Pa] at key-on against the barometer
SLOPE_OFF = 0.4  # Pa of error for each Pa of manifold: none is right, one is no reference at all
LEAST_SWING = 2.5e4  # [Pa] of manifold pressure over which the slope is fitted
LIGHT_FLOW = 0.4  # share of the greatest expected flow up to which the base is taken
WIDER = 2.0  # times the half width of the 90 % band: one car in a thousand lies beyond
VOLTS_LOOK, VOLTS_STOP, VOLTS_END = 12.8, 12.6, 12.0  # [V] under load
UNDER_LOAD = 0.85  # of the barometer, manifold pressure from which volts are judged
LEAST_PULLS = 4  # that show growth from pull to pull
GROWING = 0.6  # rank correlation of the fall with the number of the pull


@dataclass(frozen=True)
class Base:
    """Error at light load, what the falls are measured from."""

    error: float  # [Pa]
    slope: float  # [-] with manifold pressure; NaN where it could not be fitted
    light: NDArray[np.bool_]


def fuel_findings(
    check: CheckResult, log: Derived, found: tuple[Stretch, ...]
) -> Iterator[Finding]:
    """All findings of the fuel side."""
    zero = list(_zeros(check, log))
    yield from zero
    low = _low_volts(check, log)
    base = base_of(check, log, found)
    falls: tuple[Span, ...] = ()
    if base is not None:
        off = list(_reference(log, base))
        yield from off
        # without its reference the pressure is wrong everywhere, and says nothing about the rest
        if not off:
            shown = next((one.size for one in zero if one.quantity == "pressure_gauge"), 0.0)
            falls = _falls(log, base)
            # less flow through the regulator lowers its pressure a little: with a weak supply a
            # small error at light load is no second fault
            weak = bool(falls or low) and -END < base.error < 0.0
            if not weak:
                yield from _set_point(log, base, shown)
    if low:
        yield _wiring(log, low, falls)
    if base is not None and falls:
        rest = spans(log, inside(log, falls) & ~inside(log, low)) if low else falls
        if rest:
            yield _supply(log, base, rest, found)


def _zeros(check: CheckResult, log: Derived) -> Iterator[Finding]:
    """Engine off: the manifold reads the weather, the rail reads nothing before the pump runs."""
    if "engine_speed" not in log.frame:
        return
    standing = log.frame["engine_speed"] < TURNING
    if "manifold_pressure" in log.frame:
        off = np.where(standing, log.frame["manifold_pressure"] - check.barometer, np.nan)
        yield from _zero_finding(log, off, MANIFOLD_OFF, "manifold sensor", "barometer", "pressure")
    if "rail_gauge" in log.frame:
        quiet = np.abs(log.frame["rail_gauge"]) < 0.4 * check.wanted_pressure.p50
        off = np.where(standing & quiet, log.frame["rail_gauge"], np.nan)
        yield from _zero_finding(log, off, ZERO_OFF, "rail sensor", "zero", "pressure_gauge")


def _zero_finding(
    log: Derived, off: Samples, limit: float, sensor: str, of_what: str, quantity: str
) -> Iterator[Finding]:
    rows = spans(log, np.isfinite(off), 1.0)
    if not rows:
        return
    error = float(np.nanmedian(off[inside(log, rows)]))
    if abs(error) <= limit:
        return
    more = (
        " About one atmosphere: an absolute reading was taken for a gauge one."
        if quantity == "pressure_gauge" and abs(error - 1.0e5) < 1.2e4
        else ""
    )
    yield Finding(
        "gauge", grade(abs(error), STOP, END),
        f"With the engine off the {sensor} is {_kpa(error)} from {of_what}.{more}",
        error, quantity, rows,
        "open the line to the air, key on, and read it again: pressure that was held in the rail"
        " looks like this too; then compare it with a gauge you trust at two pressures",
    )  # fmt: skip


def base_of(check: CheckResult, log: Derived, found: tuple[Stretch, ...]) -> Base | None:
    """The error at light load; None where the log has no steady light load."""
    if "across_error" not in log.frame:
        return None
    steady = np.zeros(len(log.frame), dtype=bool)
    for one in found:
        steady[one.rows] |= one.kind == "steady"
    greatest = float(np.nanmax(check.corridor.fuel_flow))
    light = (
        steady
        & (log.frame["fuel_expected"] < LIGHT_FLOW * greatest)
        & np.isfinite(log.frame["across_error"])
    )
    if light.sum() < 2.0 * log.rate:
        return None
    error, manifold = log.frame["across_error"][light], log.frame["manifold_pressure"][light]
    low, high = np.quantile(manifold, (0.02, 0.98))
    slope = float(np.polyfit(manifold - low, error, 1)[0]) if high - low > LEAST_SWING else np.nan
    return Base(float(np.median(error)), slope, light)


def _reference(log: Derived, base: Base) -> Iterator[Finding]:
    if not np.isfinite(base.slope) or abs(base.slope) < SLOPE_OFF:
        return
    lost = base.slope < 0.0
    words = (
        "does not follow the manifold as this build says it should: the regulator's reference"
        " hose is off, blocked, leaking or full of fuel"
        if lost
        else "follows the manifold although this build says that the regulator does not: its"
        " reference is connected, or the manifold channel is wrong"
    )
    yield Finding(
        "reference", "end the session",
        f"Rail pressure {words} ({abs(base.slope):.0%} of each change of manifold pressure is"
        " missing or too much).",
        base.slope, "", spans(log, base.light, 2.0),
        "at idle pull the hose and plug it: the reading must move; look for fuel in it",
    )  # fmt: skip


def _set_point(log: Derived, base: Base, zero: float) -> Iterator[Finding]:
    frame, light = log.frame, base.light
    half = float(np.median((frame["across_high"] - frame["across_low"])[light])) / 2.0
    sensor = kinds()["rail-pressure"].usual_spread(float(np.median(frame["across_expected"])))
    allowed = max(LOOK, float(np.hypot(WIDER * half, 2.0 * sensor)))
    if abs(base.error) <= allowed:
        return
    rows = spans(log, light, 2.0)
    side = "above" if base.error > 0.0 else "below"
    if zero and abs(base.error - zero) <= allowed:
        # the sensor's own zero is off by as much: that was said already
        return
    yield Finding(
        "set point", grade(abs(base.error), STOP, END) if base.error < 0.0 else "look",
        f"At light load the pressure across the injectors lies {_kpa(abs(base.error))} {side}"
        " what this build gives, and it is flat: the regulator is set otherwise than written.",
        base.error, "pressure_drop", rows,
        "check the sensor against a gauge you trust first; then set the regulator at idle with the"
        " reference hose off, or correct the build file",
    )  # fmt: skip


def _falls(log: Derived, base: Base) -> tuple[Span, ...]:
    """Where the pressure falls below its base further than the model expects, and stays there."""
    return spans(log, _fall(log, base) > LOOK)


def _fall(log: Derived, base: Base) -> Samples:
    return base.error - calm(log, log.frame["across_error"])


def _low_volts(check: CheckResult, log: Derived) -> tuple[Span, ...]:
    if "voltage" not in log.frame or "manifold_pressure" not in log.frame:
        return ()
    loaded = (log.frame["manifold_pressure"] > UNDER_LOAD * check.barometer) & (
        log.frame["engine_speed"] > 3.0 * TURNING
    )
    return spans(log, loaded & (calm(log, log.frame["voltage"]) < VOLTS_LOOK))


def _wiring(log: Derived, low: tuple[Span, ...], falls: tuple[Span, ...]) -> Finding:
    volts = calm(log, log.frame["voltage"])
    least = float(np.min(volts[inside(log, low)]))
    both = bool((inside(log, falls) & inside(log, low)).any())
    words = "and the fuel pressure falls with it" if both else "the fuel pressure still holds"
    serious = 2 if least < VOLTS_END else 1 if least < VOLTS_STOP else 0
    return Finding(
        "wiring", ("look", "stop the run", "end the session")[serious],
        f"Under load the voltage is down to {least:.1f} V, {words}.",
        least, "voltage", low,
        "measure from the battery to the pump's plug, plus side and ground side, pump running under"
        " load; if the battery itself is low, the alternator",
    )  # fmt: skip


def _supply(
    log: Derived, base: Base, rows: tuple[Span, ...], found: tuple[Stretch, ...]
) -> Finding:
    fall = _fall(log, base)
    mask = inside(log, rows)
    deepest = float(np.nanmax(fall[mask]))
    serious = grade(deepest, STOP, END)
    flow = log.frame["fuel_flow"] if "fuel_flow" in log.frame else log.frame["fuel_expected"]
    start = float(np.nanquantile(flow[mask], 0.05)) * 3.6e6
    if _grows(log, fall, found):
        return Finding(
            "heat", serious,
            f"The pressure across the injectors falls by up to {_kpa(deepest)}, more from pull to"
            " pull at the same load and voltage: fuel or pump get hot.",
            deepest, "pressure_drop", rows,
            "let it cool down and repeat the first pull: the fall must be small again; log the fuel"
            " temperature at the pump",
        )  # fmt: skip
    return Finding(
        "supply limit", serious,
        f"The pressure across the injectors falls by up to {_kpa(deepest)} below its base, from"
        f" about {start:.0f} L/h on: the supply does not give that flow at that pressure.",
        deepest, "pressure_drop", rows,
        "measure pump flow at working pressure and voltage, and the pressure before and after the"
        " filter; lower boost and speed until it is put right",
    )  # fmt: skip


def _grows(log: Derived, fall: Samples, found: tuple[Stretch, ...]) -> bool:
    """Whether the fall at the end of like pulls grows in the course of the log."""
    pulls = [one for one in found if one.kind == "pull"]
    if len(pulls) < LEAST_PULLS:
        return False
    speed = np.array([float(log.frame["engine_speed"][settled(log, one)].mean()) for one in pulls])
    depth = np.array([mean_of(fall[settled(log, one)]).value for one in pulls])
    like = np.abs(speed / np.median(speed) - 1.0) < 0.05
    depth = depth[like & np.isfinite(depth)]
    if len(depth) < LEAST_PULLS:
        return False
    third = max(1, len(depth) // 3)
    more = float(depth[-third:].mean() - depth[:third].mean())
    order = np.argsort(np.argsort(depth))
    return more > LOOK and float(np.corrcoef(order, np.arange(len(depth)))[0, 1]) > GROWING


def _kpa(pressure: float) -> str:
    return f"{pressure / 1e3:.0f} kPa ({pressure / 6894.757:.1f} psi)"
