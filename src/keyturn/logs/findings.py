"""A log judged: what can be judged by it, what was found, and where."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from keyturn.build.model import Build
from keyturn.logs import quality
from keyturn.logs.air_findings import (
    heat_notes,
    knock_findings,
    lean_findings,
    limit_findings,
)
from keyturn.logs.boost import Earlier, Loss, line_of, losses, shown
from keyturn.logs.boost_findings import boost_findings, boost_notes
from keyturn.logs.derive import TURNING, Derived, derive, reduced
from keyturn.logs.found import GRADES, KINDS, Finding, LogFindings, Points
from keyturn.logs.frame import Frame, Samples
from keyturn.logs.fuel_findings import base_of, fuel_findings
from keyturn.logs.stretches import Stretch, stretches
from keyturn.system.result import CheckResult

POINTS_A_SECOND = 5.0  # of a pull
MOST_POINTS = 1500


def judge(
    build: Build,
    check: CheckResult,
    frame: Frame,
    rates: Mapping[str, float] | None = None,
    earlier: Earlier | None = None,
) -> LogFindings:
    """Everything that can be said about a log of this build.

    ``check`` is what the model says about the build, ``rates`` how many values a second each
    channel has where that is known; ``earlier`` is a log of the same car to hold the boost of this
    one against. Of ``frame`` no more than one channel is held at a time.
    """
    calm, step = reduced(frame)
    log = derive(build, check, calm, step)
    found = stretches(build, log)
    refused = quality.judge(frame, rates or {}, found)
    if refused:
        out = {one.what for one in refused}
        kept = {name: values for name, values in calm.channels.items() if name not in out}
        calm = Frame(calm.time, kept)
        log = derive(build, check, calm, step)
        found = stretches(build, log)
    unrun = quality.unrun(calm)
    refusals = (*refused, *quality.missing(calm), *((unrun,) if unrun else ()))
    judged = _judged(build, check, log, found) if unrun is None else ()
    line = line_of(build, check, log, found)
    lost = () if line is None else losses(build, line, earlier)
    findings = [one for one in _all(build, check, log, found, lost) if one.kind in judged]
    findings.sort(key=lambda one: (-GRADES.index(one.grade), KINDS.index(one.kind)))
    said = (*heat_notes(check, log), *boost_notes(lost), *_unjudged(judged, log, found))
    return LogFindings(
        tuple(findings), refusals, judged, found, _points(log, found), log,
        (*log.notes, *said), line,
    )  # fmt: skip


def _all(
    build: Build,
    check: CheckResult,
    log: Derived,
    found: tuple[Stretch, ...],
    lost: tuple[Loss, ...],
) -> Iterator[Finding]:
    if "engine_speed" not in log.frame:
        return
    yield from fuel_findings(check, log, found)
    yield from boost_findings(build, check, log, found, lost)
    yield from lean_findings(build, check, log, found)
    yield from knock_findings(log, found)
    yield from limit_findings(check, log)


def _judged(
    build: Build, check: CheckResult, log: Derived, found: tuple[Stretch, ...]
) -> tuple[str, ...]:
    """Kinds of finding that this log allows; of the others its silence says nothing."""
    have = log.frame.channels.keys()
    if "engine_speed" not in have:
        return ()
    pulled = any(one.kind == "pull" for one in found)
    base = base_of(check, log, found)
    standing = bool((log.frame["engine_speed"] < TURNING).any())
    boosted = shown(build, log) and pulled
    allowed = {
        "gauge": standing and bool(have & {"rail_gauge", "manifold_pressure"}),
        "reference": base is not None and bool(np.isfinite(base.slope)),
        "set point": base is not None,
        "wiring": {"voltage", "manifold_pressure"} <= have and pulled,
        "heat": (base is not None and pulled)
        or bool(have & {"inlet_temperature", "coolant_temperature"}),
        "supply limit": base is not None and pulled,
        "injector duty": "duty" in have and pulled,
        "belt slip": boosted,
        "boost leak": boosted,
        "lean excursion": pulled and {"lambda_aligned", "lambda_wanted"} <= have,
        "knock retard": "knock_retard" in have and pulled,
    }
    return tuple(kind for kind in KINDS if allowed[kind])


def _unjudged(judged: tuple[str, ...], log: Derived, found: tuple[Stretch, ...]) -> Iterator[str]:
    if not any(one.kind == "pull" for one in found):
        yield "no pull in this log: nothing is said about full load"
    if "across_error" in log.frame and "set point" not in judged:
        yield "no steady stretch at light load: there is no base to measure a fall from"
    left = [kind for kind in KINDS if kind not in judged]
    if left and judged:
        yield "not judged from this log: " + ", ".join(left)


def _points(log: Derived, found: tuple[Stretch, ...]) -> Points:
    """Measured points of the corridor: means of steady stretches, and pulls row by row."""
    if not {"fuel_flow", "across_injector"} <= log.frame.channels.keys():
        empty = np.empty(0)
        return Points(empty, empty, empty, np.empty(0, dtype=bool), empty)
    step = max(1, round(log.rate / POINTS_A_SECOND))
    pulls = [np.arange(one.first, one.last + 1, step) for one in found if one.kind == "pull"]
    rows = np.concatenate(pulls) if pulls else np.empty(0, dtype=np.int64)
    rows = rows[:: max(1, -(-len(rows) // MOST_POINTS))]
    steady = [one.rows for one in found if one.kind == "steady"][:MOST_POINTS]
    middles = [(one.start + one.end) / 2 for one in found if one.kind == "steady"][:MOST_POINTS]

    def both(name: str) -> Samples:
        if name not in log.frame:
            return np.full(len(steady) + len(rows), np.nan)
        values = log.frame[name]
        means = [values[part].mean() for part in steady]
        return np.concatenate((np.array(means, dtype=np.float64), values[rows]))

    return Points(
        both("fuel_flow"), both("rail_gauge"), both("across_injector"),
        np.concatenate((np.zeros(len(steady), dtype=bool), np.ones(len(rows), dtype=bool))),
        np.concatenate((middles, log.frame.time[rows])),
    )  # fmt: skip
