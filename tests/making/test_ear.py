"""An ear around a hole near the edge: against closed forms, with the land that is wanted."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import Point, Polygon

from keyturn.errors import ValueRefused
from keyturn.making import cutting
from keyturn.making.contours import circle
from keyturn.making.ear import ear_lines, eared
from keyturn.making.edit import Allowances, mirrored, prepare, rectangle
from keyturn.making.land import lands
from keyturn.making.shape import ClosedPath, Corner, Hole, Outline, area, flattened

PLAIN = Allowances(bolt=0.0, dowel=0.0, port=0.0, land=3.0, edge=3.0)


def plate(x: float, y: float, diameter: float = 6.0, turn: float = 0.0) -> Outline:
    """200 x 80 mm with corner radii of 10 mm, turned about the origin with its hole."""
    c, s = math.cos(turn), math.sin(turn)
    hole = Hole(c * x - s * y, s * x + c * y, diameter, name="H")
    return Outline(rectangle(0, 0, 200, 80, 10, turn), (hole,))


def land_of(part: Outline, allow: Allowances = PLAIN) -> float:
    sheet = prepare(part, allow).outline
    return next(row.width for row in lands(sheet) if row.b == "edge")


def is_sound(before: Outline, after: Outline, root: float = 3.0) -> None:
    """No self-crossing, nothing taken away, and little beside the circle is added."""
    old, new = (Polygon(flattened(part.outer, 0.001)) for part in (before, after))
    chords = 0.001 * new.length  # [mm2] arcs are cut into other chords than before
    assert new.is_valid
    assert old.difference(new).area < chords
    hole = before.holes[0]
    wide = Point(hole.x, hole.y).buffer(hole.diameter / 2 + 3.0 + 2 * root + 0.1)
    assert new.difference(old).difference(wide).area < chords


# the widest ear with its roots takes less than 13 mm of the edge, which is straight up to 90
@given(x=st.floats(-77, 77), deep=st.floats(0.5, 5.5), diameter=st.floats(2, 14),
       turn=st.floats(-3, 3))  # fmt: skip
@settings(max_examples=60, deadline=None)
def test_at_a_straight_edge_the_land_is_the_wanted_one(
    x: float, deep: float, diameter: float, turn: float
) -> None:
    """The hole touches the edge or cuts it, its centre is inside; chords of 0.005 mm."""
    if deep >= diameter / 2 + 3.0 - 0.05:
        return
    part = plate(x, 40 - deep, diameter, turn)
    made = eared(part, "H", PLAIN)
    assert land_of(made) == pytest.approx(3.0, abs=0.011)
    is_sound(part, made)
    # a circle and two roots: three arcs are new, every other corner is kept
    assert len(made.outer.corners) == len(part.outer.corners) + 4
    known = {(c.x, c.y) for c in made.outer.corners}
    assert all((c.x, c.y) in known for c in part.outer.corners)


@given(x=st.floats(-70, 70), deep=st.floats(0.5, 5.0), diameter=st.floats(3, 12))
@settings(max_examples=40, deadline=None)
def test_its_area_is_the_closed_form(x: float, deep: float, diameter: float) -> None:
    """Sectors of the ear and of both roots, and the straight figure between their middles."""
    radius, root = diameter / 2 + 3.0, 3.0
    if deep >= radius - 0.2:
        return
    part = plate(x, 40 - deep, diameter)
    a = math.sqrt((radius + root) ** 2 - (deep + root) ** 2)
    lean = math.acos((deep + root) / (radius + root))
    straight = [(-a, 0.0), (a, 0.0), (a, root), (0.0, -deep), (-a, root)]
    pairs = zip(straight, [*straight[1:], straight[0]], strict=True)
    added = sum(p[0] * q[1] - q[0] * p[1] for p, q in pairs) / 2
    added += radius**2 * lean - root**2 * lean
    made = eared(part, "H", PLAIN)
    assert area(made.outer) - area(part.outer) == pytest.approx(added, abs=1e-7)


@given(angle=st.floats(0, 6.28), deep=st.floats(0.5, 5.0), diameter=st.floats(2, 12))
@settings(max_examples=40, deadline=None)
def test_at_a_round_edge_too(angle: float, deep: float, diameter: float) -> None:
    if deep >= diameter / 2 + 2.8:
        return
    far = 60.0 - deep
    hole = Hole(far * math.cos(angle), far * math.sin(angle), diameter, name="H")
    part = Outline(circle(Hole(0, 0, 120)), (hole,))
    made = eared(part, "H", PLAIN)
    assert land_of(made) == pytest.approx(3.0, abs=0.011)
    is_sound(part, made)
    assert all(corner.bulge for corner in made.outer.corners)  # arcs stay arcs, ear and disc


@pytest.mark.parametrize("x", [94.5, 96.0, 98.0])
def test_around_a_sharp_corner_it_goes_all_round(x: float) -> None:
    part = Outline(rectangle(0, 0, 200, 80, 0), (Hole(x, x - 60, 6, name="H"),))
    made = eared(part, "H", PLAIN)
    assert land_of(made) == pytest.approx(3.0, abs=0.011)
    is_sound(part, made)


def test_the_allowances_of_the_cut_are_in_it() -> None:
    """With 0.6 mm of clearance and 4 mm of land the ear has a radius of 3 + 0.3 + 4 mm."""
    allow = Allowances(bolt=0.6, edge=4.0)
    made = eared(plate(0, 36), "H", allow)
    assert max(y for _, y in flattened(made.outer, 0.0001)) == pytest.approx(36 + 7.3, abs=1e-3)
    assert land_of(made, allow) == pytest.approx(4.0, abs=0.011)
    dowel = Outline(made.outer, (Hole(0, 36, 6, "dowel", "H"),))
    with pytest.raises(ValueRefused, match="needs no ear"):
        eared(dowel, "H", allow)


def test_a_slot_becomes_a_hole_again_and_the_mirror_image_is_the_same() -> None:
    part = plate(0, 36)
    slot = Outline(part.outer, (Hole(0, 36, 6, name="H", open_to_edge=True),))
    made = eared(slot, "H", PLAIN)
    assert not made.holes[0].open_to_edge
    other = mirrored(eared(mirrored(slot), "H", PLAIN))
    one, two = Polygon(flattened(made.outer)), Polygon(flattened(other.outer))
    assert one.symmetric_difference(two).area < 0.05
    assert cutting.job([made]).order.pierces == 2  # it can be cut: outside and hole


def test_the_drawn_line_is_the_new_edge() -> None:
    part = plate(0, 36)
    (line,) = ear_lines(part, "H", PLAIN)
    assert line[0][1] == pytest.approx(40.0) and line[-1][1] == pytest.approx(40.0)
    assert max(y for _, y in line) == pytest.approx(42.0, abs=0.02)
    made = Polygon(flattened(eared(part, "H", PLAIN).outer, 0.02))
    assert all(made.exterior.distance(Point(*spot)) < 0.03 for spot in line)


BAY = ClosedPath((Corner(0, 0), Corner(100, 0), Corner(100, 60), Corner(54, 60), Corner(54, 20),
                  Corner(50, 20), Corner(50, 60), Corner(0, 60)))  # fmt: skip
FAULTS = {
    "unknown": (plate(0, 36), "X", "no such hole"),
    "wide enough": (plate(0, 0), "H", "needs no ear"),
    "outside": (plate(0, 45), "H", "outside of the part"),
    "across a bay": (Outline(BAY, (Hole(47, 40, 10, name="H"),)), "H", "close a bay"),
}


@pytest.mark.parametrize(("part", "name", "words"), FAULTS.values(), ids=FAULTS)
def test_what_cannot_have_an_ear_says_why(part: Outline, name: str, words: str) -> None:
    with pytest.raises(ValueRefused, match=words) as refusal:
        eared(part, name, PLAIN)
    assert refusal.value.accepted or refusal.value.advice
