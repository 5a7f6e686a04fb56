"""Limits and closed forms of the belt drive."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from keyturn.errors import DomainError
from keyturn.physics import belt


@given(st.floats(0.04, 0.2), st.floats(0.04, 0.2), st.floats(0.25, 1.0))
def test_route_of_two_is_the_open_belt(first: float, other: float, distance: float) -> None:
    """1e-9: the arc sine of a small difference."""
    length, wrap = belt.belt_route(
        np.array([0.0, distance]), np.zeros(2), np.array([first, other]), np.ones(2)
    )
    assert length == pytest.approx(belt.open_belt_length(first, other, distance), rel=1e-9)
    assert wrap[0] == pytest.approx(belt.open_belt_wrap(first, other, distance), rel=1e-9)


def test_route_in_samples() -> None:
    """The last axis is the belt; the one before it samples."""
    x = np.array([[0.0, 0.2, 0.1], [0.0, 0.4, 0.2]])
    y = np.sqrt(0.75) * np.array([[0.0, 0.0, 0.2], [0.0, 0.0, 0.4]])
    length, _ = belt.belt_route(x, y, np.full((2, 3), 0.06), np.ones((2, 3)))
    np.testing.assert_allclose(length, [0.6 + 0.06 * np.pi, 1.2 + 0.06 * np.pi], rtol=1e-12)


def test_wrong_order_and_overlap_are_refused() -> None:
    x = np.array([0.0, 0.2, 0.1])
    y = np.array([0.0, 0.0, 0.17])
    with pytest.raises(DomainError, match="order"):
        belt.belt_route(x[::-1], y[::-1], np.full(3, 0.06), np.ones(3))
    with pytest.raises(DomainError, match="overlap"):
        belt.belt_route(x, y, np.array([0.06, 0.6, 0.06]), np.ones(3))


@given(
    st.floats(200.0, 1500.0),
    st.floats(0.2, 1.0),
    st.floats(1.5, 4.0),
    st.floats(5.0, 40.0),
)
def test_capacity_agrees_with_the_tension_it_needs(
    tension: float, friction: float, wrap: float, speed: float
) -> None:
    """At the edge of slip tight plus slack is twice the tension at rest. 1e-9: float noise."""
    power = belt.belt_power_capacity(tension, friction, wrap, speed, 0.1)
    tight = belt.tight_tension_needed(power, friction, wrap, speed, 0.1)
    slack = tight - belt.belt_pull(power, speed)
    assert tight + slack == pytest.approx(2.0 * tension, rel=1e-9)
    again = belt.power_at_tight_tension(tight, friction, wrap, speed, 0.1)
    assert again == pytest.approx(power, rel=1e-9)


def test_fast_belt_lifts_off() -> None:
    """200 N and 0.1 kg/m: no grip left above sqrt(2000) = 44.7 m/s."""
    speed = np.array([10.0, 25.0, 44.0, 45.0])
    power = np.asarray(belt.belt_power_capacity(200.0, 0.88, 2.8, speed, 0.1))
    assert np.all(power[:3] > 0.0)
    assert power[3] == 0.0


def test_best_speed_is_where_a_third_of_the_tension_is_centrifugal() -> None:
    """d/dv of (F0 - m v^2) v is zero at m v^2 = F0/3; the grid is 0.01 m/s fine."""
    speed = np.linspace(1.0, 44.0, 4301)
    power = belt.belt_power_capacity(200.0, 0.88, 2.8, speed, 0.1)
    assert speed[np.argmax(power)] == pytest.approx(np.sqrt(200.0 / 0.3), abs=0.011)
