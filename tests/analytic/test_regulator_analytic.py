"""Regulator: controlling, overrun, and the way below zero bypass."""

from __future__ import annotations

import numpy as np
import pytest

from keyturn.physics import pipe, regulator

LINE = pipe.line_coefficients(0.008, 3.0, 1.5e-6, 745.0, 5e-4)


def relief(bypass, cracking=3e5, seat=0.2, opened=2e13):
    drop, slope = pipe.drop_and_slope(np.maximum(bypass, 0.0), *LINE)
    return regulator.relief_and_slope(bypass, cracking, 1e8, opened, seat, drop, slope)


def test_one_to_one_reference_rises_with_boost():
    base = regulator.controlled_pressure(3e5, 1.0, 0.0, 1e8, 2e-5)
    assert regulator.controlled_pressure(3e5, 1.0, 1e5, 1e8, 2e-5) - base == pytest.approx(1e5)
    assert regulator.controlled_pressure(3e5, 0.0, 1e5, 1e8, 2e-5) == base  # not referenced
    assert base == pytest.approx(3.02e5)


def test_controls_at_low_flow_overruns_at_high_flow():
    low, _ = relief(np.array([2e-5]))
    drop, _ = pipe.drop_and_slope(np.array([2e-5]), *LINE)
    assert low[0] == pytest.approx(3e5 + 1e8 * 2e-5 + 0.2 * drop[0], rel=1e-12)
    high, _ = relief(np.array([2e-4]))
    drop, _ = pipe.drop_and_slope(np.array([2e-4]), *LINE)
    assert high[0] == pytest.approx(2e13 * 4e-8 + drop[0], rel=1e-12)
    assert high[0] > 3e5 + 1e8 * 2e-4 + 0.2 * drop[0]


def test_never_falls_and_slope_matches_differences():
    bypass = np.linspace(-1e-4, 2e-4, 3001)
    pressure, slope = relief(bypass)
    assert np.all(np.diff(pressure) > 0.0) and np.all(slope > 0.0)
    at = np.array([-5e-5, -1e-7, 1e-6, 3e-5, 9e-5, 1.8e-4])
    up, down, here = relief(at + 1e-10), relief(at - 1e-10), relief(at)
    np.testing.assert_allclose(here[1], (up[0] - down[0]) / 2e-10, rtol=1e-4)


def test_straight_line_below_zero():
    # A level line there makes Newton jump to and fro between two points.
    at_zero, slope = relief(np.array([0.0]))
    below, below_slope = relief(np.array([-1e-5]))
    assert below_slope[0] == slope[0] > 0.0
    assert below[0] == pytest.approx(at_zero[0] - 1e-5 * slope[0], rel=1e-12)


def test_wide_open_coefficient_gives_its_point_back():
    assert regulator.wide_open_coefficient(50e3, 8e-5) * 8e-5**2 == pytest.approx(50e3)
