"""Limits of the pump laws."""

from __future__ import annotations

import numpy as np
import pytest

from keyturn.errors import DomainError
from keyturn.physics import pump

KNOTS = np.array([0.0, 2e5, 4e5, 6e5])
VALUES = np.array([110e-6, 100e-6, 80e-6, 30e-6])
CURVE = pump.monotone_curve(KNOTS, VALUES)


def test_goes_through_its_points():
    np.testing.assert_allclose(
        pump.curve_value_and_slope(KNOTS, KNOTS, CURVE)[0], VALUES, rtol=1e-12
    )


def test_straight_outside_and_comes_to_zero():
    _, left = pump.curve_value_and_slope(0.0, KNOTS, CURVE)
    flow, slope = pump.curve_value_and_slope(-1e5, KNOTS, CURVE)
    assert slope == left
    assert flow == pytest.approx(VALUES[0] - 1e5 * left, rel=1e-12)
    beyond, steep = pump.curve_value_and_slope(np.array([7e5, 8e5]), KNOTS, CURVE)
    assert np.all(steep <= (VALUES[3] - VALUES[2]) / 2e5)
    assert beyond[1] < 0.0 < VALUES[3]


def test_level_curve_still_comes_to_zero():
    curve = pump.monotone_curve(np.array([0.0, 5e5]), np.array([1e-4, 1e-4]))
    flow, slope = pump.curve_value_and_slope(6e6, np.array([0.0, 5e5]), curve)
    assert flow < 0.0 and slope < 0.0


@pytest.mark.parametrize(
    ("knots", "values"),
    [
        ([0.0, 1e5, 2e5], [1e-4, 1.1e-4, 0.0]),  # rises
        ([0.0, 0.0, 2e5], [1e-4, 1e-4, 0.0]),  # two flows at one pressure
        ([0.0], [1e-4]),
        ([0.0, np.nan], [1e-4, 0.0]),
    ],
)
def test_refuses_what_is_no_pump(knots, values):
    with pytest.raises(DomainError):
        pump.monotone_curve(np.array(knots), np.array(values))


def test_voltage_law():
    at = pump.pump_flow(3e5, 13.5, KNOTS, CURVE, 13.5)
    assert at == pytest.approx(pump.curve_value_and_slope(3e5, KNOTS, CURVE)[0], rel=1e-12)
    # free flow goes with voltage; at pressure the same loss of flow weighs more
    assert pump.pump_flow(0.0, 12.0, KNOTS, CURVE, 13.5) == pytest.approx(110e-6 * 12 / 13.5)
    assert pump.pump_flow(3e5, 12.0, KNOTS, CURVE, 13.5) < at * 12 / 13.5


def test_voltage_slopes_against_differences():
    rise = np.array([1e5, 3e5, 5.5e5])
    _, by_rise, by_volt = pump.pump_flow_and_slope(rise, 12.5, KNOTS, CURVE, 13.5)
    up, down = (pump.pump_flow(rise + d, 12.5, KNOTS, CURVE, 13.5) for d in (10.0, -10.0))
    np.testing.assert_allclose(by_rise, (up - down) / 20.0, rtol=1e-6)
    up, down = (pump.pump_flow(rise, 12.5 + d, KNOTS, CURVE, 13.5) for d in (0.1, -0.1))
    np.testing.assert_allclose(np.broadcast_to(by_volt, 3), (up - down) / 0.2, rtol=1e-9)


def test_generic_shape_passes_its_point():
    knots, values = pump.curve_from_point(60e-6, 3e5)
    flow, _ = pump.curve_value_and_slope(3e5, knots, pump.monotone_curve(knots, values))
    assert flow == pytest.approx(60e-6, rel=1e-12)
    with pytest.raises(DomainError):
        pump.curve_from_point(60e-6, 0.0)


def test_two_pumps():
    knots, values = pump.parallel_curve(KNOTS, VALUES, 2)
    assert pump.curve_value_and_slope(3e5, knots, pump.monotone_curve(knots, values))[
        0
    ] == pytest.approx(2 * pump.curve_value_and_slope(3e5, KNOTS, CURVE)[0], rel=1e-12)
    knots, values = pump.series_curve(KNOTS, VALUES, 2)
    assert pump.curve_value_and_slope(6e5, knots, pump.monotone_curve(knots, values))[
        0
    ] == pytest.approx(pump.curve_value_and_slope(3e5, KNOTS, CURVE)[0], rel=1e-12)
    assert pump.aged_flow(60e-6, 0.8) == pytest.approx(48e-6)


def test_check_valve_is_odd_rising_and_opens():
    flow = np.linspace(-1e-4, 1e-4, 2001)
    drop, slope = pump.check_valve_drop_and_slope(flow, 5e3, 1e-6)
    np.testing.assert_allclose(drop, -drop[::-1], atol=1e-9)
    assert np.all(np.diff(drop) > 0.0) and np.all(slope > 0.0)
    assert drop[-1] == pytest.approx(5e3, rel=1e-3)
    fine = np.array([1e-7, 1e-6, 3e-6])
    up, down = (pump.check_valve_drop_and_slope(fine * k, 5e3, 1e-6)[0] for k in (1.0001, 0.9999))
    np.testing.assert_allclose(
        pump.check_valve_drop_and_slope(fine, 5e3, 1e-6)[1], (up - down) / (2e-4 * fine), rtol=1e-6
    )


def test_current_of_a_straight_table_is_exact():
    rise = np.array([0.0, 2e5, 5e5])
    at_zero, per_pressure, per_volt = pump.current_coefficients(rise, 4.0 + 2e-5 * rise, 13.5)
    assert (at_zero, per_pressure) == pytest.approx((4.0, 2e-5), rel=1e-12)
    assert 0.0 < per_volt < 4.0 / 13.5  # less than a plain resistor, more than nothing


def test_current_needs_a_table():
    with pytest.raises(DomainError):
        pump.current_coefficients(np.array([3e5, 3e5]), np.array([5.0, 6.0]), 13.5)
