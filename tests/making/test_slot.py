"""A hole open to the edge: its slot joins the outer path, against shapely and closed forms."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import LineString, Point, Polygon

from keyturn.errors import ValueRefused
from keyturn.making import cutting
from keyturn.making.contours import circle
from keyturn.making.edit import kerfed, rectangle
from keyturn.making.shape import ClosedPath, Corner, Hole, Outline, area, flattened, length
from keyturn.making.slot import opened

PLATE = rectangle(0, 0, 200, 80, 15)
Q = math.tan(math.pi / 8)


def slot(x: float, y: float, diameter: float) -> Hole:
    return Hole(x, y, diameter, name="S", open_to_edge=True)


@given(x=st.floats(-75, 75), deep=st.floats(0.5, 20), diameter=st.floats(1, 14),
       turn=st.floats(-3, 3))  # fmt: skip
@settings(max_examples=50, deadline=None)
def test_at_a_straight_edge_the_area_is_the_closed_form(
    x: float, deep: float, diameter: float, turn: float
) -> None:
    """Half a circle and a rectangle are taken out, wherever the part lies."""
    c, s = math.cos(turn), math.sin(turn)
    y = 40 - deep
    plate = rectangle(0, 0, 200, 80, 15, turn)
    made = opened(Outline(plate, (slot(c * x - s * y, s * x + c * y, diameter),)))
    assert made.holes == ()
    gone = math.pi * diameter**2 / 8 + diameter * deep
    assert area(made.outer) == pytest.approx(area(plate) - gone, rel=1e-9)
    # around: the mouth is gone, two sides and half a circle are new
    around = length(plate) - diameter + 2 * deep + math.pi * diameter / 2
    assert length(made.outer) == pytest.approx(around, rel=1e-7)


@given(angle=st.floats(0, 6.28), share=st.floats(0.80, 0.97), diameter=st.floats(1, 12))
@settings(max_examples=50, deadline=None)
def test_at_a_round_edge_it_is_what_shapely_cuts(
    angle: float, share: float, diameter: float
) -> None:
    """On a disc: the difference with the hole and the strip that leads out of it."""
    disc = circle(Hole(0, 0, 120))
    c, s = math.cos(angle), math.sin(angle)
    x, y = 60 * share * c, 60 * share * s
    if math.hypot(60 * share, diameter / 2) > 59.5:
        return
    made = Polygon(flattened(opened(Outline(disc, (slot(x, y, diameter),))).outer, 0.001))
    strip = LineString([(x, y), (x + 80 * c, y + 80 * s)]).buffer(diameter / 2, cap_style="flat")
    cut = Polygon(flattened(disc, 0.001)).difference(
        Point(x, y).buffer(diameter / 2, quad_segs=128).union(strip)
    )
    assert made.is_valid
    # 0.001 mm of chord along at most 470 mm of edge
    assert made.symmetric_difference(cut).area < 0.5


def test_arcs_stay_arcs_and_the_kerf_follows() -> None:
    part = opened(Outline(PLATE, (slot(95, 0, 8), slot(0, -35, 6))))
    assert len(part.outer.corners) == 8 + 2 * 4
    tool = kerfed(part, 0.2)
    assert len(tool.outer.corners) >= 16
    assert all(abs(corner.bulge) <= 1.0 + 1e-9 for corner in tool.outer.corners)
    assert Polygon(flattened(tool.outer)).buffer(1e-6).contains(Polygon(flattened(part.outer)))


def test_a_corner_inside_of_the_mouth_is_swallowed() -> None:
    square = ClosedPath((Corner(0, 0), Corner(50, 0), Corner(50, 50), Corner(25, 50),
                         Corner(0, 50)))  # fmt: skip
    made = opened(Outline(square, (slot(25, 45, 6),)))
    assert area(made.outer) == pytest.approx(2500 - math.pi * 36 / 8 - 30, rel=1e-12)
    assert not any((c.x, c.y) == (25, 50) for c in made.outer.corners)


def test_a_slot_that_begins_in_the_first_piece_and_one_at_an_arc() -> None:
    path = ClosedPath((Corner(60, 0, 1.0), Corner(-60, 0, 1.0)))
    made = opened(Outline(path, (slot(55, 0, 6),)))
    assert Polygon(flattened(made.outer)).is_valid
    assert area(made.outer) < area(path) - math.pi * 36 / 8 - 6 * 4.8


FAULTS = {
    "outside": (slot(150, 0, 6), "outside of the part"),
    "on the edge": (slot(100, 0, 6), "outside of the part|on the edge"),
    "wider than the part": (slot(0, 20, 300), "reach|another side"),
}


@pytest.mark.parametrize(("hole", "words"), FAULTS.values(), ids=FAULTS)
def test_what_cannot_be_opened_is_refused(hole: Hole, words: str) -> None:
    with pytest.raises(ValueRefused, match=words):
        opened(Outline(PLATE, (hole,)))


def test_a_slot_through_a_port_is_refused_when_it_is_cut() -> None:
    part = Outline(PLATE, (slot(0, 30, 8),), (rectangle(0, 36, 20, 4, 1),))
    with pytest.raises(ValueRefused, match="crosses itself or another"):
        cutting.job([part])


def test_parts_without_slots_are_left_alone() -> None:
    part = Outline(PLATE, (Hole(0, 0, 5),))
    assert opened(part) is part
    assert opened(replace(part, holes=())) == replace(part, holes=())
