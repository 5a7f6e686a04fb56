"""Findings on boost: a slipping belt, an opening in the tract, and what could not be told."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from keyturn.build.model import Build
from keyturn.logs.boost import NAMED, SENSOR, Loss, pulling_rows, shown
from keyturn.logs.derive import Derived
from keyturn.logs.found import Finding, Span, calm, inside, spans
from keyturn.logs.frame import Samples
from keyturn.logs.fuel_findings import WIDER
from keyturn.logs.stretches import Stretch
from keyturn.system.result import CheckResult

TOLD = 1.0  # log likelihood by which one kind has to explain the line better than the other
WORDS = {
    "belt slip": "the belt slips by {} of the blower's speed at the redline",
    "boost leak": "{} of the charge at half the redline leaks",
}
WHY = {
    "belt slip": "more with speed, as a slipping belt does",
    "boost leak": "no more at high speed than at low, as a leak or an open bypass does",
}
NEXT = {
    "belt slip": "mark belt and pulleys and look for dust and glaze; log the blower's speed",
    "boost leak": "pressurise the tract with the engine off and listen; see that the bypass shuts",
}


def boost_findings(
    build: Build,
    check: CheckResult,
    log: Derived,
    found: tuple[Stretch, ...],
    lost: tuple[Loss, ...],
) -> Iterator[Finding]:
    """Full-load manifold pressure missing: slip of the belt or a leak.

    ``lost`` is what the whole line of the pulls says; a dip that it does not explain, far below
    the model's band at some speed, is found beside it.
    """
    if not shown(build, log):
        return
    pulling = pulling_rows(log, found)
    line, speed = check.full_load, log.frame["engine_speed"]
    low, middle = (np.interp(speed, line.engine_speed, line.manifold_pressure[n]) for n in (0, 1))
    missing = middle - calm(log, log.frame["manifold_pressure"])
    below = spans(log, pulling & (missing > WIDER * (middle - low) + SENSOR))
    first = max(lost, key=lambda one: one.sigmas, default=None)
    if first is not None and first.sigmas > NAMED:
        rows = below or spans(log, pulling & (missing > SENSOR)) or spans(log, pulling)
        worst = float(np.max(missing[inside(log, rows)]))
        yield _finding(first.kind, worst, f"{_sized(first)}{_apart(first, lost)}", rows)
    elif below:
        slips = build.blower is not None and _rises(speed[pulling], (missing / middle)[pulling])
        kind = "belt slip" if slips else "boost leak"
        yield _finding(kind, float(np.max(missing[inside(log, below)])), WHY[kind], below)


def _finding(kind: str, worst: float, why: str, rows: tuple[Span, ...]) -> Finding:
    return Finding(
        kind, "stop the run",
        f"At full load up to {worst / 1e3:.0f} kPa of manifold pressure are missing, {why}.",
        worst, "pressure_drop", rows, NEXT[kind],
    )  # fmt: skip


def _sized(loss: Loss) -> str:
    """How large, how sure, and against what."""
    share = f"{loss.share:.0%} (±{2.0 * loss.spread:.0%})"
    against = "the model" if loss.against is None else f"{loss.against}, if nothing was changed"
    return f"{WHY[loss.kind]}: {WORDS[loss.kind].format(share)}, against {against}"


def _apart(first: Loss, lost: tuple[Loss, ...]) -> str:
    """Whether the other kind would explain the line nearly as well."""
    for other in lost:
        beside = other.kind != first.kind and other.against == first.against
        if beside and (first.sigmas**2 - other.sigmas**2) / 2.0 < TOLD and other.sigmas > 0.0:
            return f"; a {other.kind} would explain it nearly as well"
    return ""


def boost_notes(lost: tuple[Loss, ...]) -> Iterator[str]:
    """How small a loss this log and this build can tell; below that silence means nothing."""
    for against in dict.fromkeys(one.against for one in lost):
        parts = [
            WORDS[one.kind].format(f"less than {one.least:.0%}")
            for one in lost
            if one.against == against
        ]
        of_what = (
            "the spread of the blower data and the sensor"
            if against is None
            else f"the scatter between two logs of one car ({against})"
        )
        yield f"boost: that {' or that '.join(parts)} cannot be told from {of_what}"


def _rises(speed: Samples, missing: Samples) -> bool:
    """Whether the missing share is larger in the upper third of the speeds than in the lower."""
    low, high = np.quantile(speed, (0.33, 0.67))
    return float(np.median(missing[speed >= high])) > float(np.median(missing[speed <= low]))
