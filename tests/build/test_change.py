"""Changes that can be undone: nothing else of the file moves, and what was overwritten is said."""

from __future__ import annotations

import tomllib
from importlib.resources import files
from pathlib import Path

import pytest

from keyturn.build.change import Change, apply_all, backwards, changed, faults_of, long_value, steps
from keyturn.build.read import from_text
from keyturn.build.schema import sections
from keyturn.build.sheet import sheet_of
from keyturn.errors import BuildError, ValueRefused
from keyturn.tasks.edit import edit, redo, standing, undo
from keyturn.tasks.new import QUESTIONS, blank, new

TEXT = (files("keyturn") / "examples" / "pickup-screw" / "build.toml").read_text(encoding="utf-8")
CHANGES = (
    Change("set", "wiring.length", {"value": "8 m", "grade": "measured"}),
    Change("remove", "wiring.fuse"),
    Change("remove", "engine.volumetric_efficiency"),
    Change("move", "feed.3", to=6),
    Change("take", "feed.6"),
    Change("take", "cooler"),
    Change("add", "feed.7", '[[feed]]\npart = "hose"\n'),
    Change("add", "return.1", '[[return]]\npart = "hose"\n'),
    Change("set", "control.calibrated_for.flow", "640 cm3/min"),
)


@pytest.mark.parametrize("change", CHANGES, ids=lambda c: f"{c.operation}-{c.key}")
def test_a_change_taken_back_leaves_the_same_data(change: Change) -> None:
    after = changed(TEXT, [change])
    assert tomllib.loads(after) != tomllib.loads(TEXT)
    back = changed(after, backwards(after, steps(TEXT, [change])))
    assert tomllib.loads(back) == tomllib.loads(TEXT)
    comments = [line for line in TEXT.splitlines() if line.startswith("#")]
    assert [line for line in back.splitlines() if line.startswith("#")] == comments


def test_a_fault_that_was_there_before_does_not_stop_the_mending_of_another() -> None:
    broken = TEXT.replace('place = "rail"', 'place = "roof"').replace("8 AWG", "8 apples")
    assert len(faults_of(broken)) == 2
    half = changed(broken, [Change("set", "regulator.place", "rail")])
    assert len(faults_of(half)) == 1
    with pytest.raises(BuildError):
        changed(half, [Change("set", "regulator.reference", "moon")])


def test_a_list_inside_a_string_is_not_taken_for_a_list() -> None:
    sly = '[[option]]\nname = """\n[[feed]]\n"""\n' + TEXT[TEXT.index("[[feed]]") :]
    with pytest.raises(ValueRefused):
        apply_all(sly, [Change("take", "feed.2")])


def test_long_form_keeps_what_was_said_and_forgets_the_confirmation() -> None:
    before = {"value": "4 kPa", "at_flow": "200 g/s", "grade": "measured", "confirmed": True}
    after = long_value(before, "5 kPa", {"grade": None, "spread": "1 kPa", "source": ""})
    assert after == {"value": "5 kPa", "at_flow": "200 g/s", "grade": "measured", "spread": "1 kPa"}
    assert long_value({"value": "1 m", "grade": "measured"}, "2 m", {"grade": ""}) == "2 m"


def test_undo_stops_at_what_was_changed_since(tmp_path: Path) -> None:
    car = new(tmp_path / "car", "pickup-screw").parent
    assert edit(car, [Change("set", "wiring.length", "8 m")])
    assert not edit(car, [Change("set", "wiring.length", "8 m")]), "nothing changed, nothing noted"
    file = car / "build.toml"
    file.write_text(file.read_text().replace('"8 m"', '"7 m"'), encoding="utf-8")
    with pytest.raises(ValueRefused, match="changed again since"):
        undo(car)
    assert len(standing(car).done) == 1


def test_undo_and_redo_go_in_order(tmp_path: Path) -> None:
    car = new(tmp_path / "car", "pickup-screw").parent
    edit(car, [Change("set", "wiring.length", "8 m")])
    edit(car, [Change("set", "wiring.length", "7 m")])
    first = standing(car).done[0].id
    with pytest.raises(ValueRefused, match="another edit came in between"):
        undo(car, first)
    undo(car)
    undo(car)
    assert 'length = "9.5 m"' in (car / "build.toml").read_text()
    redo(car)
    assert 'length = "8 m"' in (car / "build.toml").read_text()
    edit(car, [Change("set", "engine.idle", "900 rpm")])
    assert not standing(car).undone, "a new edit ends what could be made again"


def test_the_sheet_shows_every_key_of_the_schema() -> None:
    # one part of every kind together uses every key of a line
    every = sheet_of({"feed": [{"part": "hose"}, {"part": "fitting"}, {"part": "check-valve"}],
                      "belt": [{}], "option": [{}], "return": [{"part": "tube"}]})  # fmt: skip
    shown = {(s.name, e.name.partition(".")[0]) for s in every.sections
             for g in s.groups for e in g.entries}  # fmt: skip
    for section, fields in sections().items():
        if section != "return":
            assert {name for name in fields if (section, name) not in shown} == set(), section


def test_a_build_from_nothing_needs_its_answers(tmp_path: Path) -> None:
    answers = {
        "name": "coupe", "engine.displacement": "2 L", "engine.cylinders": "4",
        "engine.redline": "6000 rpm", "boost.curve": "8 psi", "fuel.kind": "petrol",
        "pump.flow": "255 L/h", "injectors.flow": "550 cc/min", "regulator.set": "3 bar",
        "regulator.place": "rail", "regulator.reference": "manifold",
    }  # fmt: skip
    assert set(answers) == set(QUESTIONS)
    file = blank(tmp_path / "car", answers)
    built = from_text(file.read_text(encoding="utf-8"))
    assert built.boost is not None and max(built.boost.curve.y) == pytest.approx(8 * 6894.757)
    for key in QUESTIONS:
        if key != "fuel.kind":
            with pytest.raises(BuildError):
                blank(tmp_path / "other", {**answers, key: ""})
            assert not (tmp_path / "other").exists()
