"""Clocks written as text: what stands there is what comes back, over midnight and noon as well.

The expected seconds are those that the file was written from.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from keyturn.logs.stored import read_frame
from keyturn.tasks.log import import_log

ROWS = 300
STEP = 0.25  # [s]
NIGHT = datetime(2024, 1, 31, 23, 59, 40)
AMBIGUOUS = datetime(2024, 1, 11, 23, 59, 40)  # 01/11 and 01/12 are days in either order
TWELVE = datetime(2024, 1, 12, 23, 59, 40)  # 01/13 is not
NOON = datetime(2024, 3, 4, 11, 59, 40)
ONE = datetime(2024, 3, 4, 12, 59, 40)


def milli(moment: datetime) -> str:
    return f"{moment:%S}.{moment.microsecond // 1000:03d}"


WRITTEN: dict[str, tuple[datetime, Callable[[datetime], str]]] = {
    "hours over midnight": (NIGHT, lambda m: f"{m:%H:%M}:{milli(m)}"),
    "minutes and seconds": (NOON, lambda m: f"{m:%M}:{milli(m)}"),
    "iso": (NIGHT, lambda m: f"{m:%Y-%m-%dT%H:%M}:{milli(m)}"),
    "iso with zone": (NIGHT, lambda m: f"{m:%Y-%m-%d %H:%M}:{milli(m)}+02:00"),
    "iso ends with Z": (NIGHT, lambda m: f"{m:%Y-%m-%dT%H:%M}:{milli(m)}Z"),
    "points": (NIGHT, lambda m: f"{m:%d.%m.%Y %H:%M}:{milli(m)}"),
    "points, two digits of the year": (NIGHT, lambda m: f"{m:%d.%m.%y %H:%M}:{milli(m)}"),
    "day first": (NIGHT, lambda m: f"{m:%d/%m/%Y %H:%M}:{milli(m)}"),
    "month first": (NIGHT, lambda m: f"{m:%m/%d/%Y %H:%M}:{milli(m)}"),
    "month first, either order is a date": (AMBIGUOUS, lambda m: f"{m:%m/%d/%Y %H:%M}:{milli(m)}"),
    "day first, either order is a date": (AMBIGUOUS, lambda m: f"{m:%d/%m/%Y %H:%M}:{milli(m)}"),
    "month first, one date tells": (TWELVE, lambda m: f"{m:%m/%d/%Y %H:%M}:{milli(m)}"),
    "half days over noon": (NOON, lambda m: f"{m:%I:%M}:{milli(m)} {m:%p}"),
    "half days past one": (ONE, lambda m: f"{m:%I:%M}:{milli(m)} {m:%p}".lower()),
    "half days over midnight": (NIGHT, lambda m: f"{m:%I:%M}:{milli(m)} {m:%p}"),
    "half days with a date": (NOON, lambda m: f"{m:%m/%d/%Y %I:%M}:{milli(m)} {m:%p}"),
}


@pytest.mark.parametrize("name", WRITTEN)
def test_a_written_clock(name: str, car: Path, tmp_path: Path) -> None:
    start, write = WRITTEN[name]
    seconds = np.arange(ROWS) * STEP
    lines = ["Time,RPM,MAP (kPa abs)"]
    for number, at in enumerate(seconds):
        moment = start + timedelta(seconds=float(at))
        lines.append(f"{write(moment)},{0 if number < 20 else 900 + number % 7},"
                     f"{99.4 if number < 20 else 36.5}")  # fmt: skip
    path = tmp_path / "clock.csv"
    path.write_text("\n".join(lines) + "\n")
    recording = import_log(car, path, confirm=True).recording
    assert recording is not None
    assert recording.resets == ()
    assert recording.gaps == ()
    # milliseconds are printed; a sum of days and seconds in double keeps a tenth of a microsecond
    assert read_frame(recording).time == pytest.approx(seconds, abs=1e-6)


def test_a_clock_that_falls_within_its_head_stays_exact(car: Path, tmp_path: Path) -> None:
    """A time of many digits that starts again in the first rows is still kept in double."""
    raw = np.concatenate((np.arange(4), np.arange(600))) * 0.001 + 12345.0
    path = tmp_path / "clock.csv"
    rows = [f"{t:.3f},{900 + n % 7},36.5" for n, t in enumerate(raw)]
    path.write_text("\n".join(["Time (s),RPM,MAP (kPa abs)", *rows]) + "\n")
    recording = import_log(car, path, confirm=True).recording
    assert recording is not None
    steps = np.diff(read_frame(recording).time)[4:]
    # in four bytes a step at 12345 s would be 0 or 0.00098
    assert steps == pytest.approx(np.full(len(steps), 0.001), abs=1e-9)


def test_a_clock_that_looks_like_no_clock_is_read_again_exactly(car: Path, tmp_path: Path) -> None:
    """One that falls often in the rows that are looked at, and is said to be the time."""
    raw = np.arange(4000) * 0.01
    head = np.tile([0.0, 0.0, 0.01, 0.01], 1)
    path = tmp_path / "clock.csv"
    rows = [f"{t:.2f},{900 + n % 7},36.5" for n, t in enumerate(np.concatenate((head, raw)))]
    path.write_text("\n".join(["Stamp,RPM,MAP (kPa abs)", *rows]) + "\n")
    from keyturn.logs import sniff

    looked = sniff.SELDOM
    sniff.SELDOM = -1.0  # nothing passes for a clock
    try:
        recording = import_log(car, path, {"time": "Stamp as s"}, confirm=True).recording
    finally:
        sniff.SELDOM = looked
    assert recording is not None
    time = read_frame(recording).time
    assert np.diff(time)[10:] == pytest.approx(np.full(len(time) - 11, 0.01), abs=1e-12)
