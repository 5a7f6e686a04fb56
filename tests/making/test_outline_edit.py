"""The outline file, allowances, lands, slots, mirror, kerf, joints."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import Polygon

from keyturn.errors import BuildErrors, FileRefused, ValueRefused
from keyturn.making.edit import (
    Allowances,
    kerfed,
    mirrored,
    prepare,
    rectangle,
    slotted,
    snapped,
)
from keyturn.making.land import lands
from keyturn.making.outline_file import from_text, to_text
from keyturn.making.shape import ClosedPath, Corner, Hole, Outline, area, flattened
from keyturn.making.split import fits, split

PLATE = Outline(
    outer=rectangle(0, 0, 200, 80, 10),
    holes=(Hole(-90, -30, 6.6, name="A"), Hole(90, 30, 6.6, name="B"),
           Hole(90, -30, 8.0, role="dowel", name="D")),
    ports=(rectangle(-40, 0, 50, 30, 15, name="left"), rectangle(40, 0, 40, 30, 5, name="right")),
    thickness=1.5,
)  # fmt: skip


def test_sizes_of_a_rectangle_are_the_closed_forms() -> None:
    assert area(rectangle(3, -2, 50, 30, 5, 0.4)) == pytest.approx(1500 - (4 - math.pi) * 25)
    assert area(rectangle(0, 0, 30, 30, 15)) == pytest.approx(math.pi * 15**2)  # a circle
    assert area(rectangle(0, 0, 50, 20, 10)) == pytest.approx(30 * 20 + math.pi * 100)  # a slot
    assert len(rectangle(0, 0, 50, 20, 0).corners) == 4


@pytest.mark.parametrize("radius", [-1.0, 16.0])
def test_a_corner_radius_that_cannot_be_is_refused(radius: float) -> None:
    with pytest.raises(ValueRefused, match="corner radius"):
        rectangle(0, 0, 50, 30, radius)


def test_the_file_gives_back_the_same_part() -> None:
    full = replace(
        PLATE, notes=('a "note"',), scale_verified=True, side="back",
        outer=replace(PLATE.outer, uncertainty=0.1, source="photo"),
        holes=(replace(PLATE.holes[0], centre_uncertainty=0.05, diameter_uncertainty=0.06,
                       source="photo", open_to_edge=True), *PLATE.holes[1:]),
    )  # fmt: skip
    assert from_text(to_text(full)) == full


coordinate = st.floats(-900, 900).map(lambda v: round(v, 4))


@given(x=coordinate, y=coordinate, diameter=st.floats(0.5, 60), bulge=st.floats(-0.3, 0.3))
@settings(max_examples=60, deadline=None)
def test_every_number_survives_the_file(x: float, y: float, diameter: float, bulge: float) -> None:
    outer = ClosedPath((Corner(x, y, bulge), Corner(x + 100, y), Corner(x + 100, y + 70, bulge),
                        Corner(x, y + 70)))  # fmt: skip
    part = Outline(outer, (Hole(x + 50, y + 35, diameter),))
    assert from_text(to_text(part)) == part


def test_a_hand_written_file_may_give_sizes() -> None:
    part = from_text(
        """
        version = 1
        thickness = 1.6
        [outer]
        rectangle = {x = 0, y = 0, width = 120, height = 60, radius = 8}
        [[hole]]
        x = 50
        y = 20
        diameter = 6.6
        [[port]]
        rectangle = {x = -10, y = 0, width = 40, height = 20, radius = 10, turn = 90}
        """
    )
    assert area(part.outer) == pytest.approx(120 * 60 - (4 - math.pi) * 64)
    assert max(y for _, y in flattened(part.ports[0])) == pytest.approx(20.0)


PLAIN = "version = 1\n[outer]\nrectangle={x=0,y=0,width=9,height=9}"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "version"),
        ("version = 9\n[outer]\nrectangle={x=0,y=0,width=9,height=9}", "version"),
        ("version = 1", "outer"),
        ("version = 1\n[outer]\ncorners = [[0,0],[1,0]]", "encloses nothing"),
        ("version = 1\n[outer]\ncorners = [[0,0],[10,10],[10,0],[0,10]]", "crosses itself"),
        ("version = 1\n[outer]\ncorners = [[0,0],[9,0],[9,9],[0,0]]", "corners.4"),
        ("version = 1\n[outer]\ncorners = [[0,0],[9,0,1],[9,0],[0,9]]", "corners.2"),
        ("version = 1\n[outer]\ncorners = [[0,0],[9e9,0],[0,1]]", "no corner"),
        ("version = 1\n[outer]\ncorners = [[0,0],[nan,0],[0,1]]", "no corner"),
        (
            PLAIN + "\n[[hole]]\nx=1\ny=1",
            "missing",
        ),
        (PLAIN + "\nclor = 1", "nobody reads"),
        ("version = 1\nthickness = 0\n[outer]\nrectangle={x=0,y=0,width=9,height=9}", "thickness"),
        ("version = 1\nhole = 3\n[outer]\nrectangle={x=0,y=0,width=9,height=9}", "list of tables"),
    ],
)
def test_what_is_wrong_in_a_file_is_said_with_its_place(text: str, words: str) -> None:
    with pytest.raises(BuildErrors, match="faults") as refusal:
        from_text(text, "part.toml")
    assert words in str(refusal.value)


def test_no_toml_is_refused() -> None:
    with pytest.raises(FileRefused, match="not TOML"):
        from_text("\x00\x01", "part.toml")


def test_allowances_open_bolts_keep_dowels_and_grow_ports() -> None:
    made = prepare(PLATE, Allowances(bolt=0.6, dowel=0.0, port=1.0))
    assert [hole.diameter for hole in made.outline.holes] == pytest.approx([7.2, 7.2, 8.0])
    # a rounded rectangle that grows by 1: sides and radius grow
    assert area(made.outline.ports[1]) == pytest.approx(42 * 32 - (4 - math.pi) * 36)
    assert made.outline.outer == PLATE.outer


def test_lands_are_the_distances_of_the_drawing() -> None:
    rows = {frozenset((row.a, row.b)): row for row in lands(PLATE)}
    assert rows[frozenset(("left", "right"))].width == pytest.approx(35.0, abs=0.01)
    assert rows[frozenset(("right", "edge"))].width == pytest.approx(25.0, abs=0.01)
    assert rows[frozenset(("A", "edge"))].width == pytest.approx(10 - 3.3, abs=0.01)


def test_a_hole_too_near_the_edge_gets_a_proposal_and_a_slot_settles_it() -> None:
    near = replace(PLATE, holes=(Hole(-90, -35, 6.6, name="A"),))
    made = prepare(near)
    assert [row.a for row in made.narrow] == ["A"]
    assert "ear" in made.narrow[0].proposal()
    assert "slot" in made.narrow[0].proposal()
    assert prepare(slotted(near, "A")).narrow == ()


@pytest.mark.parametrize(
    "holes",
    [(Hole(-90, -30, 6.6), Hole(-88, -30, 6.6)), (Hole(99, 0, 6.6),), (Hole(300, 0, 6.6),)],
    ids=["overlap", "across the edge", "outside"],
)
def test_openings_that_overlap_are_refused(holes: tuple[Hole, ...]) -> None:
    with pytest.raises(ValueRefused, match=r"overlap|across the edge"):
        prepare(replace(PLATE, holes=holes))


def test_mirror_twice_is_the_same_and_the_side_is_said() -> None:
    there = mirrored(PLATE)
    assert there.side == "back"
    assert area(there.outer) == pytest.approx(area(PLATE.outer))
    back = mirrored(there)
    assert area(back.ports[0]) == pytest.approx(area(PLATE.ports[0]))
    mine, theirs = Polygon(flattened(back.outer)), Polygon(flattened(PLATE.outer))
    assert mine.symmetric_difference(theirs).area < 1e-6
    assert [hole.x for hole in back.holes] == [hole.x for hole in PLATE.holes]


def test_a_kerf_moves_the_tool_out_of_the_part_and_into_the_openings() -> None:
    path = kerfed(PLATE, 0.4)
    assert area(path.outer) == pytest.approx(200.4 * 80.4 - (4 - math.pi) * 10.2**2)
    assert path.holes[0].diameter == pytest.approx(6.2)
    assert area(path.ports[1]) == pytest.approx(39.6 * 29.6 - (4 - math.pi) * 4.8**2)
    assert len(path.outer.corners) == len(PLATE.outer.corners)  # arcs are still arcs
    with pytest.raises(ValueRefused, match="wider than"):
        kerfed(PLATE, 7.0)


def test_snapping_takes_a_group_and_leaves_what_it_cannot_tell() -> None:
    sure = tuple(Hole(x, 0, d, diameter_uncertainty=0.05) for x, d in enumerate((6.55, 6.63, 6.58)))
    made, notes = snapped(sure)
    assert [hole.diameter for hole in made] == [6.6, 6.6, 6.6]
    assert [hole.x for hole in made] == [0, 1, 2]
    assert "3 holes" in notes[0]
    left, notes = snapped((Hole(0, 0, 6.05, diameter_uncertainty=0.3),))
    assert left[0].diameter == 6.05
    assert "left as measured" in notes[0]


def test_a_part_larger_than_the_sheet_is_parted_with_dovetails() -> None:
    long = replace(PLATE, outer=rectangle(0, 0, 600, 80, 10))
    assert not fits(long, 400, 300)
    made = split(long, around=100.0, width=420.0)
    areas = [area(half.outer) - sum(map(area, half.ports)) for half in made.parts]
    whole = area(long.outer) - sum(map(area, long.ports))
    assert sum(areas) == pytest.approx(whole, rel=1e-4)  # chords of 0.01 mm
    assert all(fits(half, 420, 300) for half in made.parts)
    assert sum(len(half.holes) for half in made.parts) == 3
    first, second = (Polygon(flattened(half.outer)) for half in made.parts)
    assert first.intersection(second).area < 1e-6


def test_where_no_joint_fits_it_says_so() -> None:
    thin = Outline(rectangle(0, 0, 600, 12, 2))
    with pytest.raises(ValueRefused, match="no place for a joint"):
        split(thin)
