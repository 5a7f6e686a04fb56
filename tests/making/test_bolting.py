"""The order of bolts: known stars, middle before ends, every bolt once."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from keyturn.making.bolting import bolting, is_ring, pass_shares


def ring(count: int, radius: float = 60.0) -> list[tuple[float, float]]:
    """Bolt 0 on top, then clockwise."""
    turn = [math.pi / 2.0 - 2.0 * math.pi * n / count for n in range(count)]
    return [(radius * math.cos(a), radius * math.sin(a)) for a in turn]


# Common practice, no source: wheel and pipe flange stars; from the second bolt on each pair lies
# across, and which neighbour comes first is free.
@pytest.mark.parametrize("count", [4, 6, 8, 12])
def test_star_goes_across_and_across(count: int) -> None:
    order = bolting(ring(count), 10.0).order
    assert sorted(order) == list(range(count))
    assert order[0] == 0
    for first, second in zip(order[::2], order[1::2], strict=True):
        assert abs(first - second) == count // 2


def test_second_pair_of_eight_is_square_to_the_first() -> None:
    assert set(bolting(ring(8), 10.0).order[2:4]) == {2, 6}


def test_round_goes_once_around() -> None:
    assert bolting(ring(8), 10.0).round == tuple(range(8))


def test_long_row_starts_in_the_middle_and_ends_at_the_ends() -> None:
    points = [(float(x), y) for x in (0, 80, 160, 240, 320) for y in (0.0, 60.0)]
    plan = bolting(points, 12.0)
    assert plan.pattern == "spiral"
    far = [abs(points[n][0] - 160.0) for n in plan.order]
    assert far == sorted(far)
    sides = [points[n][0] > 160.0 for n in plan.order[2:]]
    assert sum(sides[:4]) == 2  # not all of one end first


def test_four_corners_cross() -> None:
    points = [(0.0, 0.0), (100.0, 0.0), (100.0, 60.0), (0.0, 60.0)]
    order = bolting(points, 8.0).order
    assert abs(order[0] - order[1]) == 2
    assert abs(order[2] - order[3]) == 2


def test_half_a_ring_is_no_ring() -> None:
    half = [(60.0 * math.cos(a), 60.0 * math.sin(a)) for a in (0.0, 0.8, 1.6, 2.3, math.pi)]
    assert not is_ring(half)
    assert bolting(half, 10.0).pattern == "spiral"


@given(torque=st.floats(0.5, 200.0))
@settings(max_examples=60, deadline=None)
def test_four_passes_and_more_in_even_steps(torque: float) -> None:
    shares = pass_shares(torque)
    assert len(shares) >= 4
    assert shares[-1] == 1.0
    steps = [b - a for a, b in pairwise((0.0, *shares))]
    assert max(steps) - min(steps) < 1e-9
    assert max(steps) * torque <= 3.5 + 1e-6 or len(shares) == 4


@given(st.lists(st.tuples(st.integers(0, 500), st.integers(0, 300)), min_size=2, max_size=24,
                unique=True))  # fmt: skip
@settings(max_examples=80, deadline=None)
def test_every_bolt_once_wherever_they_are(places: list[tuple[int, int]]) -> None:
    plan = bolting([(float(x), float(y)) for x, y in places], 10.0)
    for order in (plan.order, plan.round, *(step.order for step in plan.passes)):
        assert sorted(order) == list(range(len(places)))
    torques = [step.torque for step in plan.passes]
    assert torques == sorted(torques)
