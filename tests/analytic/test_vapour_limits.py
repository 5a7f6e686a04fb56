"""Vapour margin: hydrostatics, inverse, monotone in what makes it worse."""

import numpy as np
import pytest

from keyturn.physics import vapour


def test_at_rest_and_level_it_is_the_tank_pressure():
    assert vapour.inlet_pressure(101325.0, 745.0, 0.0, 0.0) == 101325.0


def test_flooded_inlet_gains_the_column():
    # Hydrostatics: one metre of 1000 kg/m3 is 9.80665 kPa.
    assert vapour.inlet_pressure(1e5, 1000.0, -1.0, 0.0) - 1e5 == pytest.approx(9806.65)


def test_allowed_lift_leaves_exactly_the_head_required():
    density, losses, required = 730.0, 4.0e3, np.array([0.5, 1.0, 2.0])
    lift = vapour.lift_allowed(95e3, 60e3, density, losses, required)
    margin = vapour.suction_margin(vapour.inlet_pressure(95e3, density, lift, losses), 60e3)
    np.testing.assert_allclose(vapour.suction_head(margin, density), required, rtol=1e-12)
    np.testing.assert_allclose(
        vapour.head_ratio(vapour.suction_head(margin, density), required), 1.0, rtol=1e-12
    )


def test_margin_falls_with_all_that_makes_it_worse():
    worse = np.linspace(0.0, 1.0, 5)
    for inlet in (
        vapour.inlet_pressure(95e3, 745.0, worse, 5e3),
        vapour.inlet_pressure(95e3, 745.0, 0.3, worse * 20e3),
        vapour.inlet_pressure(95e3 - 10e3 * worse, 745.0, 0.3, 5e3),
    ):
        assert np.all(np.diff(vapour.suction_margin(inlet, 60e3)) < 0.0)
    assert np.all(np.diff(vapour.rail_margin(4e5, worse * 2e5)) < 0.0)


def test_broken_column_is_not_hidden():
    # A loss larger than the atmosphere must show as a negative margin, not be clipped to zero.
    assert vapour.suction_margin(vapour.inlet_pressure(95e3, 745.0, 0.0, 120e3), 60e3) == -85e3
