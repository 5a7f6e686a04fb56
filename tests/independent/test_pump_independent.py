"""Monotone curve against SciPy's."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import PchipInterpolator

from keyturn.physics import pump

TABLES = [
    ([0.0, 1e5, 2e5, 3e5, 5e5, 6.5e5], [110e-6, 105e-6, 100e-6, 90e-6, 40e-6, 0.0]),
    ([0.0, 4.5e5, 8e5], [110e-6, 83e-6, 0.0]),
    ([0.0, 3e5, 3.1e5, 7e5], [100e-6, 100e-6, 60e-6, 0.0]),  # level, then a step
    ([1e5, 7e5], [100e-6, 10e-6]),
]


@pytest.mark.parametrize(("knots", "values"), TABLES)
def test_same_as_scipy(knots, values):
    knots, values = np.array(knots), np.array(values)
    theirs = PchipInterpolator(knots, values)
    ours = pump.monotone_curve(knots, values)
    # same formulas: rounding only, measured against the largest coefficient of its power
    assert np.all(np.abs(ours - theirs.c.T) <= 1e-12 * np.abs(ours).max(axis=0) + 1e-40)
    rise = np.linspace(knots[0], knots[-1], 400)[:-1]
    flow, slope = pump.curve_value_and_slope(rise, knots, ours)
    np.testing.assert_allclose(flow, theirs(rise), rtol=1e-12, atol=1e-18)
    np.testing.assert_allclose(slope, theirs.derivative()(rise), rtol=1e-9, atol=1e-22)
