"""The torque card: numbers where the bolts are, both unit systems, nothing outside the sheet."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache
from xml.etree import ElementTree

import pytest

from keyturn.making.joint import JointResult, judge
from keyturn.making.joint_given import Joint
from keyturn.making.shape import ClosedPath, Corner, Hole, Outline
from keyturn.report.joint_figure import pressure_figure
from keyturn.report.svg import text_width
from keyturn.report.torque_card import (
    JOB,
    WHY,
    _drawn,
    card_pdf,
    in_pounds,
    place_of,
    torque_card,
)

SVG = "{http://www.w3.org/2000/svg}"


@cache
def result(name: str = "invented lid") -> JointResult:
    xs, ys = (8.0, 60.0, 112.0), (8.0, 72.0)
    holes = tuple(Hole(x, y, 6.6) for x in xs for y in ys)
    outer = ClosedPath((Corner(0, 0), Corner(120, 0), Corner(120, 80), Corner(0, 80)))
    port = ClosedPath((Corner(18, 18), Corner(102, 18), Corner(102, 62), Corner(18, 62)))
    outline = Outline(outer, holes, (port,), name=name, thickness=1.5)
    return judge(Joint(outline, "cork-nbr-70", "M6", torque=6.0, boost=50e3), samples=30)


def test_a_joint_that_is_short_has_no_passes() -> None:
    """A card is followed: it must not lead through passes to a torque that does not do."""
    short = judge(replace(result().joint, boost=300e3, flange_thickness=3.0), samples=60)
    assert short.verdict == "short" and short.torque_low > short.torque_high
    said = " ".join(text.text or "" for text in texts(torque_card(short)))
    assert "No torque does both" in said and "Snug every bolt" not in said
    wrong = judge(replace(result().joint, torque=40.0, flange_thickness=20.0), samples=60)
    assert wrong.verdict == "short" and wrong.torque_low < wrong.torque_high
    said = " ".join(text.text or "" for text in texts(torque_card(wrong)))
    assert "Not to be tightened to 40.0 N m" in said and "Snug every bolt" not in said


def texts(svg: str) -> list[ElementTree.Element]:
    return list(ElementTree.fromstring(svg).iter(f"{SVG}text"))


@pytest.mark.parametrize("width", [720.0, 358.0])
def test_every_bolt_has_its_number_and_nothing_sticks_out(width: float) -> None:
    svg = torque_card(result(), width)
    words = [text.text or "" for text in texts(svg)]
    for number in "123456":
        assert number in words
    height = float(ElementTree.fromstring(svg).get("height", "0"))
    for text in texts(svg):
        x, size = float(text.get("x", "0")), float(text.get("font-size", "0"))
        # the writer's estimate is an upper one; 0.85 of it is still more than is drawn
        wide = 0.85 * text_width(text.text or "", size)
        left = x - {"start": 0.0, "middle": wide / 2, "end": wide}[text.get("text-anchor", "start")]
        assert left >= -1.0
        assert left + wide <= width + 1.0
        assert 0.0 < float(text.get("y", "0")) <= height


def test_torque_in_both_systems() -> None:
    """1 N m = 0.737562 lb ft = 8.85075 lb in (NIST SP 811, appendix B)."""
    assert in_pounds(10.0) == ("7.4", "89")
    words = [text.text for text in texts(torque_card(result()))]
    for cell in ("6.0", "4.4", "53"):
        assert cell in words


def test_on_paper_it_is_two_sheets_with_the_job_on_the_first() -> None:
    made = card_pdf(result())
    assert made == card_pdf(result())
    assert len(re.findall(rb"/Type\s*/Page\b", made)) == 2
    job, why = (_drawn(result(), part) for part in (JOB, WHY))
    for words in ("Snug every bolt", "Stop at once", "lb ft"):
        assert words in job and words not in why
    for words in ("one face only", "What was looked at", "Assumed"):
        assert words in why and words not in job
    for svg in (job, why):  # an A4 sheet less its margins is 1.48 times as tall as wide
        assert float(ElementTree.fromstring(svg).get("height", "0")) < 1.48 * 720


def test_numbers_follow_the_order() -> None:
    assert place_of((2, 0, 1)) == {2: 1, 0: 2, 1: 3}


def test_what_is_promised_and_what_is_warned_of() -> None:
    said = " ".join(text.text or "" for text in texts(torque_card(result())))
    for words in ("one face only", "stone cold", "Never retorque hot", "not an inspection",
                  "Snug every bolt", "Stop at once"):  # fmt: skip
        assert words in said
    assert not re.search(r"\b(0|100) %", said.split("What was looked at")[1].split("Cautions")[0])


def test_hostile_name_is_only_text() -> None:
    svg = torque_card(result('<script>"&\x00'), inline=True)
    assert "<script>" not in svg
    ElementTree.fromstring(svg)


def test_verdict_stands_on_the_card() -> None:
    short = judge(replace(result().joint, torque=40.0), samples=30)
    assert short.verdict == "short"
    assert "short" in [text.text for text in texts(torque_card(short))]


@pytest.mark.parametrize("torque", [1.5, 6.0, 40.0])
def test_pressure_figure_shows_the_kinds_that_are_there(torque: float) -> None:
    told = judge(replace(result().joint, torque=torque), samples=30)
    svg = pressure_figure(told, 358.0)
    words = " ".join(text.text or "" for text in texts(svg))
    pressure = told.map.pressure
    assert ("not bedded" in words) == bool((pressure < told.material.seating_stress).any())
    assert ("crushed" in words) == bool((pressure > told.material.crush_stress).any())
    assert f"{torque:.1f} N m" in words
