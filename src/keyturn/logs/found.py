"""What is found in a log: frozen data, read by report/ and the faces. SI inside."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from keyturn.logs.boost import Line
from keyturn.logs.derive import Derived
from keyturn.logs.frame import Samples
from keyturn.logs.stretches import Stretch, runs

KINDS = (
    "gauge", "reference", "set point", "wiring", "heat", "supply limit", "injector duty",
    "belt slip", "boost leak", "lean excursion", "knock retard",
)  # fmt: skip
GRADES = ("look", "stop the run", "end the session")
HOLD = 0.3  # [s] for which a limit has to be passed; common practice, no printed source


@dataclass(frozen=True)
class Span:
    """Where it shows."""

    start: float  # [s]
    end: float
    first_row: int  # of the log, its first data row is 0
    last_row: int


@dataclass(frozen=True)
class Finding:
    """One thing that is wrong, in the words of the trade, with its rows."""

    kind: str
    grade: str
    sentence: str
    size: float  # SI, how large at its worst
    quantity: str  # glossary name, for its unit
    spans: tuple[Span, ...]
    next_step: str  # what tells it from other causes


@dataclass(frozen=True)
class Refusal:
    """What could not be judged from this log, and what to record next time."""

    what: str  # a channel, or what is left unjudged
    problem: str
    next_time: str


@dataclass(frozen=True)
class Points:
    """Measured points for the corridor; arrays (points,)."""

    fuel_flow: Samples  # [m3/s]
    rail_gauge: Samples  # [Pa]; NaN where it was not recorded
    across_injector: Samples  # [Pa]
    pull: NDArray[np.bool_]  # False: the mean of a steady stretch
    time: Samples  # [s] on the clock of the log; of a steady stretch its middle


@dataclass(frozen=True)
class LogFindings:
    """The whole answer on one log."""

    findings: tuple[Finding, ...]
    refusals: tuple[Refusal, ...]
    judged: tuple[str, ...]  # kinds that this log allows to be judged
    stretches: tuple[Stretch, ...]
    points: Points
    log: Derived
    notes: tuple[str, ...]
    boost: Line | None = None  # of the pulls, for later logs to be held against

    @property
    def usable(self) -> bool:
        """Whether anything at all could be judged."""
        return bool(self.judged)


def spans(log: Derived, mask: NDArray[np.bool_], least: float = HOLD) -> tuple[Span, ...]:
    """Runs of true rows that last, as spans of the log."""
    rows = max(1, int(np.ceil(least * log.rate - 1e-6)))
    return tuple(span(log, *ends) for ends in runs(mask, log.broken(), rows))


def span(log: Derived, first: int, last: int) -> Span:
    """Rows here as a span of the log."""
    time = log.frame.time
    end = int(log.rows[last]) + log.step - 1
    return Span(float(time[first]), float(time[last]), int(log.rows[first]), end)


def inside(log: Derived, found: tuple[Span, ...]) -> NDArray[np.bool_]:
    """True in the rows of the spans."""
    mask = np.zeros(len(log.frame), dtype=bool)
    for ends in _rows(log, found):
        mask[ends] = True
    return mask


def _rows(log: Derived, found: tuple[Span, ...]) -> Iterator[slice]:
    for one in found:
        yield slice(one.first_row // log.step, one.last_row // log.step + 1)


def calm(log: Derived, values: Samples, seconds: float = 0.25) -> Samples:
    """A running mean, so that the noise of single rows passes no limit."""
    from scipy.ndimage import uniform_filter1d

    width = max(1, round(seconds * log.rate))
    there = np.isfinite(values)
    if there.all():
        whole: Samples = uniform_filter1d(values, width)
        return whole
    # the filter sums as it goes: one NaN would spoil everything behind it
    total = uniform_filter1d(np.where(there, values, 0.0), width)
    count = uniform_filter1d(there.astype(np.float64), width)
    found: Samples = np.where(there, total / np.maximum(count, 0.5 / width), np.nan)
    return found


def grade(size: float, stop: float, end: float) -> str:
    """How serious a size is."""
    return GRADES[0] if size < stop else GRADES[1] if size < end else GRADES[2]
