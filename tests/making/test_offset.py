"""Paths moved sideways: against closed forms, shapely's buffer (GEOS) and themselves."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import Polygon

from keyturn.errors import ValueRefused
from keyturn.making import offset as offsets
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


# --- where arcs cannot be kept: chords, judged by themselves ------------------------------------
def swept(path: ClosedPath, distance: float) -> Polygon:
    """The moved path a second way: what a disc that rolls along it covers, joined or taken away.

    Piece by piece, without a buffer: a rectangle over every chord, a disc of chords at every end.
    """
    points = np.array(flattened(path, 0.002))
    far, after = abs(distance), np.roll(points, -1, axis=0)
    along = (after - points) / np.hypot(*(after - points).T)[:, None]
    aside = far * np.stack([-along[:, 1], along[:, 0]], axis=1)
    strips = shapely.polygons(np.stack([points + aside, points - aside, after - aside,
                                        after + aside], axis=1))  # fmt: skip
    angles = np.arange(256) * math.pi / 128
    disc = far * np.stack([np.cos(angles), np.sin(angles)], axis=1)
    band = shapely.union_all([*strips, *shapely.polygons(points[:, None] + disc)])
    old = Polygon(points)
    return old.union(band) if distance > 0.0 else old.difference(band)


@st.composite
def nearly_degenerate(draw: st.DrawFn) -> tuple[ClosedPath, float]:
    """A rectangle with notches, slits, tiny steps and small arcs that a move swallows."""
    corners, x, depth = [Corner(0.0, 0.0), Corner(60.0, 0.0)], 60.0, 0.0
    corners.append(Corner(60.0, 30.0))
    for _ in range(draw(st.integers(1, 4))):
        x -= draw(st.floats(4.0, 9.0))
        wide = draw(st.sampled_from((1e-5, 1e-3, 0.02, 0.5, 2.0, 3.0)))
        depth = draw(st.sampled_from((1e-4, 0.05, 1.0, 4.0, 8.0)))
        bulge = draw(st.sampled_from((0.0, 1.0, -1.0, 0.3)))
        corners += [Corner(x, 30.0), Corner(x, 30.0 - depth, bulge),
                    Corner(x - wide, 30.0 - depth), Corner(x - wide, 30.0)]  # fmt: skip
        x -= wide
    corners.append(Corner(0.0, 30.0))
    return ClosedPath(tuple(corners)), draw(st.floats(-3.0, 5.0).filter(lambda v: abs(v) > 0.01))


@given(case=nearly_degenerate())
@settings(max_examples=60, deadline=None)
def test_chords_are_what_a_rolling_disc_leaves_or_are_refused(
    case: tuple[ClosedPath, float],
) -> None:
    path, distance = case
    fine = Polygon(flattened(path, 0.002))
    if not fine.is_valid:
        return
    theirs = swept(path, distance)
    try:
        made = offset(path, distance)
    except ValueRefused:
        # wrongly refused only where it is nearly of more pieces, or of fewer
        near = [swept(path, distance + more) for more in (-0.02, 0.0, 0.02)]
        assert any(one.geom_type != "Polygon" or one.is_empty or one.interiors for one in near)
        return
    mine = Polygon(flattened(made.path, 0.002))
    # 0.002 mm of chords on either side, 0.01 mm that chords are let stray, along the edge
    assert mine.symmetric_difference(theirs).area < 0.014 * theirs.length
    # Steiner's formula is the most that a simply connected part grows (Sz.-Nagy 1959)
    if distance > 0.0:
        round_ = fine.length * distance + math.pi * distance**2
        assert mine.area - fine.area < round_ + 0.014 * mine.length
    else:
        assert fine.area - mine.area < -distance * fine.length + 0.014 * fine.length


BAY = ClosedPath((
    Corner(0, 0), Corner(40, 0), Corner(40, 19), Corner(35, 19), Corner(35, 5), Corner(5, 5),
    Corner(5, 35), Corner(35, 35), Corner(35, 21), Corner(40, 21), Corner(40, 40), Corner(0, 40),
))  # fmt: skip
CROSSED = ClosedPath((Corner(0, 0), Corner(40, 40), Corner(40, 0), Corner(0, 42)))


@pytest.mark.parametrize(
    ("path", "distance", "why"),
    [(BAY, 1.5, "island"), (CROSSED, 1.0, "crosses itself"), (CROSSED, -1.0, "crosses itself")],
    ids=["a neck that closes", "crossed, out", "crossed, in"],
)
def test_what_is_no_longer_one_path_is_refused(path: ClosedPath, distance: float, why: str) -> None:
    """The chords of these once had the area of another part: the island filled, one loop gone."""
    with pytest.raises(ValueRefused, match=why):
        offset(path, distance)


WRONG = {
    "coarse": lambda old: old.buffer(-5.0, quad_segs=2),
    "too far": lambda old: old.buffer(-5.02, quad_segs=64),
    "a corner lost": lambda old: old.buffer(-5.0, quad_segs=64).difference(
        shapely.box(-40, -40, -20, -10)),
    "an end lost": lambda old: old.buffer(-5.0, quad_segs=64).intersection(
        shapely.box(-40, -40, 10, 40)),
    "the other side": lambda old: old.buffer(5.0, quad_segs=64),
}  # fmt: skip


@pytest.mark.parametrize("wrong", WRONG.values(), ids=WRONG)
def test_a_wrong_polygon_is_not_taken(wrong: Callable[[Polygon], Polygon]) -> None:
    """A dumbbell path: its hollow corners make arcs inside, which a coarse buffer cuts short."""
    path = ClosedPath((
        Corner(-30, -20), Corner(-8, -20), Corner(-8, -8), Corner(8, -8), Corner(8, -20),
        Corner(30, -20), Corner(30, 20), Corner(8, 20), Corner(8, 8), Corner(-8, 8),
        Corner(-8, 20), Corner(-30, 20),
    ))  # fmt: skip
    old = Polygon(flattened(path))

    def lies(shape: Polygon) -> bool:
        return offsets._lies(path, list(shape.exterior.coords)[:-1], -5.0)

    assert lies(old.buffer(-5.0, quad_segs=64))
    assert not lies(wrong(old))
