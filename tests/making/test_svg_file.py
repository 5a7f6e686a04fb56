"""SVG: read back by our numbers, and rasterised by another program and measured."""

from __future__ import annotations

import io
import math
from xml.etree import ElementTree

import numpy as np
import pytest
import typst
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from keyturn.errors import FileRefused
from keyturn.making import cutting, readback, svg_file
from keyturn.making.contours import Contour, Cutting, Mark, contours_of
from keyturn.making.edit import rectangle
from keyturn.making.shape import ClosedPath, Corner, Hole, Outline, area, length

PLATE = Outline(
    outer=rectangle(0, 0, 100, 60, 12),
    holes=(Hole(-40, -20, 6.6), Hole(40, 20, 9.0)),
    ports=(rectangle(0, 0, 50, 30, 15, 0.2),
           ClosedPath((Corner(-30, 22, 1.0), Corner(-20, 22, 1.0)))),
)  # fmt: skip


def test_size_is_in_millimetres_and_the_view_box_agrees() -> None:
    root = ElementTree.fromstring(svg_file.write(cutting.job([PLATE], sheet=(130, 80)).cutting))
    assert (root.get("width"), root.get("height")) == ("130mm", "80mm")
    assert root.get("viewBox") == "0 -80 130 80"


@given(bulge=st.floats(-4, 4), turn=st.floats(-3, 3), size=st.floats(1, 400),
       x=st.floats(-500, 500))  # fmt: skip
@settings(max_examples=40, deadline=None)
def test_every_arc_comes_back(bulge: float, turn: float, size: float, x: float) -> None:
    end = (x + size * math.cos(turn), size * math.sin(turn))
    path = ClosedPath((Corner(x, 0, bulge), Corner(*end, 0.9 if abs(bulge) < 0.1 else 0.0)))
    sheet = Cutting((Contour("CUT_OUTER", path),))
    apart = readback.difference(sheet, svg_file.read(svg_file.write(sheet)))
    assert apart <= readback.SVG_AGREES


def test_the_picture_of_another_program_has_the_area_and_the_place() -> None:
    """Drawn by the typesetter's SVG library at 20 pixels a millimetre, filled, and counted."""
    part = Outline(PLATE.outer, PLATE.holes, PLATE.ports)
    sheet = Cutting(tuple(contours_of(part)))
    text = svg_file.write(sheet).decode()
    # filled: openings in paper colour over the part, which has to be drawn first
    groups = text.split("\n")[2:-2]
    outer = [g for g in groups if "CUT_OUTER" in g]
    inner = [g for g in groups if "CUT_OUTER" not in g]
    assert len(outer) == 1 and len(inner) == 4
    filled = [g.replace('fill="none"', 'fill="#000000"').replace('stroke="#ff0000"', "")
              for g in outer]  # fmt: skip
    for group in inner:
        head, tail = group.split("stroke=", 1)
        filled.append(head.replace('fill="none"', 'fill="#ffffff"') + tail.split('"', 2)[2])
    drawn = "\n".join([*text.split("\n")[:2], *filled, "</svg>"])
    drawn = drawn.replace('stroke-width="0.1"', "")
    page = typst.compile(
        b'#set page(width: 102mm, height: 62mm, margin: 0mm)\n'
        b'#image(bytes(sys.inputs.svg), format: "svg", width: 102mm)',
        format="png", ppi=508.0, sys_inputs={"svg": drawn},
    )  # fmt: skip
    dark = 1.0 - np.asarray(Image.open(io.BytesIO(page)).convert("L"), float) / 255.0
    cell = 25.4 / 508.0
    holes = sum(math.pi * hole.diameter**2 / 4 for hole in part.holes)
    wanted = area(part.outer) - holes - sum(abs(area(port)) for port in part.ports)
    # the rasteriser samples a pixel four by four, which places an edge to a tenth of a pixel;
    # a scale wrong by 1 in 1000 would be 9 mm2
    edges = sum(length(path) for path in (part.outer, *part.ports))
    edges += sum(math.pi * hole.diameter for hole in part.holes)
    assert dark.sum() * cell**2 == pytest.approx(wanted, abs=edges * cell / 10)
    # the small port at the upper left is there and not at the lower left: y was turned over
    at = (int((31 - 22) / cell), int((51 - 25) / cell))
    assert dark[at] == 0.0
    assert dark[int((31 + 22) / cell), at[1]] == 1.0


BAD = {
    "nothing": b"", "words": b"hello", "a bomb": b"<!DOCTYPE a [<!ENTITY b 'c'>]><svg/>",
    "inches": b'<svg xmlns="http://www.w3.org/2000/svg" width="2in" height="2in"'
              b' viewBox="0 0 2 2"/>',
    "other scale": b'<svg xmlns="http://www.w3.org/2000/svg" width="20mm" height="20mm"'
                   b' viewBox="0 0 2 2"/>',
    "curves": b'<svg xmlns="http://www.w3.org/2000/svg" width="2mm" height="2mm"'
              b' viewBox="0 0 2 2"><g class="HOLES"><path d="M 0 0 C 1 1 2 2 3 3 Z"/></g></svg>',
}  # fmt: skip


@pytest.mark.parametrize("data", BAD.values(), ids=BAD)
def test_what_is_no_cut_file_is_refused(data: bytes) -> None:
    with pytest.raises(FileRefused):
        svg_file.read(data)


@given(st.text(max_size=60))
@settings(max_examples=40, deadline=None)
def test_every_name_comes_through_both_files(name: str) -> None:
    made = cutting.job([Outline(PLATE.outer, name=name, thickness=1.0)]).cutting
    assert len(made.marks) == 1
    assert readback.checked_svg(made) and readback.checked_dxf(made)


def test_words_are_escaped() -> None:
    mark = Mark(1.0, 2.0, 3.0, '<a & "b">')
    sheet = Cutting(tuple(contours_of(PLATE)), (mark,))
    assert svg_file.read(readback.checked_svg(sheet)).marks[0] == mark
