"""DXF: what is written is what is read, by our reader and by an independent one."""

from __future__ import annotations

import io
import math
from dataclasses import replace

import ezdxf
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from keyturn.errors import CannotSolve, FileRefused, ValueRefused
from keyturn.making import cutting, dxf, readback
from keyturn.making.contours import Contour, Cutting, contours_of, quartered
from keyturn.making.edit import kerfed, prepare, rectangle
from keyturn.making.shape import ClosedPath, Corner, Hole, Outline, area, length

PLATE = Outline(
    outer=rectangle(0, 0, 200, 80, 10),
    holes=(Hole(-90, -30, 6.6, name="A"), Hole(90, 30, 6.6, name="B"),
           Hole(92, -10, 8.0, role="dowel", name="D", open_to_edge=True)),
    ports=(rectangle(-40, 0, 50, 30, 15, name="left"), rectangle(40, 0, 40, 30, 5, name="right")),
    thickness=1.5,
    name="plate",
)  # fmt: skip


@st.composite
def outlines(draw: st.DrawFn) -> Outline:
    """A rounded plate, turned and moved, with round ports and holes that keep apart."""
    turn = draw(st.floats(-3, 3))
    x, y = draw(st.floats(-900, 900)), draw(st.floats(-900, 900))
    width, height = draw(st.floats(60, 400)), draw(st.floats(60, 300))
    outer = rectangle(x, y, width, height, draw(st.floats(0.0, 0.49)) * min(width, height), turn)
    size = draw(st.floats(0.1, 0.3)) * min(width, height)
    port = rectangle(x, y, size, size, draw(st.floats(0.0, 0.5)) * size, draw(st.floats(-3, 3)))
    away = 0.35 * min(width, height)
    holes = tuple(
        Hole(x + away * math.cos(a), y + away * math.sin(a), draw(st.floats(0.5, 8.0)))
        for a in (0.3, 2.0, 4.0)
    )
    return Outline(outer, holes, (port,))


def same(a: Outline, b: Outline, most: float) -> bool:
    """Corner for corner, hole for hole."""
    pairs = list(zip((a.outer, *a.ports), (b.outer, *b.ports), strict=True))
    far = [abs(u - v) for p, q in pairs for c, d in zip(p.corners, q.corners, strict=True)
           for u, v in ((c.x, d.x), (c.y, d.y), (c.bulge, d.bulge))]  # fmt: skip
    far += [abs(u - v) for h, k in zip(a.holes, b.holes, strict=True)
            for u, v in ((h.x, k.x), (h.y, k.y), (h.diameter, k.diameter))]  # fmt: skip
    return max(far) <= most


@given(outlines())
@settings(max_examples=25, deadline=None)
def test_outline_to_dxf_and_back_is_the_same_outline(part: Outline) -> None:
    sheet = Cutting(tuple(contours_of(part)))
    first = dxf.write(sheet)
    found = dxf.to_outline(dxf.read(first))
    assert same(part, found, 1e-9)
    assert dxf.write(Cutting(tuple(contours_of(found)))) == first


def test_another_reader_finds_units_layers_and_kinds() -> None:
    """By ezdxf's own document and audit, not through our reader."""
    made = cutting.job([prepare(PLATE).outline], kerf=0.2)
    document = ezdxf.read(io.StringIO(readback.checked_dxf(made.cutting).decode()))
    assert document.dxfversion == "AC1024"  # R2010
    assert document.header["$INSUNITS"] == 4  # DXF reference: 4 = millimetres
    assert len(document.audit().errors) == 0
    kinds = [(e.dxf.layer, e.dxftype()) for e in document.modelspace()]
    assert sorted(kinds) == sorted([
        ("HOLES", "CIRCLE"), ("HOLES", "CIRCLE"), ("CUT_INNER", "LWPOLYLINE"),
        ("CUT_INNER", "LWPOLYLINE"), ("CUT_OUTER", "LWPOLYLINE"), ("MARK", "TEXT"),
    ])  # fmt: skip
    assert kinds[-2][0] == "CUT_OUTER"  # after everything inside
    bends = [e for e in document.modelspace() if e.dxftype() == "LWPOLYLINE"]
    assert all(e.closed and e.has_arc for e in bends)


def test_the_kerf_lies_outside_of_the_part_and_inside_of_its_openings() -> None:
    """Steiner: area of a convex path at distance d is A + P d + pi d^2."""
    sheet = kerfed(replace(PLATE, holes=PLATE.holes[:2]), 0.3)
    meant = dxf.to_outline(dxf.read(dxf.write(Cutting(tuple(contours_of(sheet))))))
    outer, port = PLATE.outer, PLATE.ports[0]
    assert area(meant.outer) == pytest.approx(
        area(outer) + length(outer) * 0.15 + math.pi * 0.15**2, rel=1e-12
    )
    assert area(meant.ports[0]) == pytest.approx(
        area(port) - length(port) * 0.15 + math.pi * 0.15**2, rel=1e-12
    )
    assert meant.holes[0].diameter == pytest.approx(6.3, abs=1e-12)


def test_the_same_cutting_gives_the_same_bytes() -> None:
    made = cutting.job([PLATE]).cutting
    assert dxf.write(made) == dxf.write(made)


