"""A log that is not good enough is refused, channel by channel; a good one is not."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from keyturn.build.model import Build
from keyturn.logs.findings import judge
from keyturn.logs.found import LogFindings
from keyturn.logs.frame import Frame, Samples
from keyturn.logs.simulate import drive
from keyturn.system.result import CheckResult

FUEL = {"set point", "supply limit", "reference"}


@pytest.fixture(scope="module")
def driven(build: Build) -> Frame:
    return drive(build, "supply limit", seed=3, minutes=6.0).frame


def changed(frame: Frame, name: str, change: Callable[[Samples], Samples]) -> Frame:
    return Frame(frame.time, {**frame.channels, name: change(frame[name].copy())})


def problem(found: LogFindings, what: str) -> str:
    (one,) = [item for item in found.refusals if item.what == what]
    assert one.next_time
    return one.problem


def test_a_good_log_is_not_refused(build: Build, check: CheckResult, driven: Frame) -> None:
    found = judge(build, check, driven)
    assert found.refusals == ()
    assert FUEL <= set(found.judged)
    assert "supply limit" in {one.kind for one in found.findings}


@pytest.mark.parametrize("share", [5, 10])
def test_held_values_are_too_slow(
    build: Build, check: CheckResult, driven: Frame, share: int
) -> None:
    held = changed(driven, "rail_gauge", lambda v: np.repeat(v[::share], share)[: len(v)])
    found = judge(build, check, held)
    assert "values a second" in problem(found, "rail_gauge")
    assert not FUEL & set(found.judged)
    assert not FUEL & {one.kind for one in found.findings}


def test_values_drawn_between_points_are_too_slow(
    build: Build, check: CheckResult, driven: Frame
) -> None:
    rows = np.arange(len(driven))
    drawn = changed(driven, "lambda", lambda v: np.interp(rows, rows[::10], v[::10]))
    found = judge(build, check, drawn)
    assert "values a second" in problem(found, "lambda")
    assert "lean excursion" not in found.judged


def test_a_stated_rate_counts(build: Build, check: CheckResult, driven: Frame) -> None:
    found = judge(build, check, driven, {"rail_gauge": 4.0})
    assert problem(found, "rail_gauge").startswith("fuel pressure at the rail has 4 values")


def test_a_smoothed_pressure_is_refused(build: Build, check: CheckResult, driven: Frame) -> None:
    def smoothed(values: Samples) -> Samples:
        # first order with a time constant of half a second
        share = 1.0 / (1.0 + 0.5 * 25.0)
        for n in range(1, len(values)):
            values[n] = values[n - 1] + share * (values[n] - values[n - 1])
        return values

    found = judge(build, check, changed(driven, "rail_gauge", smoothed))
    assert "smoothed" in problem(found, "rail_gauge")
    assert not FUEL & set(found.judged)


def test_a_sensor_past_its_range_is_refused(
    build: Build, check: CheckResult, driven: Frame
) -> None:
    top = float(np.quantile(driven["manifold_pressure"], 0.93))
    flat = changed(driven, "manifold_pressure", lambda v: np.minimum(v, top))
    assert "past its range" in problem(judge(build, check, flat), "manifold_pressure")
    rich = changed(driven, "lambda", lambda v: np.maximum(v, 0.86))
    assert "past its range" in problem(judge(build, check, rich), "lambda")


def test_an_empty_channel_is_refused(build: Build, check: CheckResult, driven: Frame) -> None:
    empty = changed(driven, "rail_gauge", lambda v: np.where(np.arange(len(v)) % 2 > 0, v, np.nan))
    assert "is empty in 50 %" in problem(judge(build, check, empty), "rail_gauge")


@pytest.mark.parametrize(
    ("gone", "unjudged"),
    [
        ("rail_gauge", {"supply limit", "set point", "reference"}),
        ("lambda", {"lean excursion"}),
        ("voltage", {"wiring"}),
        ("throttle", {"belt slip", "boost leak"}),
        ("knock_retard", {"knock retard"}),
    ],
)
def test_what_is_missing_is_said_and_not_judged(
    build: Build, check: CheckResult, driven: Frame, gone: str, unjudged: set[str]
) -> None:
    kept = {name: values for name, values in driven.channels.items() if name != gone}
    found = judge(build, check, Frame(driven.time, kept))
    assert not unjudged & set(found.judged)
    assert [one for one in found.refusals if "not recorded" in one.problem]
    assert any("not judged" in note for note in found.notes)


def test_without_engine_speed_nothing_is_judged(
    build: Build, check: CheckResult, driven: Frame
) -> None:
    kept = {name: values for name, values in driven.channels.items() if name != "engine_speed"}
    found = judge(build, check, Frame(driven.time, kept))
    assert not found.usable
    assert found.findings == ()


def test_an_engine_that_never_turns_is_no_drive(
    build: Build, check: CheckResult, driven: Frame
) -> None:
    standing = driven.window(0.0, 7.0)
    found = judge(build, check, standing)
    assert not found.usable
    assert "never turns" in problem(found, "anything")
