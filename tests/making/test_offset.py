"""Paths moved sideways: against closed forms, shapely's buffer (GEOS) and themselves."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import Polygon

from keyturn.errors import ValueRefused
from keyturn.making.offset import offset, reversed_path
from keyturn.making.shape import ClosedPath, Corner, area, flattened, length

Q = math.tan(math.pi / 8)


def rounded(width: float, height: float, radius: float) -> ClosedPath:
    """A rectangle about the origin with round corners, counter-clockwise."""
    x, y, r = width / 2, height / 2, radius
    return ClosedPath((
        Corner(-x + r, -y), Corner(x - r, -y, Q), Corner(x, -y + r), Corner(x, y - r, Q),
        Corner(x - r, y), Corner(-x + r, y, Q), Corner(-x, y - r), Corner(-x, -y + r, Q),
    ))  # fmt: skip


SQUARE = ClosedPath((Corner(0, 0), Corner(40, 0), Corner(40, 40), Corner(0, 40)))
ELL = ClosedPath(
    (Corner(0, 0), Corner(40, 0), Corner(40, 15), Corner(15, 15), Corner(15, 40), Corner(0, 40))
)


def test_a_rounded_rectangle_keeps_its_arcs_and_has_the_closed_form_area() -> None:
    grown = offset(rounded(60, 40, 8), 1.5)
    assert grown.exact
    assert len(grown.path.corners) == 8
    # width, height and radius all grow by the distance
    assert area(grown.path) == pytest.approx(63 * 43 - (4 - math.pi) * 9.5**2, rel=1e-12)


def test_outside_of_a_square_is_the_formula_of_steiner() -> None:
    """Steiner: area of a convex body at distance d is A + P d + pi d^2."""
    grown = offset(SQUARE, 2.0)
    assert grown.exact
    assert area(grown.path) == pytest.approx(1600 + 160 * 2 + math.pi * 4, rel=1e-12)
    assert length(grown.path) == pytest.approx(160 + 2 * math.pi * 2, rel=1e-12)


def test_inside_of_a_square_keeps_sharp_corners() -> None:
    shrunk = offset(SQUARE, -3.0)
    assert shrunk.exact
    assert area(shrunk.path) == pytest.approx(34.0**2, rel=1e-12)
    assert all(corner.bulge == 0.0 for corner in shrunk.path.corners)


def test_a_hollow_corner_is_cut_at_the_crossing() -> None:
    grown = offset(ELL, 2.0)
    assert grown.exact
    inner = [c for c in grown.path.corners if math.hypot(c.x - 17, c.y - 17) < 1e-9]
    assert len(inner) == 1


def test_a_radius_that_would_vanish_falls_back_and_says_so() -> None:
    shrunk = offset(rounded(60, 40, 3), -5.0)
    assert not shrunk.exact
    assert area(shrunk.path) == pytest.approx(50 * 30, rel=1e-4)


def test_nothing_left_is_refused() -> None:
    with pytest.raises(ValueRefused, match="nothing whole is left"):
        offset(SQUARE, -25.0)


@given(
    width=st.floats(20, 300), height=st.floats(20, 200), share=st.floats(0.05, 0.45),
    distance=st.floats(-1.0, 4.0).filter(lambda v: abs(v) > 1e-3), clockwise=st.booleans(),
)  # fmt: skip
@settings(max_examples=60, deadline=None)
def test_out_and_in_returns(
    width: float, height: float, share: float, distance: float, clockwise: bool
) -> None:
    start = rounded(width, height, 1.1 + share * (min(width, height) - 2.2))
    start = reversed_path(start) if clockwise else start
    there = offset(start, distance)
    back = offset(there.path, -distance)
    assert there.exact
    assert back.exact
    for old, new in zip(start.corners, back.path.corners, strict=True):
        assert math.hypot(old.x - new.x, old.y - new.y) < 1e-9
        assert old.bulge == pytest.approx(new.bulge, abs=1e-9)


@st.composite
def stars(draw: st.DrawFn) -> ClosedPath:
    """A star-shaped path of lines and shallow arcs; never crosses itself."""
    count = draw(st.integers(5, 12))
    corners = []
    for n in range(count):
        radius = draw(st.floats(30, 60))
        angle = 2 * math.pi * n / count
        corners.append(Corner(radius * math.cos(angle), radius * math.sin(angle),
                              draw(st.sampled_from((0.0, 0.0, 0.12, -0.1)))))  # fmt: skip
    return ClosedPath(tuple(corners))


@given(path=stars(), distance=st.floats(-3.0, 5.0).filter(lambda v: abs(v) > 0.01))
@settings(max_examples=80, deadline=None)
def test_any_path_agrees_with_the_buffer_of_its_polygon(path: ClosedPath, distance: float) -> None:
    fine = Polygon(flattened(path, 0.001))
    if not fine.is_valid:
        return
    moved = offset(path, distance)
    mine = Polygon(flattened(moved.path, 0.001))
    # buffer of an inward corner is sharp in both; outward corners are arcs of 64 chords a quarter
    theirs = fine.buffer(distance, quad_segs=64)
    assert mine.is_valid
    assert mine.hausdorff_distance(theirs) < 0.02  # [mm] arcs of chords of 0.002 mm on both sides
    assert area(moved.path) > 0.0
