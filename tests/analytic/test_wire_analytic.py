"""Voltage and current solved together."""

from __future__ import annotations

import numpy as np
import pytest

from keyturn.physics import wire


def test_voltage_closes_with_its_current():
    rise = np.linspace(0.0, 7e5, 50)
    volts = wire.voltage_at_pump(13.8, 0.08, 5.0, 2e-5, 0.2, 13.5, rise)
    current = 5.0 + 2e-5 * rise + 0.2 * (volts - 13.5)
    np.testing.assert_allclose(volts + 0.08 * current, 13.8, rtol=1e-13)
    slope = wire.voltage_slope(0.08, 2e-5, 0.2)
    np.testing.assert_allclose(np.diff(volts) / np.diff(rise), slope, rtol=1e-9)


def test_no_resistance_no_drop():
    assert wire.voltage_at_pump(13.8, 0.0, 5.0, 2e-5, 0.2, 13.5, 4e5) == 13.8


def test_half_the_area_twice_the_resistance():
    assert wire.resistance(4.0, 1e-6, 333.15) == pytest.approx(
        2 * wire.resistance(4.0, 2e-6, 333.15)
    )
