"""A watch as the record of its step: clean only when nothing speaks against it."""

from __future__ import annotations

import dataclasses
import re
import shutil
import time
from pathlib import Path
from typing import Any

import pytest

import keyturn
from keyturn.errors import CannotAnswer
from keyturn.journal.store import opened
from keyturn.logs.live import Sample
from keyturn.logs.record import Recorder
from keyturn.tasks import ladder as ladder_task
from keyturn.tasks import watch as task
from keyturn.tasks.steps_book import climbs
from keyturn.tasks.watch_climb import climb_of, no_evidence, places_of, typed_of

EXAMPLES = Path(keyturn.__file__).parent / "examples"
KEY_ON = {"rail_gauge": 313e3, "manifold_pressure": 99.2e3, "engine_speed": 0.0, "voltage": 12.4}
YES = {"nothing-new": "yes"}


class Nothing:
    """Stands where the source is; the test hands the values over itself."""

    def run(self, *_: object) -> None: ...


@pytest.fixture
def car(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A pickup with all its hold points out of the way."""
    shutil.copytree(EXAMPLES / "pickup-screw", tmp_path / "car")
    monkeypatch.setattr(ladder_task, "_barred", lambda plan, row: ())
    monkeypatch.setattr(task, "_source", lambda *_: Nothing())
    return tmp_path / "car"


def ended(car: Path, *parts: tuple[float, dict[str, float]], step: str = "L0",
          source: str = "obd:virtual:x") -> task.Ended:  # fmt: skip
    """A watch that saw each of the values for so many seconds, twenty times a second."""
    made = task.Watch(car, source, step)
    at = made._began = made.judge.start = time.monotonic() - sum(part[0] for part in parts)
    made.recorder = Recorder(task._path(made._folder))
    for seconds, values in parts:
        for number in range(round(seconds * 20)):
            if values:
                made.take([Sample(k, v) for k, v in values.items()], at + number / 20)
        at += seconds
    return made.stop()


def test_ten_good_seconds_with_the_key_on_are_a_clean_step(car: Path) -> None:
    left = ended(car, (11.0, KEY_ON))
    assert left.against == ()
    row = climb_of(car, left, YES, token="a-token-of-ours")
    assert row.clean, row.why
    assert climb_of(car, left, YES, token="a-token-of-ours").at == row.at  # once
    with opened(car) as book:
        kept = climbs(book)
    assert len(kept) == 1 and kept[0].values["rail-pressure"] == pytest.approx(313e3)
    assert left.path.name in kept[0].note and "obd:virtual:x" in kept[0].note
    assert ladder_task.ladder(car).level == 1


def low(car: Path) -> float:
    return ladder_task.watched(car, "L0").bounds["rail-pressure"]


@pytest.mark.parametrize(
    ("parts", "why"),
    [
        (lambda ok, bad: ((6.0, ok), (0.6, bad), (5.0, ok)), "alarm: FUEL PRESSURE"),
        (lambda ok, bad: ((6.0, ok), (2.47, {}), (5.0, ok)), "no fuel pressure for 2.5"),
        (lambda ok, bad: ((3.0, ok),), "in the state of the step for 3 s of 10 s"),
        (lambda ok, bad: ((6.0, ok), (5.0, {**ok, "engine_speed": 14.0})), "in the state of the"),
    ],
    ids=["an alarm", "a gap", "too short", "not the step"],
)
def test_it_is_never_clean_with(car: Path, parts: Any, why: str) -> None:
    left = ended(car, *parts(KEY_ON, {**KEY_ON, "rail_gauge": low(car) - 2e3}))
    row = climb_of(car, left, YES)
    assert not row.clean and why in row.why
    with opened(car) as book:
        assert why in climbs(book)[0].why
    assert ladder_task.ladder(car).level == 0


def test_a_stale_value_is_never_clean_either(car: Path) -> None:
    made = task.Watch(car, "obd:virtual:x", "L0")
    made._began = made.judge.start = time.monotonic() - 13.0
    made.recorder = Recorder(task._path(made._folder))
    for number in range(260):
        values = KEY_ON if number < 200 else {k: KEY_ON[k] for k in ("rail_gauge", "voltage")}
        made.take([Sample(k, v) for k, v in values.items()], made._began + number / 20)
    row = climb_of(car, made.stop(), YES)
    assert not row.clean and re.search("NO SIGNAL: .*manifold pressure", row.why)


def test_what_the_nose_says_counts(car: Path) -> None:
    row = climb_of(car, ended(car, (11.0, KEY_ON)), {"nothing-new": "no"})
    assert not row.clean and "no smell" in row.why
    assert not climb_of(car, ended(car, (11.0, KEY_ON)), {}).clean  # nobody said anything


def test_the_simulated_car_is_no_evidence(car: Path) -> None:
    left = ended(car, (11.0, KEY_ON), source="simulated")
    with pytest.raises(CannotAnswer, match="no evidence"):
        climb_of(car, left, YES)
    with opened(car) as book:
        assert climbs(book) == ()
    assert "nothing" in no_evidence(ended(car, (0.5, {"voltage": 12.0})))


def test_each_worst_is_judged_where_it_was_read(car: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Lambda 0.93 is rich enough at 105 kPa (wanted 0.91 by the build) and lean at 150 (0.82)."""
    rest = {"voltage": 13.5, "duty": 0.5, "inlet_temperature": 315.0, "knock_retard": 0.0,
            "coolant_temperature": 360.0}  # fmt: skip
    light = {**rest, "rail_gauge": 325e3, "manifold_pressure": 105e3, "engine_speed": 50.0,
             "lambda": 0.93}  # fmt: skip
    hard = {**rest, "rail_gauge": 360e3, "manifold_pressure": 160e3, "engine_speed": 55.0,
            "lambda": 0.79}  # fmt: skip
    left = ended(car, (2.0, light), (6.0, hard), step="L9")
    assert left.against == ()
    assert float(typed_of(left)["lambda"]) == pytest.approx(0.93)
    assert places_of(left)["lambda"] == ("3000 rpm", "105 kPa absolute")
    assert places_of(left)["rail-pressure"] == ("3300 rpm", "160 kPa absolute")
    found = ladder_task.ladder(car)
    doors = tuple(dataclasses.replace(row, open=True, why=()) for row in found.openings)
    monkeypatch.setattr(
        ladder_task, "ladder", lambda *_, **__: dataclasses.replace(found, openings=doors)
    )
    row = climb_of(car, left, {**YES, "log-read": "yes"}, sure=True)
    assert row.clean, row.why
    lean = dataclasses.replace(
        left, worst={**left.worst, "lambda": dataclasses.replace(
            left.worst["lambda"], manifold_pressure=150e3)},
    )  # fmt: skip
    assert "leanest mixture" in climb_of(car, lean, {**YES, "log-read": "yes"}, sure=True).why
