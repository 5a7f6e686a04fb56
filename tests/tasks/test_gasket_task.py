"""From an outline to files, from callipers to an outline; lengths as they are typed."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from keyturn.errors import BuildErrors, CannotAnswer, FileRefused, ValueRefused
from keyturn.making import dxf
from keyturn.making.edit import rectangle
from keyturn.making.shape import Hole, Outline, area
from keyturn.tasks import gasket as task
from keyturn.tasks.fields import millimetres, two_lengths
from keyturn.tasks.gasket_edit import change, typed
from keyturn.tasks.gasket_measure import measure, plan


def lid() -> Outline:
    """An invented lid of 120 x 80 mm with a port of 80 x 40 and four bolts."""
    holes = tuple(Hole(x, y, 6.0, name=f"hole {n}") for n, (x, y) in
                  enumerate([(-50, -30), (50, -30), (50, 30), (-50, 30)], 1))  # fmt: skip
    return Outline(
        rectangle(0, 0, 120, 80, 0, name="outer"),
        holes,
        (rectangle(0, 0, 80, 40, 0, name="port 1"),),
        "lid",
        1.5,
    )


def test_lengths_as_they_are_typed() -> None:
    """An inch is 25.4 mm by definition; a bare number is millimetres."""
    assert millimetres("8", "x") == pytest.approx(8.0)
    assert millimetres("8mm", "x") == pytest.approx(8.0)
    assert millimetres("0.5 in", "x") == pytest.approx(12.7)
    assert two_lengths("249.6mm,179.8mm", "x") == pytest.approx((249.6, 179.8))
    assert two_lengths("500x330", "x") == pytest.approx((500.0, 330.0))
    for wrong in ("8 kg", "a lot", "", "inf", "8 psi"):
        with pytest.raises(ValueRefused, match=r"."):
            millimetres(wrong, "thickness")
    with pytest.raises(ValueRefused, match="two lengths"):
        two_lengths("249.6", "check")


def test_a_cut_has_the_allowances_and_is_what_it_was_meant_to_be() -> None:
    made = task.cut([lid()], task.CutOrder(speed=10.0))
    found = dxf.to_outline(dxf.read(made.dxf))
    assert {round(hole.diameter, 6) for hole in found.holes} == {6.6}  # 0.6 mm of clearance
    # a port that grows by 1 mm: its sides, and a quarter of a circle at each corner
    assert area(found.ports[0]) == pytest.approx(80 * 40 + 2 * (80 + 40) * 1.0 + math.pi, abs=1e-6)
    cut = 2 * (120 + 80) + (2 * (80 + 40) + 2 * math.pi) + 4 * math.pi * 6.6
    assert made.job.order.cut == pytest.approx(cut, rel=1e-9)
    assert made.seconds == pytest.approx(cut / 10.0, rel=1e-9)


def test_left_and_right_and_copies_lie_on_the_sheet() -> None:
    made = task.cut([lid()], task.CutOrder(both=True, copies=2, sheet=(300.0, 200.0)))
    assert len(made.job.parts) == 4
    assert [part.side for part in made.job.parts].count("back") == 2
    with pytest.raises(ValueRefused, match="larger than the sheet"):
        task.cut([lid()], task.CutOrder(sheet=(100.0, 60.0)))
    with pytest.raises(ValueRefused, match="sheet"):
        task.cut([lid()], task.CutOrder(copies=9, sheet=(130.0, 90.0)))


def test_a_part_that_is_larger_than_the_sheet_is_dovetailed() -> None:
    frame = Outline(rectangle(0, 0, 200, 100, 0), (), (rectangle(0, 0, 140, 40, 0),), "frame", 1.5)
    made = task.cut([frame], task.CutOrder(sheet=(150.0, 250.0), split=True))
    assert len(made.job.parts) >= 1
    total = sum(area(part.outer) - sum(area(port) for port in part.ports)
                for part in made.job.parts)  # fmt: skip
    grown = 140 * 40 + 2 * (140 + 40) + math.pi
    assert total == pytest.approx(200 * 100 - grown, rel=1e-3)


# --- changes ----------------------------------------------------------------------------------
def test_what_was_moved_by_hand_says_so() -> None:
    traced = lid()
    hole = Hole(-50, -30, 6.0, "bolt", "hole 1", 0.05, 0.08, "photo")
    traced = Outline(traced.outer, (hole, *traced.holes[1:]), traced.ports, "lid", 1.5)
    made = change(traced, {"do": "hole", "index": 0, "x": -49.5}).holes[0]
    assert (made.x, made.source, made.centre_uncertainty) == (-49.5, "typed", None)
    assert made.diameter_uncertainty == 0.08  # the size was not touched
    named = change(traced, {"do": "hole", "index": 0, "role": "dowel"}).holes[0]
    assert (named.source, named.centre_uncertainty) == ("photo", 0.05)


@pytest.mark.parametrize(
    "wish",
    [{"do": "fly"}, {"do": "hole", "index": 9, "x": 1.0}, {"do": "hole", "index": True, "x": 1.0},
     {"do": "hole", "index": 0, "x": math.nan}, {"do": "hole", "index": 0, "diameter": -3.0},
     {"do": "corner", "corner": 2, "x": 0.0, "y": -60.0},
     {"do": "grow", "index": 0, "by": 99.0},
     {"do": "grow", "index": 0, "by": -30.0}, {"do": "slot", "name": "hole 77"},
     {"do": "port", "x": 0, "y": 0, "width": -1, "height": 4},
     {"do": "thickness", "thickness": 0.0},
     {"do": "hole", "index": 0, "role": "window"}, {"do": "move", "index": 0, "x": "far", "y": 0}],
    ids=str,
)  # fmt: skip
def test_a_change_that_cannot_be_is_refused(wish: dict[str, object]) -> None:
    with pytest.raises((ValueRefused, BuildErrors)):
        change(lid(), wish)


@settings(max_examples=25, deadline=None)
@given(st.floats(-15.0, 15.0), st.floats(-8.0, 8.0), st.floats(0.0, 3.0))
def test_a_port_that_moves_keeps_its_area_and_grows_as_steiner_says(
    dx: float, dy: float, by: float
) -> None:
    """Steiner: area + perimeter times distance + pi times distance squared, of a convex shape."""
    moved = change(lid(), {"do": "move", "index": 0, "x": dx, "y": dy})
    assert area(moved.ports[0]) == pytest.approx(3200.0)
    grown = change(moved, {"do": "grow", "index": 0, "by": by})
    assert area(grown.ports[0]) == pytest.approx(3200 + 240 * by + math.pi * by * by, rel=1e-6)


def test_changes_as_the_terminal_takes_them() -> None:
    made = change(lid(), typed("hole.3.diameter=6.6"))
    assert made.holes[2].diameter == pytest.approx(6.6)
    assert change(lid(), typed("hole.1.x=-2 in")).holes[0].x == pytest.approx(-50.8)
    assert change(lid(), typed("name=plenum")).name == "plenum"
    assert change(lid(), typed("hole.2.role=dowel")).holes[1].role == "dowel"
    for wrong in ("hole.3", "hole.x=3", "hole.3.colour=red", "wheel.1.x=3", "hole.1.x=far"):
        with pytest.raises(ValueRefused, match=r"."):
            typed(wrong)


def test_what_is_said_of_a_picture_is_taken_whole_or_refused_at_its_field() -> None:
    lines = {"check_long": "249.6 mm", "check_short": "7.08 in"}
    said = {"thickness": "8", "hole_size": "6.6", "hole_name": "hole 3", "snap": True, **lines}
    source = task.source_of(said, scanned=False, name="lid").judged(5)
    assert (source.thickness, source.hole) == (8.0, ("hole 3", pytest.approx(6.6)))
    assert source.check == pytest.approx((249.6, 7.08 * 25.4))  # an inch is 25.4 mm by definition
    assert task.source_of({"dpi": "300", **lines}, scanned=True, name="lid").judged(1).dpi == 300
    for more, key in (
        ({"hole_name": "hole 3"}, "hole_size"), ({"dpi": "300"}, "dpi"),
        ({"check_short": " "}, "check_short"), ({"snap": "maybe"}, "snap"),
        ({"hole_size": "inf"}, "hole_size"), ({"colour": "red"}, "colour"),
    ):  # fmt: skip
        with pytest.raises((ValueRefused, BuildErrors)) as caught:
            task.source_of({"thickness": "8", **lines, **more}, scanned=False, name="lid")
        faults = getattr(caught.value, "faults", (caught.value,))
        assert [fault.place.key for fault in faults] == [key]
    with pytest.raises(ValueRefused, match="taken together"):
        task.source_of({"dpi": "300", **lines}, scanned=True, name="lid").judged(2)


@pytest.mark.parametrize(
    ("said", "key"),
    [({"kerf": "wide"}, "kerf"), ({"copies": "2.5"}, "copies"), ({"speed": "-1"}, "speed"),
     ({"sheet": "300"}, "sheet"), ({"colour": "red"}, "colour"), ({"both": "perhaps"}, "both")],
    ids=str,
)  # fmt: skip
def test_an_order_that_cannot_be_taken_names_its_field(said: dict[str, str], key: str) -> None:
    with pytest.raises((ValueRefused, BuildErrors)) as caught:
        task.cut_order(said)
    faults = getattr(caught.value, "faults", (caught.value,))
    assert [fault.place.key for fault in faults] == [key]
    assert all(fault.accepted for fault in faults)


def test_an_order_as_it_is_typed() -> None:
    order = task.cut_order({"kerf": "0.2 mm", "land": "4", "sheet": "19.5inx13in", "both": "true",
                            "copies": "2", "speed": "20", "growth": " "})  # fmt: skip
    assert (order.kerf, order.copies, order.both, order.speed) == (pytest.approx(0.2), 2, True, 20)
    assert order.sheet == pytest.approx((495.3, 330.2))  # an inch is 25.4 mm by definition
    assert (order.allow.land, order.allow.edge, order.allow.port) == (4.0, 4.0, 1.0)


# --- callipers --------------------------------------------------------------------------------
RECTANGLE = [(0.0, 0.0), (60.0, 0.0), (60.0, 40.0), (0.0, 40.0)]


def callipers(pairs: list[tuple[int, int]], wrong: float = 0.0, more: str = "") -> str:
    """Holes of 6 mm at the corners of 60 x 40 mm, each distance over the outsides."""
    rows = [f"[[hole]]\nx = {x + 1:g}\ny = {y - 1:g}\ndiameter = 6\n" for x, y in RECTANGLE]
    for n, (a, b) in enumerate(pairs):
        far = math.dist(RECTANGLE[a - 1], RECTANGLE[b - 1]) + 6.0 + (wrong if n == 0 else 0.0)
        rows.append(f"[[distance]]\nfrom = {a}\nto = {b}\nvalue = {far:.3f}\n")
    return more + "".join(rows)


ALL = [(1, 2), (2, 3), (3, 4), (4, 1), (1, 3), (2, 4)]


def test_holes_by_callipers_are_where_pythagoras_puts_them() -> None:
    found = measure(callipers(ALL))
    holes = found.outline.holes
    for a, b in ALL:
        far = math.dist((holes[a - 1].x, holes[a - 1].y), (holes[b - 1].x, holes[b - 1].y))
        assert far == pytest.approx(math.dist(RECTANGLE[a - 1], RECTANGLE[b - 1]), abs=2e-3)
    assert 0.05 <= found.worst < 0.2
    # 8 mm around holes of 3 mm radius about the corners of 60 x 40
    r = 11.0
    round_it = 60 * 40 + 2 * (60 + 40) * r + math.pi * r * r
    assert area(found.outline.outer) == pytest.approx(round_it, rel=1e-3)


def test_too_few_distances_ask_for_the_next() -> None:
    with pytest.raises(CannotAnswer) as caught:
        measure(callipers(ALL[:3]))
    assert "measure from hole" in caught.value.missing[0]
    assert len(plan(callipers([]), 6)) == 6


def test_a_mistyped_distance_is_named() -> None:
    with pytest.raises(CannotAnswer, match=r"hole 1 to hole 2: 69\.00 mm") as caught:
        measure(callipers(ALL, wrong=3.0))
    assert "which make it 66.0" in str(caught.value)


def test_distances_that_cannot_close_give_no_outline() -> None:
    """Three holes, three distances, the longest longer than both others together."""
    rows = "".join(f"[[hole]]\nx = {x}\ny = {y}\ndiameter = 6\n" for x, y in RECTANGLE[:3])
    for a, b, far in ((1, 2, 60), (2, 3, 40), (1, 3, 140)):
        rows += f'[[distance]]\nfrom = {a}\nto = {b}\nvalue = {far}\nover = "centre"\n'
    with pytest.raises(CannotAnswer, match="cannot close") as caught:
        measure(rows)
    assert len(caught.value.missing) == 3


def test_a_symmetric_part_is_made_symmetric() -> None:
    text = callipers(ALL, wrong=0.06, more="symmetric = true\n").replace("x = 61", "x = 30")
    text = text.replace("x = 1\n", "x = -30\n")
    holes = measure(text).outline.holes
    assert holes[0].x == pytest.approx(-holes[1].x, abs=1e-9)
    assert holes[2].y == pytest.approx(holes[3].y, abs=1e-9)


@pytest.mark.parametrize(
    ("text", "error"),
    [("[[hole]\n", FileRefused), ("colour = 3\n", ValueRefused),
     (callipers(ALL).replace("from = 1", "from = 9"), BuildErrors),
     (callipers(ALL) + "[[distance]]\nfrom = 1\nto = 2\nvalue = 3\ncolour = 1\n", BuildErrors),
     (callipers(ALL).replace("diameter = 6", "diameter = -6"), BuildErrors),
     ("[[hole]]\nx = 0\ny = 0\ndiameter = 6\n", ValueRefused),
     ("outer = 3\n" + callipers(ALL), ValueRefused),
     ("reach = 0\n" + callipers(ALL), ValueRefused)],
)  # fmt: skip
def test_a_callipers_file_that_cannot_be_taken(text: str, error: type[Exception]) -> None:
    with pytest.raises(error):
        measure(text)


def test_an_outline_file_that_is_none(tmp_path: Path) -> None:
    for content in (b"", b"\xff\xfe", b"version = 1\n", b"[outer\n", b"version = 2\n"):
        file = tmp_path / "o.toml"
        file.write_bytes(content)
        with pytest.raises((FileRefused, BuildErrors)):
            task.read_outline(file)
    with pytest.raises(FileRefused, match="cannot be read"):
        task.read_outline(tmp_path / "nothing.toml")
