"""A joint as it is typed."""

from __future__ import annotations

import dataclasses
import math
import tomllib
from pathlib import Path

import pytest

from keyturn.errors import BuildErrors, FileRefused, ValueRefused
from keyturn.making.edit import rectangle
from keyturn.making.joint_given import Joint
from keyturn.making.outline_file import to_text
from keyturn.making.shape import Hole, Outline
from keyturn.tasks import joint as task
from keyturn.tasks.fields import JOINT

TYPED = """\
version = 1
outline = "lid.toml"
material = "cork-nbr-70"
bolt = "M6"
torque = "6 N m"
boost = "8 psi"
temperature = "90 degC"
flange_thickness = 10
retorque = true
"""


def lid() -> Outline:
    spots = ((-50, -30), (0, -30), (50, -30), (50, 30), (0, 30), (-50, 30))
    holes = tuple(Hole(x, y, 6.6) for x, y in spots)
    port = rectangle(0, 0, 80, 40, 0)
    return Outline(rectangle(0, 0, 120, 80, 0), holes, (port,), "lid", 1.5)


def written(folder: Path, text: str = TYPED) -> Path:
    (folder / "lid.toml").write_text(to_text(lid()))
    (folder / "joint.toml").write_text(text)
    return folder / "joint.toml"


def test_what_is_typed_is_what_is_judged(tmp_path: Path) -> None:
    """1 psi = 6894.757 Pa (NIST SP 811, appendix B); 90 degC = 363.15 K."""
    said, outline = task.read_said(written(tmp_path))
    joint = task.taken(said, outline)
    assert joint.boost == pytest.approx(8 * 6894.757, rel=1e-6)
    assert joint.temperature == pytest.approx(363.15)
    assert joint.torque == pytest.approx(6.0)
    assert (joint.flange_thickness, joint.retorque) == (10.0, True)
    changed = task.taken({**said, "torque": "5 lb ft", "retorque": "false"}, outline)
    assert changed.torque == pytest.approx(5 * 1.355818, rel=1e-5)  # NIST SP 811, appendix B
    assert changed.retorque is False
    result = task.answer(changed, 30, 1)
    assert result.torque == changed.torque and math.isfinite(result.mean_stress.p50)
    names = [tmp_path / name for name in ("card.svg", "pressure.svg", "card.pdf")]
    drawn = task.drawings(result, names[0], names[1]) | task.drawings(result, names[2], None)
    assert [drawn[name][:4] for name in names] == [b"<svg", b"<svg", b"%PDF"]


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [('bolt = "M6"\n', "", "is missing"), ('"8 psi"', '"8 mm"', "boost"),
     ("true", '"yes"', "yes or no"),
     ('"6 N m"', '"tight"', "torque"), ('"6 N m"', "6", "a unit is missing"),
     ("version = 1", "version = 1\ncolour = 3", "nobody reads"),
     ("flange_thickness = 10", 'flange_thickness = "10 kg"', "flange_thickness")],
)  # fmt: skip
def test_what_cannot_be_taken_is_named(tmp_path: Path, old: str, new: str, words: str) -> None:
    with pytest.raises(BuildErrors) as caught:
        task.taken(*task.read_said(written(tmp_path, TYPED.replace(old, new))))
    assert words in str(caught.value)


def test_the_wrong_sheet_is_refused_with_the_reason(tmp_path: Path) -> None:
    asked = task.taken(*task.read_said(written(tmp_path, TYPED.replace("cork-nbr-70", "vmq-60"))))
    with pytest.raises(ValueRefused, match="wrong sheet for petrol"):
        task.answer(asked, 30, 1)


def test_an_outline_is_a_joint_of_which_nothing_is_said(tmp_path: Path) -> None:
    written(tmp_path)
    said, outline = task.read_said(tmp_path / "lid.toml")
    assert (said, outline) == ({}, lid())
    with pytest.raises(BuildErrors) as caught:
        task.taken(said, outline)
    assert [fault.place.key for fault in caught.value.faults] == ["material", "bolt"]
    (tmp_path / "lid.toml").write_text("version = 1\n")
    with pytest.raises(FileRefused, match="neither a joint file nor an outline"):
        task.read_said(tmp_path / "lid.toml")
    (tmp_path / "lid.toml").unlink()
    with pytest.raises(FileRefused, match=r"lid\.toml"):
        task.read_said(tmp_path / "joint.toml")


def test_what_lies_outside_is_said_in_a_unit_of_the_trade() -> None:
    said = {"material": "cork-nbr-70", "bolt": "M6", "boost": "-55 kPa", "temperature": "900 degC"}
    with pytest.raises(BuildErrors) as caught:
        task.answer(task.taken(said, lid()), 10, 1)
    words = str(caught.value)
    assert "-55 kPa above ambient is outside" in words and "0 to 1000 kPa above" in words
    assert "900 degrees Celsius is outside" in words and "-40 to 420 degrees" in words


def test_every_fault_is_told_at_its_field() -> None:
    """Material, table names and limits together: one correction instead of one after another."""
    said = {"material": "epdm-70", "bolt": "M7", "strength": "wood", "thread": "cheese",
            "torque": "900 N m", "preload": "4000 N", "heat_cycles": "-3"}  # fmt: skip
    with pytest.raises(BuildErrors) as caught:
        task.answer(task.taken(said, lid()), 10, 1)
    keys = [fault.place.key for fault in caught.value.faults]
    assert keys == ["material", "bolt", "strength", "thread", "torque", "heat_cycles", "torque"]
    assert all(fault.accepted for fault in caught.value.faults)


def test_the_fields_are_what_a_joint_is_made_of() -> None:
    """One description: no field of a joint without a row, every choice with its table."""
    rows = {row.key: row for row in JOINT}
    assert set(rows) == {one.name for one in dataclasses.fields(Joint)} - {"outline"}
    assert set(task.offered()) == {key for key, row in rows.items() if row.takes == "choice"}
    usual = {one.name: one.default for one in dataclasses.fields(Joint)}
    for key, table in task.offered().items():
        assert usual[key] is dataclasses.MISSING or usual[key] in table
    told = (Path(__file__).parents[2] / "docs" / "joint.md").read_text(encoding="utf-8")
    example = tomllib.loads(told.split("```toml")[1].split("```")[0])
    assert set(example) == {*rows, "version", "outline"} - {"preload"}
    said = {key: value for key, value in example.items() if key not in task.ABOUT}
    assert tomllib.loads(task.as_file(said, "lid.toml")) == example
