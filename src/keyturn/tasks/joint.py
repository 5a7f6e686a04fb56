"""A joint as it is typed: the joint file, or the fields of a page; judged, drawn, written."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Mapping
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

from keyturn import units
from keyturn.errors import BuildError, BuildErrors, FileRefused, Place, ValueRefused
from keyturn.making.joint import JointResult, judge
from keyturn.making.joint_given import Joint
from keyturn.making.shape import Outline
from keyturn.tasks.gasket import millimetres, read_outline, read_text

# key of the file -> quantity of the glossary and the unit of a bare number ("" : none is taken)
QUANTITIES = {"torque": ("torque", "N m"), "preload": ("bolt_pull", "N"),
              "boost": ("pressure_gauge", ""), "backfire": ("pressure_gauge", ""),
              "temperature": ("temperature", "")}  # fmt: skip
LENGTHS = ("engagement", "flange_thickness", "wall_height", "wall_thickness", "thickness")
WORDS = ("material", "bolt", "strength", "thread", "state", "flange", "fluid", "sealer")
CHOICES = ("lid", "washer", "retorque", "sleeved")
KEYS = ("version", "outline", *WORDS, *QUANTITIES, *LENGTHS, *CHOICES, "heat_cycles")
NEEDED = ("material", "bolt")


def taken(said: Mapping[str, object], outline: Outline, file: str = "") -> Joint:
    """The joint of typed values; every fault of them together."""
    faults: list[BuildError] = []
    made: dict[str, Any] = {}
    for key, value in said.items():
        place = Place(file or None, None, key)
        if key in ("version", "outline"):
            continue
        try:
            made[key] = _value(key, value, place)
        except BuildError as fault:
            faults.append(fault)
    for key in NEEDED:
        if key not in said:
            faults.append(ValueRefused(
                "is missing", Place(file or None, None, key),
                accepted='such as material = "cork-nbr-70", bolt = "M6"',
            ))  # fmt: skip
    if faults:
        raise BuildErrors(faults)
    known = {item.name for item in fields(Joint)}
    return Joint(outline=outline, **{key: made[key] for key in made if key in known})


def _value(key: str, value: object, place: Place) -> object:
    if key in CHOICES:
        if not isinstance(value, bool):
            raise ValueRefused("is not yes or no", place, str(value)[:60], "true or false")
        return value
    if key == "heat_cycles":
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            raise ValueRefused("is no number", place, str(value)[:60], "0 to 100 000")
        return float(value)
    if key in WORDS:
        if not isinstance(value, str) or len(value) > 60:
            raise ValueRefused("is not a word", place, str(value)[:60], "a name of the table")
        return value
    text = str(value) if isinstance(value, (int, float)) and not isinstance(value, bool) else value
    if not isinstance(text, str) or key not in KEYS:
        raise ValueRefused("nobody reads this key" if key not in KEYS else "cannot be taken", place,
                           str(value)[:60], ", ".join(KEYS))  # fmt: skip
    return _quantity(key, text, place)


def _quantity(key: str, text: str, place: Place) -> float:
    if key in LENGTHS:
        return millimetres(text, str(place.key))
    quantity, bare = QUANTITIES[key]
    try:
        number, unit = units.split(text.strip())
        return units.convert(number, unit or bare, quantity)
    except units.UnitRefused as fault:
        raise ValueRefused(str(fault), place, text[:60], units.accepted(quantity)) from None


def read_joint(path: Path) -> Joint:
    """The joint of a joint file; its outline lies beside it, or the file is an outline itself."""
    text, file = read_text(path), str(path)
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as fault:
        raise FileRefused(f"is not TOML: {fault}", Place(file),
                          accepted="a joint file, see docs/joint.md") from None  # fmt: skip
    if data.get("version") != 1 or not isinstance(data.get("outline"), str):
        raise FileRefused(
            "is not a joint file", Place(file),
            accepted='version = 1, outline = "FILE.toml", material, bolt and what else is known',
            advice="an outline is named in it; see docs/joint.md",
        )  # fmt: skip
    return taken(data, read_outline(path.parent / data["outline"]), file)


def answer(joint: Joint, samples: int, seed: int) -> JointResult:
    """The verdict on a joint."""
    return judge(joint, samples=samples, seed=seed)


def with_changes(joint: Joint, changes: Mapping[str, str]) -> Joint:
    """The joint with values typed as key=value in the place of those of the file."""
    said: dict[str, object] = {
        key: text == "true" if key in CHOICES and text in ("true", "false") else text
        for key, text in changes.items()
    }
    made = {key: _value(key, value, Place(key=key)) for key, value in said.items()}
    return replace(joint, **made)  # type: ignore[arg-type]


def drawings(result: JointResult) -> dict[str, str]:
    """The torque card and the pressure on the sheet, to be written or shown."""
    from keyturn.report.joint_figure import pressure_figure
    from keyturn.report.torque_card import torque_card

    drawn: dict[str, Callable[..., str]] = {"card": torque_card, "pressure": pressure_figure}
    return {name: draw(result) for name, draw in drawn.items()}
