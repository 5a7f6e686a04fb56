"""The drawn circuit: every part once, in the order of the flow, in words that a reader hears."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from collections.abc import Mapping
from importlib.resources import files
from typing import Any

import pytest

from keyturn.build.read import parse_document
from keyturn.build.schema import grades
from keyturn.build.sheet import sheet_of
from keyturn.report.circuit_figure import MARKS, circuit, pieces

NAMES = ("van-roots", "pickup-screw", "kitcar-boost")
SVG = "{http://www.w3.org/2000/svg}"


def document(name: str) -> Mapping[str, Any]:
    text = (files("keyturn") / "examples" / name / "build.toml").read_text(encoding="utf-8")
    return parse_document(text, name)


@pytest.mark.parametrize("name", NAMES)
def test_every_part_of_the_file_is_drawn_once_and_in_order(name: str) -> None:
    raw = document(name)
    ahead, behind = pieces(sheet_of(raw))
    drawn = [piece.base for piece in (*ahead, *behind)]
    assert len(drawn) == len(set(drawn))
    assert [p.number for p in (*ahead, *behind)] == list(range(1, len(drawn) + 1))
    marks = ("pump", "regulator")
    lines = [f"feed.{n}" for n, row in enumerate(raw["feed"], 1) if row["part"] not in marks]
    back = [f"return.{n}" for n, _ in enumerate(raw.get("return", []), 1)]
    assert [base for base in drawn if base.startswith("feed.")] == lines
    assert [base for base in drawn if base.startswith("return.")] == back
    assert {"pump", "regulator", "injectors", "fuel"} <= set(drawn)


@pytest.mark.parametrize("width", [720.0, 358.0])
@pytest.mark.parametrize("name", NAMES)
def test_nothing_is_drawn_outside_and_all_is_said(name: str, width: float) -> None:
    sheet = sheet_of(document(name))
    tree = ET.fromstring(circuit(sheet, width))
    height = float(tree.attrib["height"])
    for text in tree.iter(f"{SVG}text"):
        assert 0 <= float(text.attrib["x"]) <= width
        assert 0 <= float(text.attrib["y"]) <= height
    spots = [rect.attrib["data-to"] for rect in tree.iter(f"{SVG}rect") if "data-to" in rect.attrib]
    ahead, behind = pieces(sheet)
    assert spots == [piece.base for piece in (*ahead, *behind)]
    said = tree.find(f"{SVG}desc")
    assert said is not None and said.text is not None
    assert all(piece.name in said.text for piece in (*ahead, *behind))


def test_a_regulator_at_the_tank_stands_before_the_line() -> None:
    ahead, behind = pieces(sheet_of(document("van-roots")))
    names = [piece.base for piece in ahead]
    assert names.index("regulator") < names.index("injectors") and "regulator" not in [
        piece.base for piece in behind
    ]


def test_every_grade_has_a_line_of_its_own() -> None:
    assert set(MARKS) == set(grades())
    assert len(set(MARKS.values())) == len(MARKS)


def test_a_file_that_says_nothing_is_drawn_too() -> None:
    sly = {"feed": [{"part": "<script>", "label": "a & b <i>"}], "regulator": {"place": 3}}
    for raw in ({}, sly):
        ET.fromstring(circuit(sheet_of(raw), 358.0))
