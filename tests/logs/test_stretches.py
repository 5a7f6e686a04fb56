"""Steady stretches, pulls, and the mean with its honest error."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from keyturn.build.model import Build
from keyturn.logs.derive import derive, reduced
from keyturn.logs.frame import Frame
from keyturn.logs.stretches import mean_of, stretches
from keyturn.system.result import CheckResult


def course(*marks: tuple[float, float, float, float]) -> Frame:
    """Time, speed, manifold pressure and throttle, straight between the marks."""
    rows = np.array(marks)
    time = np.arange(rows[0, 0], rows[-1, 0], 0.05)
    speed, manifold, throttle = (np.interp(time, rows[:, 0], rows[:, n]) for n in (1, 2, 3))
    channels = {"engine_speed": speed, "manifold_pressure": manifold, "throttle": throttle}
    return Frame(time, channels)


DRIVEN = (
    (0, 0, 99e3, 0), (6, 0, 99e3, 0), (7, 14, 35e3, 0), (20, 14, 35e3, 0), (23, 35, 60e3, 0.2),
    (33, 35, 60e3, 0.2), (33.2, 35, 140e3, 1), (38, 80, 150e3, 1), (38.2, 78, 35e3, 0),
    (44, 14, 35e3, 0), (46, 14, 35e3, 0),
)  # fmt: skip


def test_what_was_driven_is_found(build: Build, check: CheckResult) -> None:
    found = stretches(build, derive(build, check, *reduced(course(*DRIVEN))))
    kinds = [(one.kind, one.state) for one in found]
    assert kinds[:4] == [
        ("key-on", "key-on"), ("steady", "idle"), ("steady", "held-speed"), ("pull", "full-load"),
    ]  # fmt: skip
    # a window of a second blurs the ends by half of it, and the last row by one
    for one, (start, end) in zip(found, [(0, 6), (7, 20), (23, 33), (33.2, 38.2)], strict=False):
        assert one.start == pytest.approx(start, abs=0.7)
        assert one.end == pytest.approx(end, abs=0.7)


def test_stretches_do_not_overlap(build: Build, check: CheckResult) -> None:
    found = stretches(build, derive(build, check, *reduced(course(*DRIVEN))))
    assert all(a.last < b.first for a, b in pairwise(found))


def test_no_stretch_reaches_over_a_gap(build: Build, check: CheckResult) -> None:
    frame = course((0, 14, 35e3, 0), (20, 14, 35e3, 0))
    later = np.where(frame.time >= 10.0, frame.time + 30.0, frame.time)
    found = stretches(build, derive(build, check, *reduced(Frame(later, frame.channels))))
    assert len(found) == 2
    assert found[0].end < 10.0
    assert found[1].start >= 40.0


def test_an_open_throttle_without_gain_of_speed_is_no_pull(
    build: Build, check: CheckResult
) -> None:
    frame = course((0, 40, 140e3, 1), (20, 40, 140e3, 1))
    assert [one.kind for one in stretches(build, derive(build, check, *reduced(frame)))] == []


def test_independent_rows_count_whole() -> None:
    values = np.random.default_rng(1).normal(5.0, 2.0, 4000)
    found = mean_of(values)
    # the error of a mean of n independent values: sigma over root n
    assert found.spread == pytest.approx(2.0 / np.sqrt(4000), rel=0.15)


@pytest.mark.parametrize("memory", [0.5, 0.8, 0.95])
def test_rows_that_hang_together_count_for_less(memory: float) -> None:
    # an autoregressive series of first order: n (1 - a) / (1 + a) independent values (textbook
    # result, from memory)
    rng = np.random.default_rng(3)
    values, noise = np.zeros(40_000), rng.normal(0.0, 1.0, 40_000)
    for n in range(1, len(values)):
        values[n] = memory * values[n - 1] + noise[n]
    wanted = len(values) * (1.0 - memory) / (1.0 + memory)
    # the estimate of a sum of autocorrelations scatters by this much at this length
    assert mean_of(values).effective == pytest.approx(wanted, rel=0.15)


def test_the_stated_error_holds_in_repeats() -> None:
    rng = np.random.default_rng(4)
    off = []
    for _ in range(300):
        values, noise = np.zeros(400), rng.normal(0.0, 1.0, 400)
        for n in range(1, len(values)):
            values[n] = 0.8 * values[n - 1] + noise[n]
        found = mean_of(values[50:])
        off.append(found.value / found.spread)
    # 300 errors over their stated sigma; short series know their memory badly
    assert 0.8 < float(np.std(off)) < 1.3


def test_a_sensor_that_shows_one_number_is_worth_one_row() -> None:
    assert mean_of(np.full(500, 3.0)).effective == 1.0
    assert np.isnan(mean_of(np.full(5, np.nan)).value)
