"""A joint as it is typed."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from keyturn.errors import BuildErrors, FileRefused, ValueRefused
from keyturn.making.outline_file import to_text
from keyturn.making.shape import ClosedPath, Corner, Hole, Outline
from keyturn.tasks import joint as task

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


def box(width: float, height: float) -> ClosedPath:
    a, b = width / 2, height / 2
    return ClosedPath((Corner(-a, -b), Corner(a, -b), Corner(a, b), Corner(-a, b)))


def lid() -> Outline:
    spots = ((-50, -30), (0, -30), (50, -30), (50, 30), (0, 30), (-50, 30))
    return Outline(
        box(120, 80), tuple(Hole(x, y, 6.6) for x, y in spots), (box(80, 40),), "lid", 1.5
    )


def written(folder: Path, text: str = TYPED) -> Path:
    (folder / "lid.toml").write_text(to_text(lid()))
    (folder / "joint.toml").write_text(text)
    return folder / "joint.toml"


def test_what_is_typed_is_what_is_judged(tmp_path: Path) -> None:
    """1 psi = 6894.757 Pa (NIST SP 811, appendix B); 90 degC = 363.15 K."""
    joint = task.read_joint(written(tmp_path))
    assert joint.boost == pytest.approx(8 * 6894.757, rel=1e-6)
    assert joint.temperature == pytest.approx(363.15)
    assert joint.torque == pytest.approx(6.0)
    assert (joint.flange_thickness, joint.retorque) == (10.0, True)
    changed = task.with_changes(joint, {"torque": "5 lb ft", "retorque": "false"})
    assert changed.torque == pytest.approx(5 * 1.355818, rel=1e-5)  # NIST SP 811, appendix B
    assert changed.retorque is False
    result = task.answer(changed, 30, 1)
    assert result.torque == changed.torque and math.isfinite(result.mean_stress.p50)
    assert all(text.startswith("<svg") for text in task.drawings(result).values())


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [('bolt = "M6"\n', "", "is missing"), ('"8 psi"', '"8 mm"', "boost"),
     ("true", '"yes"', "yes or no"),
     ('"6 N m"', '"tight"', "torque"), ("version = 1", "version = 1\ncolour = 3", "nobody reads"),
     ("flange_thickness = 10", 'flange_thickness = "10 kg"', "flange_thickness")],
)  # fmt: skip
def test_what_cannot_be_taken_is_named(tmp_path: Path, old: str, new: str, words: str) -> None:
    with pytest.raises(BuildErrors) as caught:
        task.read_joint(written(tmp_path, TYPED.replace(old, new)))
    assert words in str(caught.value)


def test_the_wrong_sheet_is_refused_with_the_reason(tmp_path: Path) -> None:
    asked = task.read_joint(written(tmp_path, TYPED.replace("cork-nbr-70", "vmq-60")))
    with pytest.raises(ValueRefused, match="wrong sheet for petrol"):
        task.answer(asked, 30, 1)


def test_an_outline_is_no_joint(tmp_path: Path) -> None:
    written(tmp_path)
    with pytest.raises(FileRefused, match="not a joint file"):
        task.read_joint(tmp_path / "lid.toml")
    (tmp_path / "lid.toml").unlink()
    with pytest.raises(FileRefused, match=r"lid\.toml"):
        task.read_joint(tmp_path / "joint.toml")
