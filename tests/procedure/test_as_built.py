"""Evidence is of the parts that were in the car when it was written down."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import pytest

import keyturn
from keyturn.build.model import Build
from keyturn.procedure.as_built import as_built, changed, driven_anew_since
from keyturn.procedure.evidence import History, Record, standing
from keyturn.procedure.ladder import Climb
from keyturn.procedure.stages import AREAS, chosen, stages

EXAMPLES = Path(keyturn.__file__).parent / "examples"


@pytest.fixture(scope="module")
def build() -> Build:
    return keyturn.load(EXAMPLES / "pickup-screw")


@pytest.fixture(scope="module")
def other() -> Build:
    return keyturn.load(EXAMPLES / "van-roots")


def with_values(build: Build, part: str, **changes) -> Build:
    return build.model_copy(update={part: getattr(build, part).model_copy(update=changes)})


def scaled(build: Build, part: str, name: str, factor: float) -> Build:
    value = getattr(getattr(build, part), name)
    return with_values(build, part, **{name: value.model_copy(update={"si": factor * value.si})})


def test_the_same_car_is_the_same_car(build: Build) -> None:
    assert changed(as_built(build), build) == {}
    assert changed(None, build) == {}
    renamed = build.model_copy(update={"name": "renamed"})
    assert changed(as_built(build), renamed) == {}


@pytest.mark.parametrize(
    ("part", "name", "area"),
    [
        ("injectors", "flow", "fuel-parts"),
        ("regulator", "set", "fuel-parts"),
        ("wiring", "area", "fuel-wiring"),
        ("blower", "displacement", "boost"),
        ("blower", "blower_pulley", "belt"),
    ],
)
def test_another_part_is_seen_and_a_better_known_one_is_not(
    build: Build, part: str, name: str, area: str
) -> None:
    value = getattr(getattr(build, part), name)
    sigma = value.spread if value.law == "scale" else value.spread / value.si
    assert set(changed(as_built(build), scaled(build, part, name, 1.0 + 3.0 * sigma + 0.03))) == {
        area
    }
    better = with_values(
        build, part, **{name: value.model_copy(update={
            "si": value.si * (1.0 + sigma), "spread": 0.1 * value.spread, "grade": "measured"})},
    )  # fmt: skip
    assert changed(as_built(build), better) == {}


def test_another_pump_fuel_or_line_is_another_part(build: Build) -> None:
    curve = build.pump.curve
    weak = curve.model_copy(update={"y": tuple(0.4 * y for y in curve.y)})
    for new in (
        with_values(build, "pump", curve=weak),
        with_values(build, "fuel", kind="e85"),
        build.model_copy(update={"feed": build.feed[:-1]}),
        with_values(build, "regulator", reference="atmosphere"),
    ):
        assert "fuel-parts" in changed(as_built(build), new)
    gone = build.model_copy(update={"cooler": None})
    assert build.cooler is None or "charge-coolant" in changed(as_built(build), gone)


def test_another_car_proves_nothing_here(build: Build, other: Build) -> None:
    assert set(changed(as_built(other), build)) == set(AREAS)


def test_a_record_is_out_of_date_when_its_part_is_another(build: Build) -> None:
    stage = chosen(stages(), "fluids")
    values = {item.name: True for item in stage.record}
    history = History(records=(Record(3, stage.name, 0.0, values, "", as_built(build)),))
    assert standing(stage, history, {}).state == "passed"
    for area, state in (("charge-coolant", "outdated"), ("belt", "passed")):
        now = replace(history, changed={3: {area: "another one"}})
        assert standing(stage, now, {}).state == state


def test_steps_under_load_are_driven_anew_with_another_pulley(build: Build) -> None:
    driven = (Climb(4, "L6", 0.0, True, {}, car=as_built(build)), Climb(9, "L7", 0.0, True, {}))
    assert driven_anew_since(build, (), driven) == 0
    faster = scaled(build, "blower", "blower_pulley", 0.8)
    assert driven_anew_since(faster, (), driven) == 4


def test_a_journal_of_another_car_opens_nothing(tmp_path: Path, build: Build, other: Build) -> None:
    """The whole way: written down for one car, carried into the folder of another."""
    from keyturn.journal.store import opened
    from keyturn.tasks.steps import steps

    folder = tmp_path / "other"
    shutil.copytree(EXAMPLES / "pickup-screw", folder)
    stage = chosen(stages(), "roadworthy")
    values = {item.name: True if item.kind == "yes-no" else 12.6 for item in stage.record}
    for car, state in ((build, "passed"), (other, "outdated")):
        body = {"stage": stage.name, "values": values, "car": as_built(car)}
        with opened(folder, write=True) as book, book.writing():
            book.add("step", "record", body)
        assert steps(folder).plan.standings[stage.name].state == state
