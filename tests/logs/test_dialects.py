"""Every dialect gives the same drive: rows, SI values, clock, gaps, restarts, refused lines."""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np
import pytest
import writers
import writers_libraries  # noqa: F401  registers its writers
from writers import CHANNELS, WRITERS, drive

from keyturn.logs.stored import read_frame
from keyturn.tasks.log import import_log


def test_there_are_enough_dialects() -> None:
    assert len(WRITERS) >= 30


@pytest.mark.parametrize("name", WRITERS)
def test_dialect(name: str, car: Path, tmp_path: Path) -> None:
    ending, write = WRITERS[name]
    if ending == ".mf4":
        pytest.importorskip("asammdf")
    path = tmp_path / f"{name}{ending}"
    written = write(path)
    before = hashlib.sha256(path.read_bytes()).hexdigest()

    brought = import_log(car, path, written.mapping, confirm=True)

    assert brought.questions == ()
    recording = brought.recording
    assert recording is not None
    assert hashlib.sha256(path.read_bytes()).hexdigest() == before
    assert hashlib.sha256(recording.source.read_bytes()).hexdigest() == before
    assert recording.rows == len(written.rows)
    assert tuple(line for line, _ in recording.refused) == written.refused
    assert recording.refused_rows == len(written.refused)
    assert len(recording.resets) == written.resets
    assert len(recording.gaps) == written.gaps
    assert set(recording.channels) >= set(CHANNELS)

    frame = read_frame(recording, CHANNELS, hold=False)
    truth = drive()
    time = written.time if written.time is not None else truth["time"][written.rows]
    assert frame.time == pytest.approx(time - time[0], abs=written.time_tolerance)
    for channel, (column, factor, offset) in CHANNELS.items():
        expected = truth[column][written.rows] * factor + offset
        for which, row in written.empty:
            if which == column:
                assert np.isnan(frame[channel][row])
                expected[row] = np.nan
        if column in written.slow:
            expected[np.isnan(frame[channel])] = np.nan
            assert np.isfinite(expected).sum() >= writers.ROWS // 10
        # four bytes hold 24 binary digits: half of the last, and a few units of a scale in double
        near = np.abs(truth[column][written.rows]) * factor * 2.0**-24 + np.abs(expected) * 1e-12
        assert np.array_equal(np.isnan(frame[channel]), np.isnan(expected))
        assert np.all(~(np.abs(frame[channel] - expected) > near))


def test_a_slow_channel_is_held_and_no_longer(car: Path, tmp_path: Path) -> None:
    path = tmp_path / "slow.csv"
    writers.mixed_rates(path)
    lines = path.read_text().splitlines()
    # from row 300 on the slow channel never comes again
    kept = [*lines[:301], *(line[: line.rindex(",") + 1] for line in lines[301:])]
    path.write_text("\n".join(kept) + "\n")
    recording = import_log(car, path, confirm=True).recording
    assert recording is not None
    held = read_frame(recording, ["coolant_temperature"])["coolant_temperature"]
    assert np.isfinite(held[:300]).all()
    # 30 values in 600 rows: one in 20 rows on average, held over two of these steps
    assert np.isnan(held[291 + 40 :]).all()
    assert np.isfinite(held[290 : 290 + 40]).all()


def test_a_window_is_the_same_rows(car: Path, tmp_path: Path) -> None:
    path = tmp_path / "mixed.csv"
    writers.mixed_rates(path)
    recording = import_log(car, path, confirm=True).recording
    assert recording is not None
    whole = read_frame(recording).window(10.0, 12.0)
    part = read_frame(recording, start=10.0, end=12.0)
    assert len(part) == 41
    assert part.time == pytest.approx(whole.time)
    for name in whole.channels:
        assert part[name] == pytest.approx(whole[name], nan_ok=True)
