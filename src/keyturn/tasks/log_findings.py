"""A log judged against the model of its build, and its stretches handed to the journal."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from keyturn.build.model import Build
from keyturn.build.read import load
from keyturn.evidence.reading import Reading, to_row
from keyturn.journal import readings as journal
from keyturn.journal.slip import expected, suspect
from keyturn.journal.store import opened
from keyturn.logs.findings import judge
from keyturn.logs.found import LogFindings
from keyturn.logs.frame import Frame, Recording
from keyturn.logs.parquet import read_frame
from keyturn.logs.readings import Measured, measured
from keyturn.system.result import CheckResult
from keyturn.tasks.check import check
from keyturn.tasks.read import folder_of


@dataclass(frozen=True)
class LogResult:
    """One log judged: findings with their rows, and what it measured."""

    name: str
    found: LogFindings
    measured: tuple[Measured, ...]
    check: CheckResult  # what the model expected
    build: Build


@dataclass(frozen=True)
class Handed:
    """Readings of a log as they stand in the journal."""

    readings: tuple[Reading, ...]
    again: int  # of those, how many the journal held already


def findings(
    build: str | Path, recording: Recording, prediction: CheckResult | None = None
) -> LogResult:
    """Judge a confirmed recording; ``prediction`` saves working out the model again."""
    model = load(build)
    expectation = check(model) if prediction is None else prediction
    frame = _frame(recording)
    rates = {name: channel.rate for name, channel in recording.channels.items()}
    found = judge(model, expectation, frame, rates)
    rows = measured(model, found, recording.name)
    return LogResult(recording.name, found, rows, expectation, model)


def _frame(recording: Recording) -> Frame:
    """Every channel, read one after the other: together their tables would stand there twice."""
    channels = {name: read_frame(recording, [name])[name] for name in recording.channels}
    return Frame(np.array(recording.times()), channels)


def hand_over(build: str | Path, result: LogResult) -> Handed:
    """Store the measured stretches as readings; the same log twice stores them once.

    A reading far from what is expected, that another unit or zero would bring right, is kept apart
    as suspected, as one that was typed would be.
    """
    rows = [(_judged(one.reading, result), _token(one.reading)) for one in result.measured]
    if not rows:
        return Handed((), 0)
    with opened(folder_of(build), write=True) as book:
        done = journal.store_each_once(book, rows)
    return Handed(tuple(kept for kept, _ in done), sum(not new for _, new in done))


def _judged(reading: Reading, result: LogResult) -> Reading:
    model = result.build
    slip = suspect(
        reading, expected(reading, result.check), model.site.barometer.si,
        model.fuel.stoichiometric.si,
    )  # fmt: skip
    if slip is None:
        return reading
    return replace(reading, status="suspected", suspicion=slip.words)


def _token(reading: Reading) -> str:
    row = to_row(reading)
    text = repr([row[name] for name in ("kind", "state", "typed", "instrument", "note")])
    return f"log-{hashlib.sha256(text.encode()).hexdigest()[:40]}"
