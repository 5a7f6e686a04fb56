"""Belts against printed examples (textbooks read from volunteers' copies)."""

from __future__ import annotations

import numpy as np
import pytest

from keyturn.physics import belt

# id, diameter, other diameter, centre distance [m], length [m], tolerance [m], source
OPEN = [
    ("geometry", 0.069, 0.164, 0.36715, 1.106452, 1e-5, "computed twice apart"),
    ("hackmath-258", 0.105, 0.393, 0.697, 2.20611, 2e-4, "hackmath.net 258 prints 2.2 m"),
    ("jindal-21-3", 0.25, 0.625, 1.0, 3.410, 5e-4, "Jindal, Machine Design, ex. 21-3"),
    ("jindal-21-2", 0.30, 0.60, 0.90, 3.239, 5e-4, "Jindal, Machine Design, ex. 21-2"),
]


@pytest.mark.parametrize("row", OPEN, ids=[row[0] for row in OPEN])
def test_open_belt_length(row: tuple[str, float, float, float, float, float, str]) -> None:
    _, first, other, distance, length, tolerance, _ = row
    assert belt.open_belt_length(first, other, distance) == pytest.approx(length, abs=tolerance)


@pytest.mark.parametrize(
    ("first", "other", "distance", "degrees", "tolerance"),
    [
        (0.069, 0.164, 0.36715, 165.133, 1e-3),  # computed twice apart
        (0.25, 0.625, 1.0, 158.386, 1e-3),  # Jindal ex. 21-3
        (0.30, 0.60, 0.90, 160.81, 6e-3),  # Jindal ex. 21-2
    ],
)
def test_open_belt_wrap(
    first: float, other: float, distance: float, degrees: float, tolerance: float
) -> None:
    wrap = np.degrees(belt.open_belt_wrap(first, other, distance))
    assert wrap == pytest.approx(degrees, abs=tolerance)


def test_crossed_belt() -> None:
    """Khurmi & Gupta, Machine Design, ex. 11.6: 4.975 m (printed); wrap and power recomputed,
    for the copy takes a sine for an arc sine."""
    length, wrap = belt.belt_route(
        np.array([0.0, 1.95]),
        np.array([0.0, 0.0]),
        np.array([0.45, 0.20]),
        np.array([1.0, -1.0]),
    )
    assert length == pytest.approx(4.975, abs=5e-4)
    assert wrap[0] == pytest.approx(3.4765, abs=5e-5)
    speed = belt.belt_speed(0.45, 200.0 / 60.0)
    power = belt.power_at_tight_tension(1000.0, 0.25, wrap[0], speed)
    assert power == pytest.approx(2736.0, rel=1e-3)


def test_flat_belt_power() -> None:
    """Khurmi & Gupta ex. 11.4: 600 mm, 200 rev/min, mu 0.25, 160 deg, 2500 N: 7.89 kW."""
    speed = belt.belt_speed(0.6, 200.0 / 60.0)
    power = belt.power_at_tight_tension(2500.0, 0.25, np.radians(160.0), speed)
    assert power == pytest.approx(7890.0, abs=5.0)


def test_rope_on_a_drum() -> None:
    """Khurmi & Gupta ex. 11.5: 2.5 turns, mu 0.25, 9000 N hold 177.33 N."""
    slack = 9000.0 / belt.tension_ratio(0.25, 5.0 * np.pi)
    assert slack == pytest.approx(177.33, abs=5e-3)


def test_two_stages_with_slip() -> None:
    """Khurmi & Gupta ex. 11.1: 150 rev/min, 750/450 and 900/150 mm: 1500, with 2 % slip 1440."""
    dry = 150.0 * belt.speed_ratio(0.75, 0.45) * belt.speed_ratio(0.9, 0.15)
    slipping = 150.0 * belt.speed_ratio(0.75, 0.45, 0.02) * belt.speed_ratio(0.9, 0.15, 0.02)
    assert dry == pytest.approx(1500.0, rel=1e-12)
    assert slipping == pytest.approx(1440.6, rel=1e-9)  # the book rounds to 1440


def test_rib_wedge_and_capstan() -> None:
    """Euler-Eytelwein, computed apart: mu 0.30 in 40 deg: 0.87714; 150 deg: 9.938, flat 2.193."""
    wedged = belt.wedge_friction(0.30, np.radians(40.0))
    assert wedged == pytest.approx(0.87714, abs=5e-6)
    assert belt.tension_ratio(wedged, np.radians(150.0)) == pytest.approx(9.938, abs=5e-4)
    assert belt.tension_ratio(0.30, np.radians(150.0)) == pytest.approx(2.193, abs=5e-4)


def test_v_belt_tension_ratio() -> None:
    """Jindal ex. 21-3: mu 0.28, half angle 19 deg, wrap 158.386 deg: 10.777."""
    wedged = belt.wedge_friction(0.28, np.radians(38.0))
    ratio = belt.tension_ratio(wedged, np.radians(158.386))
    assert ratio == pytest.approx(10.777, abs=5e-3)  # 1e-3 of it: the angle is rounded


def test_blower_drive() -> None:
    """Computed apart: 20 kW, 12 000 rev/min, 69 mm, 165.13 deg, mu 0.30 in 40 deg, 0.10 kg/m."""
    speed = belt.belt_speed(0.069, 200.0)
    assert speed == pytest.approx(43.35, abs=6e-3)
    pull = belt.belt_pull(20e3, speed)
    assert pull == pytest.approx(461.3, abs=0.06)
    wedged = belt.wedge_friction(0.30)
    wrap = np.radians(165.13)
    assert belt.tension_ratio(wedged, wrap) == pytest.approx(12.53, abs=6e-3)
    tight = belt.tight_tension_needed(20e3, wedged, wrap, speed)
    assert tight == pytest.approx(501.3, abs=0.06)
    assert tight - pull == pytest.approx(40.0, abs=0.06)
    assert belt.centrifugal_tension(0.10, speed) == pytest.approx(188.0, abs=0.5)


X = np.array([0.0, 0.180, -0.200])
Y = np.array([0.0, 0.320, 0.260])
D = 2.0 * np.array([0.082, 0.0345, 0.032])


def test_three_pulleys() -> None:
    """Geometry computed twice apart (tangents; convex hull): half the last digit."""
    length, wrap = belt.belt_route(X, Y, D, np.ones(3))
    assert length == pytest.approx(1.392123, abs=6e-7)
    np.testing.assert_allclose(np.degrees(wrap), [129.275, 121.269, 109.456], atol=6e-4)


def test_three_pulleys_and_a_back_side_idler() -> None:
    """Geometry computed apart, checked by its turning number: half the last digit."""
    length, wrap = belt.belt_route(
        np.array([0.0, 0.150, 0.180, -0.200]),
        np.array([0.0, 0.130, 0.320, 0.260]),
        2.0 * np.array([0.082, 0.035, 0.0345, 0.032]),
        np.array([1.0, -1.0, 1.0, 1.0]),
    )
    assert length == pytest.approx(1.396034, abs=6e-7)
    np.testing.assert_allclose(np.degrees(wrap), [138.23, 17.18, 129.50, 109.46], atol=6e-3)


def test_equal_pulleys_on_a_triangle() -> None:
    """L = 3 s + 2 pi r with r 30, s 200 mm: 788.496 mm."""
    x = np.array([0.0, 0.2, 0.1])
    y = np.array([0.0, 0.0, 0.2 * np.sqrt(0.75)])
    length, _ = belt.belt_route(x, y, np.full(3, 0.06), np.ones(3))
    assert length == pytest.approx(0.788496, abs=5e-7)
