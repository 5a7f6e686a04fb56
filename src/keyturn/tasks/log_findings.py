"""A log judged against the model of its build, and its stretches handed to the journal."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from keyturn.build.model import Build
from keyturn.build.read import load
from keyturn.evidence.reading import Reading, to_row
from keyturn.journal import readings as journal
from keyturn.journal.slip import expected, suspect
from keyturn.journal.store import opened
from keyturn.logs.boost import Earlier, Line
from keyturn.logs.findings import judge
from keyturn.logs.found import LogFindings
from keyturn.logs.frame import Frame, Recording
from keyturn.logs.readings import Measured, measured
from keyturn.logs.stored import OnDisk
from keyturn.system.result import CheckResult
from keyturn.tasks.check import check
from keyturn.tasks.files import write_all
from keyturn.tasks.read import folder_of

BOOST = ".boost.json"  # the line of a judged log, for later ones to be held against
PARTS = ("speed", "expected", "missing")


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
    """Judge a confirmed recording; ``prediction`` saves working out the model again.

    Its boost is held against the first log of the car that was judged and found whole, and is kept
    for later ones where it is found whole itself.
    """
    model = load(build)
    expectation = check(model) if prediction is None else prediction
    frame = Frame(recording.times(), OnDisk(recording))
    rates = {name: channel.rate for name, channel in recording.channels.items()}
    found = judge(model, expectation, frame, rates, _earlier(recording))
    _keep_line(recording, found)
    volts = recording.channels.get("voltage")
    at_pump = volts is not None and "pump" in volts.column.lower()
    rows = measured(model, found, recording.name, pump_voltage=at_pump)
    return LogResult(recording.name, found, rows, expectation, model)


def _earlier(recording: Recording) -> Earlier | None:
    """The line of the log of this car that was judged first, with its boost found whole."""
    kept = [
        path
        for path in recording.path.parent.glob(f"*{BOOST}")
        if path.name != f"{recording.name}{BOOST}"
    ]
    for path in sorted(kept, key=lambda path: (path.stat().st_mtime_ns, path.name)):
        try:
            rows = json.loads(path.read_text(encoding="utf-8"))
            line = Line(*(np.array(rows[name], dtype=np.float64) for name in PARTS))
        except (OSError, ValueError, KeyError, TypeError):
            continue  # made/ may be cleared at any time, also by half
        return Earlier(path.name.removesuffix(BOOST), line)
    return None


def _keep_line(recording: Recording, found: LogFindings) -> None:
    if found.boost is None or {one.kind for one in found.findings} & {"belt slip", "boost leak"}:
        return
    path = recording.path.parent / f"{recording.name}{BOOST}"
    if not path.exists():
        text = json.dumps({name: getattr(found.boost, name).tolist() for name in PARTS})
        write_all(path.parent, {path.name: text.encode()})


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
