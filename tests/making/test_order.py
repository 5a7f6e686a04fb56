"""Order of the cuts, length and time, against counting by hand and against all orders."""

from __future__ import annotations

import math
from itertools import pairwise, permutations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from keyturn.errors import ValueRefused
from keyturn.making import cutting
from keyturn.making.contours import Contour
from keyturn.making.edit import rectangle
from keyturn.making.order import begun, cut_length, duration, entry, ordered
from keyturn.making.shape import ClosedPath, Corner, Hole, Outline

PLATE = Outline(
    outer=rectangle(50, 30, 100, 60, 0),
    holes=tuple(Hole(x, y, 6.0) for x in (10, 90) for y in (10, 50)),
    ports=(rectangle(50, 30, 40, 20, 10),),
)


def test_length_and_time_by_hand() -> None:
    made = cutting.job([PLATE]).order
    # 4 circles of 6 mm, a slot of two sides of 20 mm and a circle of 20 mm, 100 x 60 mm around
    wanted = 4 * math.pi * 6 + 40 + math.pi * 20 + 320
    assert made.cut == pytest.approx(wanted, rel=1e-12)
    assert made.pierces == 6
    assert duration(made, 10.0) == pytest.approx(wanted / 10)
    slow = duration(made, 10.0, idle_speed=50.0, pierce_time=0.5)
    assert slow == pytest.approx(wanted / 10 + made.idle / 50 + 3.0)


def test_the_way_between_is_what_it_says() -> None:
    made = ordered(cutting.job([PLATE]).cutting.contours)
    spots = [(0.0, 0.0), *(entry(c) for c in made.contours)]
    assert made.idle == pytest.approx(sum(math.dist(a, b) for a, b in pairwise(spots)))


@given(st.lists(st.tuples(st.floats(0, 500), st.floats(0, 500)), min_size=1, max_size=12),
       st.integers(1, 4))  # fmt: skip
@settings(max_examples=40, deadline=None)
def test_inner_cuts_come_first_and_none_is_lost(
    spots: list[tuple[float, float]], parts: int
) -> None:
    rows = [Contour("HOLES", Hole(x, y, 5.0), n % parts) for n, (x, y) in enumerate(spots)]
    rows += [Contour("CUT_OUTER", rectangle(600 * n, 0, 50, 50, 5), n) for n in range(parts)]
    made = ordered(rows[::-1])
    layers = [contour.layer for contour in made.contours]
    assert layers == sorted(layers, reverse=True)  # HOLES before CUT_OUTER
    assert sum(cut_length(c) for c in rows) == pytest.approx(made.cut)
    assert sorted(map(entry, made.contours[: len(spots)])) == sorted(map(entry, rows[: len(spots)]))


def test_two_opt_is_near_the_best_of_all_orders() -> None:
    """Every order of seven holes tried. 2-opt keeps within 5 % of the best on the whole, 25 % each:
    for random points from memory (Johnson and McGeoch, 1997)."""
    random = np.random.default_rng(11)
    ours = best = 0.0
    for _ in range(8):
        spots = random.uniform(0, 300, (7, 2))
        rows = [Contour("HOLES", Hole(float(x) - 2.5, float(y), 5.0)) for x, y in spots]
        mine = ordered(rows).idle
        least = min(
            sum(math.dist(a, b) for a, b in pairwise([(0.0, 0.0), *(spots[list(way)].tolist())]))
            for way in permutations(range(7))
        )
        assert least - 1e-6 <= mine <= 1.25 * least
        ours, best = ours + mine, best + least
    assert ours <= 1.05 * best


def test_crossed_ways_are_uncrossed() -> None:
    """Nearest neighbour leaves the first hole of this row for last; 2-opt does not."""
    row = [Contour("HOLES", Hole(x - 2.5, 0.0, 5.0)) for x in (-2.0, 3.0, -9.0, 17.0, -34.0)]
    made = ordered(row, (0.0, 0.0))
    assert made.idle <= 34 + 34 + 17 + 1e-9  # to one end, then all along to the other


def test_a_path_begins_where_the_tool_is() -> None:
    path = ClosedPath((Corner(0, 0), Corner(10, 0, 0.5), Corner(10, 10), Corner(0, 10)))
    made = begun(Contour("CUT_INNER", path), (9, 12)).shape
    assert isinstance(made, ClosedPath)
    assert made.corners == (path.corners[2], path.corners[3], path.corners[0], path.corners[1])


@pytest.mark.parametrize(("speed", "idle", "pierce"), [
    (0.0, None, 0.0), (-1.0, None, 0.0), (math.nan, None, 0.0), (10.0, 0.0, 0.0),
    (10.0, 50.0, -1.0), (10.0, 50.0, math.inf),
])  # fmt: skip
def test_speeds_that_are_none(speed: float, idle: float | None, pierce: float) -> None:
    with pytest.raises(ValueRefused):
        duration(cutting.job([PLATE]).order, speed, idle, pierce)
