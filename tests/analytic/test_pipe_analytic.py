"""Shape of the drop law: odd, rising, smooth, one answer for scalars and arrays."""

from __future__ import annotations

import numpy as np
import pytest

from keyturn.physics import pipe

LINE = pipe.line_coefficients(0.008, 3.0, 1.5e-6, 745.0, 5e-4)


def test_odd_and_strictly_rising():
    flow = np.linspace(-1e-4, 1e-4, 40001)
    drop, slope = pipe.drop_and_slope(flow, *LINE)
    np.testing.assert_allclose(drop, -drop[::-1], rtol=1e-12, atol=1e-12)
    assert np.all(np.diff(drop) > 0.0)
    assert np.all(slope >= LINE[0] * (1.0 - 1e-12))


def test_slope_against_differences():
    flow = np.concatenate((-np.geomspace(1e-7, 1e-3, 300), np.geomspace(1e-7, 1e-3, 300)))
    step = np.abs(flow) * 1e-6
    up, _ = pipe.drop_and_slope(flow + step, *LINE)
    down, _ = pipe.drop_and_slope(flow - step, *LINE)
    _, slope = pipe.drop_and_slope(flow, *LINE)
    # second-order differences at 1e-6: rounding 1e-10
    np.testing.assert_allclose(slope, (up - down) / (2 * step), rtol=1e-7)


def test_slope_at_rest_is_laminar():
    drop, slope = pipe.drop_and_slope(0.0, *LINE)
    assert drop == 0.0
    assert slope == pytest.approx(128 * 5e-4 * 3.0 / (np.pi * 0.008**4), rel=1e-12)


def test_drop_is_friction_factor_times_coefficient():
    reynolds = np.array([100.0, 1500.0, 2500.0, 3900.0, 5e3, 1e5])
    flow = reynolds / LINE[2]
    expected = LINE[1] * pipe.friction_factor(reynolds, LINE[3]) * flow**2
    np.testing.assert_allclose(pipe.drop_and_slope(flow, *LINE)[0], expected, rtol=1e-12)


def test_broadcast_is_the_same_as_one_by_one():
    flow, bore = np.array([[1e-5], [5e-5], [9e-5]]), np.array([0.006, 0.008])
    whole = pipe.line_drop(flow, bore, 2.0, 1.5e-6, 745.0, 5e-4)
    for i in range(3):
        for j in range(2):
            one = pipe.line_drop(float(flow[i, 0]), float(bore[j]), 2.0, 1.5e-6, 745.0, 5e-4)
            assert whole[i, j] == pytest.approx(one, rel=1e-13)


def test_part_with_one_known_drop_gives_it_back():
    linear, quadratic = pipe.part_drop_coefficients(10e3, 5e-5, 0.3)
    assert linear * 5e-5 + quadratic * 5e-5**2 == pytest.approx(10e3, rel=1e-12)
    assert linear * 5e-5 == pytest.approx(3e3, rel=1e-12)


def test_fitting_is_odd_and_entrance_and_exit_are_limits():
    assert pipe.fitting_drop(-5e-5, 1.0, 0.008, 745.0) == pytest.approx(
        -0.5 * 745 * (5e-5 / (np.pi * 0.004**2)) ** 2, rel=1e-12
    )
    assert pipe.expansion_loss(0.0) == 1.0  # exit into a tank
    assert pipe.contraction_loss(0.0) == 0.5  # sharp entrance, Crane TP-410


def test_straight_hose_is_not_multiplied():
    reynolds = np.array([500.0, 3000.0, 2e4, 1e5])
    np.testing.assert_allclose(pipe.curved_friction_ratio(reynolds, 0.0), 1.0)
