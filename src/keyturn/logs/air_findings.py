"""Findings on mixture, knock, injectors and heat of air and coolant.

Limits: common practice, no printed source.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from keyturn.build.model import Build
from keyturn.logs.derive import LONGEST_LAG, TURNING, Derived
from keyturn.logs.found import HOLD, Finding, calm, grade, inside, spans
from keyturn.logs.fuel_findings import LOOK, base_of
from keyturn.logs.stretches import Stretch
from keyturn.system.result import CheckResult

BOOSTED = 5.0e3  # [Pa] above the barometer
LEANER = 0.04  # lambda over target
RICH_ENOUGH = 0.88  # lambda in boost that ends the session
KNOCK_LOOK, KNOCK_END = np.radians(2.0), np.radians(4.0)
DUTY_STOP, DUTY_END = 0.85, 0.90
INLET_HOT, INLET_END = 333.15, 343.15  # [K] 60 and 70 degrees Celsius
COOLANT_HOT, COOLANT_END = 378.15, 383.15  # [K] 105 and 110 degrees Celsius
EXPECTED_OVER = 5.0  # [K] above the model's band


def lean_findings(
    build: Build, check: CheckResult, log: Derived, found: tuple[Stretch, ...]
) -> Iterator[Finding]:
    """Leaner than wanted in boost, with whether the fuel pressure held."""
    frame = log.frame
    if not {"lambda_aligned", "lambda_wanted", "manifold_pressure"} <= frame.channels.keys():
        return
    boosted = (frame["manifold_pressure"] > check.barometer + BOOSTED) & (
        frame["engine_speed"] > TURNING
    )
    over = calm(log, frame["lambda_aligned"] - frame["lambda_wanted"], 0.2)
    # without a known lag a change of load looks lean for as long as the lag can be
    least = HOLD if log.lag is not None else HOLD + LONGEST_LAG
    allowed = LEANER
    if "lambda_target" not in frame:
        # the build only says roughly what the control unit aims at
        allowed = max(LEANER, LEANER / 2 + 2.0 * build.mixture.curve.spread)
    rows = spans(log, boosted & (over > allowed), least)
    if not rows:
        return
    mask = inside(log, rows)
    worst = float(np.nanmax(over[mask]))
    leanest = float(np.nanmax(calm(log, frame["lambda_aligned"])[mask]))
    base = base_of(check, log, found)
    fallen = False
    if base is not None:
        error = calm(log, frame["across_error"])[mask]
        fallen = float(np.mean(base.error - error > LOOK)) > 0.5
    why = (
        "with the fuel pressure down: the supply is the cause"
        if fallen
        else "with the fuel pressure up, or not known to be down: injector data, the air model, a"
        " leak or the probe"
    )
    yield Finding(
        "lean excursion", "end the session" if leanest > RICH_ENOUGH else "stop the run",
        f"In boost lambda is up to {worst:.2f} over what is wanted ({leanest:.2f}), {why}.",
        worst, "lambda", rows,
        "put the supply right before any further load"
        if fallen
        else "no further load before it is explained: compare injector data, look for exhaust and"
        " inlet leaks, check the probe in free air",
    )  # fmt: skip


def knock_findings(log: Derived, found: tuple[Stretch, ...]) -> Iterator[Finding]:
    """Knock retard; twice in one log ends the session."""
    if "knock_retard" not in log.frame:
        return
    over = log.frame["knock_retard"] > KNOCK_LOOK
    rows = spans(log, over, 1.0 / log.rate)
    if not rows:
        return
    worst = float(np.nanmax(log.frame["knock_retard"][over]))
    hit = sum(bool(over[one.rows].any()) for one in found if one.kind == "pull")
    end = worst > KNOCK_END or hit > 1
    yield Finding(
        "knock retard", "end the session" if end else "stop the run",
        f"Knock retard up to {np.degrees(worst):.1f} degrees, {len(rows)} times, in {hit} pulls.",
        worst, "knock_retard", rows,
        "less boost and timing, cooler air, better fuel; plugs or headphones tell true knock from"
        " a rattling bracket",
    )  # fmt: skip


def limit_findings(check: CheckResult, log: Derived) -> Iterator[Finding]:
    """Injector duty, and heat of inlet air and coolant."""
    frame = log.frame
    if "duty" in frame:
        duty = calm(log, frame["duty"])
        rows = spans(log, duty > DUTY_STOP)
        if rows:
            worst = float(np.nanmax(duty))
            yield Finding(
                "injector duty", "end the session" if worst > DUTY_END else "stop the run",
                f"The injectors are driven {worst:.0%} of the time.",
                worst, "duty", rows,
                "less load, or larger injectors; first see that the fuel pressure holds",
            )  # fmt: skip
    for name, hot, end, words in (
        ("inlet_temperature", INLET_HOT, INLET_END, "Inlet air"),
        ("coolant_temperature", COOLANT_HOT, COOLANT_END, "Coolant"),
    ):
        if name not in frame:
            continue
        limit = hot
        if name == "inlet_temperature":
            line = check.full_load
            limit = max(hot, float(line.inlet_temperature[2].max()) + EXPECTED_OVER)
        values = calm(log, frame[name])
        rows = spans(log, values > limit, 1.0)
        if rows:
            worst = float(np.nanmax(values))
            yield Finding(
                "heat", grade(worst, hot, end),
                f"{words} reaches {worst - 273.15:.0f} °C.",
                worst, name, rows, "let it cool down before the next pull",
            )  # fmt: skip


def heat_notes(check: CheckResult, log: Derived) -> Iterator[str]:
    """Inlet air past its usual limit, but as hot as the model says: no surprise, still hot."""
    if "inlet_temperature" not in log.frame:
        return
    worst = float(np.nanmax(calm(log, log.frame["inlet_temperature"])))
    expected = float(check.full_load.inlet_temperature[2].max()) + EXPECTED_OVER
    if INLET_HOT < worst <= expected:
        yield (
            f"inlet air reaches {worst - 273.15:.0f} °C: past the usual limit of 60, and as the"
            " model of this build expects"
        )
