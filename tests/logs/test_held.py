"""A short log is judged from memory while its table is written; the answer is the same."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from keyturn.errors import FileRefused
from keyturn.logs import table as tables
from keyturn.tasks.log import import_log, kept, recordings
from keyturn.tasks.new import new

ROWS = 30_000


@pytest.fixture
def car(tmp_path: Path) -> Path:
    new(tmp_path / "car", "pickup-screw")
    return tmp_path / "car"


def drive(path: Path, start: float = 0.0) -> Path:
    """An invented drive of ten minutes with a slow channel that leaves cells empty."""
    time = start + np.arange(ROWS) / 50.0
    load = np.clip(np.sin(time / 7.0), 0.0, 1.0)
    columns = {
        "Time (s)": np.round(time, 2),
        "RPM": np.round(850 + 4000 * load),
        "MAP (kPa abs)": np.round(38 + 130 * load, 1),
        "CLT (°C)": [str(88 + n % 3) if n % 10 == 0 else None for n in range(ROWS)],
    }
    pl.DataFrame(columns).write_csv(path)
    return path


def test_held_and_streamed_give_the_same(
    car: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    held = import_log(car, drive(tmp_path / "held.csv"), confirm=True)
    (car / "logs" / "mapping.toml").unlink()  # or it would be remembered
    monkeypatch.setattr(tables, "HELD", 0)
    streamed = import_log(car, drive(tmp_path / "streamed.csv"), confirm=True)
    assert held.recording is not None and streamed.recording is not None
    assert held.proposal.items == streamed.proposal.items
    assert held.recording.channels == streamed.recording.channels
    assert len(held.recording.channels) == 3
    assert pl.read_ipc(held.recording.path).equals(pl.read_ipc(streamed.recording.path))
    assert np.array_equal(held.recording.times(), streamed.recording.times())


@pytest.mark.parametrize("large", [False, True])
def test_a_disk_that_fills_up_leaves_nothing(
    car: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, large: bool
) -> None:
    def full(*_: object, **__: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))  # as polars does, on /dev/full

    monkeypatch.setattr(tables, "HELD", 0 if large else tables.HELD)
    monkeypatch.setattr(pl.DataFrame, "write_ipc", full)
    monkeypatch.setattr(pl.LazyFrame, "sink_ipc", full)
    with pytest.raises(FileRefused, match="No space left"):
        import_log(car, drive(tmp_path / "drive.csv"), confirm=True)
    assert recordings(car) == ()
    assert not (car / "logs" / "mapping.toml").exists()
    assert [p for p in (car / "made" / "logs").iterdir() if "import" in p.name] == []
    assert kept(car, "drive.csv") is None


def test_a_clock_that_was_taken_for_none_keeps_every_digit(car: Path, tmp_path: Path) -> None:
    """A clock that starts again and again looks like a wave; in four bytes it would lose digits."""
    path = drive(tmp_path / "drive.csv", start=100_000.0)
    lines = path.read_text().splitlines()
    # three later sessions of the logger, each from nought
    for part in (1, 2, 3):
        for row in range(part * ROWS // 4, (part + 1) * ROWS // 4):
            _, rest = lines[row + 1].split(",", 1)
            lines[row + 1] = f"{(row - part * ROWS // 4) / 50:.2f},{rest}"
    path.write_text("\n".join(lines) + "\n")
    found = import_log(car, path, confirm=True).recording
    assert found is not None and len(found.resets) == 3
    steps = np.diff(found.times())[: ROWS // 4 - 1]
    assert steps == pytest.approx(0.02, abs=1e-9)
