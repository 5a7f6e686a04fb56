"""Findings on simulated drives with planted causes; healthy drives give none.

The drives come from the model that judges them, with another car drawn from its spreads: these
tests hold the reading of a log, not the model. `bench/log_recall.py` does it at length.
"""

from __future__ import annotations

import numpy as np
import pytest

from keyturn.build.model import Build
from keyturn.logs.findings import judge
from keyturn.logs.found import KINDS, Finding, LogFindings
from keyturn.logs.frame import Frame
from keyturn.logs.readings import measured
from keyturn.logs.simulate import CAUSES, LAG, SHOWN_AS, drive
from keyturn.system.result import CheckResult

FOLLOWS = {
    "set point": {"lean excursion"},
    "supply limit": {"lean excursion"},
    "heat": {"lean excursion"},
    "reference": {"lean excursion"},
}
FLEET = range(20, 23)
# the smaller ones of `drive` hide in the spread of some cars, see docs/log.md
SIZES = {"boost leak": 2.0}


def kinds(found: LogFindings) -> set[str]:
    return {one.kind for one in found.findings}


def only(found: LogFindings, kind: str) -> Finding:
    (one,) = [item for item in found.findings if item.kind == kind]
    return one


@pytest.mark.parametrize("seed", range(4))
def test_a_healthy_drive_gives_no_finding(build: Build, check: CheckResult, seed: int) -> None:
    found = judge(build, check, drive(build, None, seed).frame)
    assert found.findings == ()
    assert set(found.judged) == set(KINDS)
    assert found.refusals == ()


@pytest.mark.parametrize("cause", CAUSES)
def test_a_planted_cause_is_found_and_no_other(
    build: Build, check: CheckResult, cause: str
) -> None:
    for seed in FLEET:
        made = drive(build, cause, seed, size=SIZES.get(cause, 1.0))
        found = judge(build, check, made.frame)
        shown = SHOWN_AS.get(cause, cause)
        assert shown in kinds(found), seed
        assert kinds(found) <= {shown, *FOLLOWS.get(shown, ())}, seed


def test_a_finding_names_rows_in_which_it_is(build: Build, check: CheckResult) -> None:
    frame = drive(build, "supply limit", 3).frame
    one = only(judge(build, check, frame), "supply limit")
    assert one.spans
    for part in one.spans:
        rows = slice(part.first_row, part.last_row + 1)
        assert frame.time[part.first_row] == pytest.approx(part.start, abs=0.06)
        assert frame["throttle"][rows].mean() > 0.8
        across = frame["rail_gauge"][rows] - frame["manifold_pressure"][rows]
        idle = (frame.time > 15.0) & (frame.time < 28.0)
        base = (frame["rail_gauge"] - frame["manifold_pressure"])[idle].mean()
        # 2 psi below the base, less what single rows of noise can hide in the mean
        assert across.mean() < base - 1.2e4


def test_a_lean_excursion_says_whether_the_pressure_held(build: Build, check: CheckResult) -> None:
    starved = only(judge(build, check, drive(build, "supply limit", 3).frame), "lean excursion")
    fed = only(judge(build, check, drive(build, "lean excursion", 3).frame), "lean excursion")
    assert "the supply is the cause" in starved.sentence
    assert "injector data" in fed.sentence


def test_the_lag_of_lambda_is_that_of_the_sensor(build: Build, check: CheckResult) -> None:
    found = judge(build, check, drive(build, None, 2).frame)
    # a row of the simulated log is 0.04 s, and the lag was rounded to whole rows
    assert found.log.lag == pytest.approx(LAG, abs=0.04)


def test_an_atmosphere_of_zero_is_named(build: Build, check: CheckResult) -> None:
    frame = drive(build, None, 4).frame
    wrong = Frame(frame.time, {**frame.channels, "rail_gauge": frame["rail_gauge"] + 1.0e5})
    one = only(judge(build, check, wrong), "gauge")
    assert "absolute" in one.sentence
    assert one.size == pytest.approx(1.0e5, abs=6e3)  # two sigma of a simulated sensor, and noise


def test_a_fall_shorter_than_the_hold_is_no_finding(build: Build, check: CheckResult) -> None:
    frame = drive(build, None, 5).frame
    rail = frame["rail_gauge"].copy()
    rail[5000:5004] -= 6.0e4  # 0.16 s
    short = Frame(frame.time, {**frame.channels, "rail_gauge": rail})
    assert judge(build, check, short).findings == ()
    rail[5000:5020] = frame["rail_gauge"][5000:5020] - 6.0e4  # 0.8 s
    long = Frame(frame.time, {**frame.channels, "rail_gauge": rail})
    assert kinds(judge(build, check, long)) == {"supply limit"}


def test_a_lost_value_hides_nothing_behind_it(build: Build, check: CheckResult) -> None:
    frame = drive(build, "supply limit", 3).frame
    rail = frame["rail_gauge"].copy()
    rail[400:420] = np.nan
    holed = Frame(frame.time, {**frame.channels, "rail_gauge": rail})
    assert "supply limit" in kinds(judge(build, check, holed))


def test_readings_name_their_log_and_state_what_is_their_own(
    build: Build, check: CheckResult
) -> None:
    found = judge(build, check, drive(build, None, 6).frame)
    rail = [one for one in measured(build, found, "x.csv") if one.reading.kind == "rail-pressure"]
    assert {one.reading.state for one in rail} == {"key-on", "idle", "held-speed", "full-load"}
    # the error that they share is an unknown of its own (test_log_evidence.py); noise and what a
    # sensor does not repeat are theirs: 0.25 % of 700 kPa and more
    assert all(one.reading.instrument == "log x.csv" for one in rail)
    assert all(0.0025 * 7.0e5 <= one.reading.spread < 1.0e4 for one in rail)
    assert all(one.effective <= one.stretch.last - one.stretch.first + 1 for one in rail)


def test_a_sensor_off_its_zero_hands_nothing_over(build: Build, check: CheckResult) -> None:
    found = judge(build, check, drive(build, "gauge", 6).frame)
    assert "rail-pressure" not in {one.reading.kind for one in measured(build, found, "x.csv")}