def test_a_difference_is_found() -> None:
    made = cutting.job([PLATE], marked=False).cutting
    first, *rest = made.contours
    hole = replace(first.shape, x=first.shape.x + 2e-9) if isinstance(first.shape, Hole) else None
    assert hole is not None
    moved = replace(made, contours=(replace(first, shape=hole), *rest))
    assert readback.difference(made, moved) == pytest.approx(2e-9, rel=1e-3)
    assert readback.difference(made, replace(made, contours=tuple(rest))) == math.inf
    other = replace(made, contours=(replace(first, layer="MARK"), *rest))
    assert readback.difference(made, other) == math.inf


def test_a_file_that_is_not_the_part_is_an_error(monkeypatch: pytest.MonkeyPatch) -> None:
    made = cutting.job([PLATE]).cutting
    bent = replace(made, contours=(*made.contours[:-1], replace(
        made.contours[-1], shape=rectangle(100, 40, 200, 80.001, 10))))  # fmt: skip
    wrong = dxf.write(bent)
    monkeypatch.setattr(dxf, "write", lambda _: wrong)
    with pytest.raises(CannotSolve, match="nothing is handed out"):
        readback.checked_dxf(made)


@given(st.floats(0.05, 3.9), st.floats(-3, 3), st.floats(0.5, 400))
@settings(max_examples=40, deadline=None)
def test_quarters_are_the_same_path(bulge: float, turn: float, size: float) -> None:
    c, s = size * math.cos(turn), size * math.sin(turn)
    path = ClosedPath((Corner(0, 0, bulge), Corner(c, s)))
    pieces = quartered(path)
    assert area(pieces) == pytest.approx(area(path), rel=1e-12)
    assert length(pieces) == pytest.approx(length(path), rel=1e-12)
    assert max(abs(p.bulge) for p in pieces.corners) <= math.tan(math.pi / 8) * (1 + 1e-5)
    assert quartered(pieces) == pieces


BAD = {
    "nothing": b"", "a picture": b"\x89PNG\r\n\x1a\n" + bytes(200), "words": b"hello\nthere\n",
    "not text": b"\xff\xfe\x00\x01" * 20,
}  # fmt: skip


@pytest.mark.parametrize("data", BAD.values(), ids=BAD)
def test_what_is_no_dxf_is_refused(data: bytes) -> None:
    with pytest.raises(FileRefused, match=r"not a DXF|millimetres"):
        dxf.read(data, "x.dxf")


def test_inches_open_paths_and_other_things_are_refused() -> None:
    document = ezdxf.new("R2010", units=1)
    document.modelspace().add_circle((0, 0), 1, dxfattribs={"layer": "HOLES"})

    def told() -> bytes:
        stream = io.StringIO()
        document.write(stream)
        return stream.getvalue().encode()

    with pytest.raises(FileRefused, match="millimetres"):
        dxf.read(told())
    document.header["$INSUNITS"] = 4
    assert len(dxf.read(told()).contours) == 1
    open_path = document.modelspace().add_lwpolyline([(0, 0), (1, 1)],
                                                     dxfattribs={"layer": "HOLES"})  # fmt: skip
    with pytest.raises(FileRefused, match="not closed"):
        dxf.read(told())
    document.modelspace().delete_entity(open_path)
    document.modelspace().add_line((0, 0), (1, 1))
    with pytest.raises(FileRefused, match="LINE, which is no cut"):
        dxf.read(told())


def test_two_outsides_are_no_outline() -> None:
    one = Contour("CUT_OUTER", PLATE.outer)
    with pytest.raises(FileRefused, match="2 outer paths"):
        dxf.to_outline(Cutting((one, one)))


FAULTS = {
    "no thickness": (replace(PLATE, thickness=0.0), "no thickness"),
    "nothing": (replace(PLATE, outer=ClosedPath(())), "nothing to cut"),
    "no area": (replace(PLATE, outer=ClosedPath((Corner(0, 0), Corner(9, 0)))), "nothing to cut"),
    "no size": (replace(PLATE, holes=(Hole(0, 30, 0.0, name="A"),)), "A has no size"),
    "not a number": (replace(PLATE, holes=(Hole(math.nan, 0, 5.0),)), "not a number"),
    "overlap": (replace(PLATE, holes=(Hole(-40, 0, 5.0),)), "crosses itself or another"),
    "across the edge": (replace(PLATE, holes=(Hole(100, 0, 5.0),)), "crosses itself or another"),
    "twice": (replace(PLATE, ports=(ClosedPath((Corner(0, 0), Corner(9, 0), Corner(9, 0, 1.0),
        Corner(9, 9))),)), "lies on the one after it"),
    "bow tie": (replace(PLATE, holes=(), ports=(), outer=ClosedPath(
        (Corner(0, 0), Corner(50, 40), Corner(50, 0), Corner(0, 50)))),
        "crosses itself"),
}  # fmt: skip


@pytest.mark.parametrize(("part", "words"), FAULTS.values(), ids=FAULTS)
def test_what_cannot_be_cut_is_refused_with_the_reason(part: Outline, words: str) -> None:
    with pytest.raises(ValueRefused, match=words):
        cutting.job([part])


def test_no_part_and_no_copy_are_refused() -> None:
    with pytest.raises(ValueRefused, match="nothing to cut"):
        cutting.job([])
    with pytest.raises(ValueRefused, match="copies"):
        cutting.job([PLATE], copies=0)
    with pytest.raises(ValueRefused, match="need a sheet"):
        cutting.job([PLATE], copies=2)
    with pytest.raises(ValueRefused, match="kerf is wider"):
        cutting.job([PLATE], kerf=7.0)
