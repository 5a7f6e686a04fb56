"""The drawn part: what stands in it, at both widths, in page and file."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from dataclasses import replace

import pytest

from keyturn.making.edit import prepare, rectangle
from keyturn.making.shape import ClosedPath, Hole, Outline
from keyturn.report.outline_figure import outline_figure, size_rows

SVG = "{http://www.w3.org/2000/svg}"
# invented
PART = Outline(
    outer=replace(rectangle(0, 0, 320, 140, 18), uncertainty=0.12),
    holes=(
        Hole(-148, -58, 6.6, name="A", centre_uncertainty=0.05, diameter_uncertainty=0.04),
        Hole(148, -58, 6.6, name="B", centre_uncertainty=0.05, diameter_uncertainty=0.04),
        Hole(150, 2, 8.0, role="dowel", name="D", open_to_edge=True),
        Hole(154, 40, 6.6, name="near"),
    ),
    ports=(replace(rectangle(0, 0, 60, 80, 30, name="P"), uncertainty=0.2),),
    thickness=1.5,
    name="plenum",
)
READY = prepare(PART)


def words(svg: str) -> list[str]:
    return [element.text or "" for element in ET.fromstring(svg).iter(f"{SVG}text")]


@pytest.mark.parametrize("width", [720.0, 358.0])
def test_names_sizes_dimensions_uncertainty_and_the_narrow_land(width: float) -> None:
    said = " ".join(words(outline_figure(READY.outline, READY.narrow, width)))
    assert "320.0 mm" in said and "140.0" in said
    assert "Ø7.20 ±0.04, centre ±0.05: A, B" in said
    assert "outside: edge ±0.12" in said
    # 160 - 154 mm to the edge, less half of 6.6 + 0.6 mm
    assert ("2.4 of 3.0" if width > 600 else " 2.4 ") in said
    assert "an ear" in said and "Narrow lands" in said
    assert "Scale not confirmed" in said
    for name in ("A", "B", "P"):
        assert re.search(rf"\b{name}\b", said)


def test_a_confirmed_scale_has_no_warning_and_wide_lands_no_ring() -> None:
    drawn = outline_figure(replace(PART, scale_verified=True))
    assert "Scale" not in drawn
    assert "Narrow" not in drawn
    ring = outline_figure(READY.outline, READY.narrow)
    assert ring.count('stroke-dasharray="5 2"') == len(READY.narrow) == 1


@pytest.mark.parametrize("width", [720.0, 358.0])
def test_nothing_stands_outside_of_the_figure(width: float) -> None:
    root = ET.fromstring(outline_figure(READY.outline, READY.narrow, width))
    height = float(root.get("height", "0"))
    for path in root.iter(f"{SVG}path"):
        numbers = [float(v) for v in re.findall(r"-?\d+\.\d+", path.get("d", ""))]
        assert all(-4.0 <= x <= width + 4.0 for x in numbers[::2])
        assert all(-4.0 <= y <= height + 4.0 for y in numbers[1::2])
    for text in root.iter(f"{SVG}text"):
        assert 0.0 <= float(text.get("x", "-1")) <= width
        assert 0.0 <= float(text.get("y", "-1")) <= height


def test_colours_are_variables_in_a_page_and_written_out_in_a_file() -> None:
    page = outline_figure(READY.outline, READY.narrow, inline=True)
    assert "var(--ink)" in page and "#1c2a36" not in page
    assert "var(--" not in outline_figure(READY.outline, READY.narrow)


def test_words_of_the_part_are_text() -> None:
    odd = replace(PART, name="<script>alert(1)</script>",
                  holes=(Hole(0, 60, 5.0, name="<b>\x00&"),))  # fmt: skip
    drawn = outline_figure(odd)
    assert "<script" not in drawn and "<b>" not in drawn
    ET.fromstring(drawn)


def test_equal_holes_share_a_row_and_unequal_ones_do_not() -> None:
    rows = size_rows(PART)
    assert rows[0] == "bolt Ø6.60 ±0.04, centre ±0.05: A, B"
    assert rows[1] == "dowel, open to the edge Ø8.00: D"
    assert rows[-1] == "sheet 1.5 thick"


def test_an_empty_outline_says_so() -> None:
    assert "no outline yet" in outline_figure(Outline(ClosedPath(())))


def test_a_slot_that_cannot_be_cut_is_drawn_as_a_hole() -> None:
    odd = replace(PART, holes=(Hole(300, 0, 8.0, open_to_edge=True),))
    assert "<circle" in outline_figure(odd)
