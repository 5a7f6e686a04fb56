"""A session: what a broken sensor, a sleeping machine or a listener that breaks must not hide."""

from __future__ import annotations

import math
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from test_alarm import BAROMETER, GOOD, NUMBERS

from keyturn.errors import FileRefused
from keyturn.logs.decide import Context
from keyturn.logs.growing import growing
from keyturn.logs.live import Sample, steady
from keyturn.logs.record import Recorder
from keyturn.logs.session import Session


def fed(session: Session, start: float, seconds: float, **values: float) -> float:
    """Twenty times a second; when it ended."""
    taken = {**GOOD, **values}
    for number in range(round(seconds * 20)):
        session.take([Sample(k, v) for k, v in taken.items()], start + number / 20)
    return start + seconds


@pytest.fixture
def session() -> Session:
    made = Session(NUMBERS, 6.0)
    made.judge.start = 0.0
    return made


# the side on which each would hide what it is watched for; far beyond what any car does
@pytest.mark.parametrize(
    ("name", "value"),
    [("manifold_pressure", 0.0), ("manifold_pressure", -20e3), ("coolant_temperature", 200.0),
     ("inlet_temperature", 200.0), ("lambda", 0.0), ("rail_gauge", 1.3e6), ("voltage", 65.5),
     ("duty", -1.0), ("knock_retard", -1.0)],
)  # fmt: skip
def test_what_is_not_possible_is_no_signal(session: Session, name: str, value: float) -> None:
    at = fed(session, 0.0, 1.0)
    assert session.status().state == "ok"
    fed(session, at, 1.0, **{name: value})
    assert session.status().state in ("lost", "alarm")
    assert f"lost {name}" in session.judge.crossed
    shown = next(row for row in session.live.values(at + 1.0) if row.name == name)
    assert shown.state != "ok" and shown.value is None
    assert any("NO SIGNAL" in words for words in session.against())


@pytest.mark.parametrize(
    ("name", "value", "cry"),
    [("duty", 1.2, "duty"), ("coolant_temperature", 480.0, "coolant"),
     ("lambda", 1.99, "lambda"), ("rail_gauge", -50e3, "pressure"),
     ("engine_speed", 270.0, "speed cap"), ("manifold_pressure", 450e3, "boost cap")],
)  # fmt: skip
def test_the_other_side_cries_by_itself(
    session: Session, name: str, value: float, cry: str
) -> None:
    fed(session, fed(session, 0.0, 1.0), 2.0, **{name: value})
    assert session.status().state == "alarm" and cry in session.judge.crossed


def test_fuel_cut_on_the_overrun_is_no_loss(session: Session) -> None:
    """A wideband probe reads its end there; in vacuum the mixture is not judged."""
    at = fed(session, 0.0, 1.0)
    fed(session, at, 2.0, manifold_pressure=30e3, rail_gauge=290e3, **{"lambda": 1.99})
    assert session.status().state == "ok"


@pytest.mark.skipif(sys.platform != "linux", reason="told by the proc file system")
def test_the_clock_goes_on_while_the_machine_sleeps() -> None:
    """proc(5): uptime counts the time spent in suspend."""
    up = float(Path("/proc/uptime").read_text().split()[0])
    assert abs(steady() - up) < 1.0  # hundredths are written, and two crowded cores add


def test_a_machine_that_slept_is_a_gap_and_nothing_of_before_is_live(session: Session) -> None:
    at = fed(session, 0.0, 8.0)
    woke = at + 300.0
    assert {row.state for row in session.live.values(woke) if row.value} == {"stale"}
    fed(session, woke, 8.0)
    assert any("no fuel pressure for 300." in words for words in session.against())


def test_an_ambient_that_is_not_that_of_the_build_is_never_clean(session: Session) -> None:
    fed(session, 0.0, 8.0, barometer=BAROMETER - 12e3)
    assert any("wrong ambient" in words for words in session.against())


def test_a_step_without_a_number_is_never_clean() -> None:
    bounds = {k: v for k, v in NUMBERS.bounds.items() if k != "rail-pressure"}
    made = Session(replace(NUMBERS, bounds=bounds), 6.0)
    made.judge.start = 0.0
    fed(made, 0.0, 8.0)
    assert any("no abort number for rail-pressure" in words for words in made.against())
    assert math.isnan(made.judge.rail_bound(1e5))


def test_the_record_of_a_watch_is_no_source(tmp_path: Path) -> None:
    """A simulated drive, watched again as a growing file, would pass for the car."""
    said = "fuel_pressure (kPa gauge) as kPa gauge"
    for name in ("watch-20300101-000000.csv", "renamed.csv"):
        kept = Recorder(tmp_path / name)
        for number in range(50):
            kept.put(number * 0.05, {"rail_gauge": 3e5 + number, "engine_speed": 50.0})
        kept.close()
        with pytest.raises(FileRefused, match="record of a watch"):
            growing(tmp_path / name, tmp_path, {"rail_gauge": said}, Context())
