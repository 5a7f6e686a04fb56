"""Limits and closed forms of the blower cycle."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from keyturn.physics import blower

RATIO = st.floats(1.0, 3.0)
BUILT_IN = st.floats(1.0, 2.0)


@given(BUILT_IN)
def test_matched_screw_is_isentropic(built_in: float) -> None:
    """Outlet at exactly the built-in pressure: reversible. 1e-9: float noise."""
    ratio = built_in**1.4
    ours = blower.outlet_temperature(300.0, ratio, built_in, 1.0)
    assert ours == pytest.approx(300.0 * ratio ** (0.4 / 1.4), rel=1e-9)


@given(RATIO, BUILT_IN)
def test_no_machine_beats_the_isentropic(ratio: float, built_in: float) -> None:
    """Second law, under- and over-compression alike. 1e-12: float noise."""
    isentropic = 3.5 * (ratio ** (0.4 / 1.4) - 1.0)
    assert blower.cycle_work(ratio, built_in) >= isentropic - 1e-12


@given(RATIO)
def test_roots_work_is_volume_times_rise(ratio: float) -> None:
    assert blower.cycle_work(ratio, 1.0) == pytest.approx(ratio - 1.0, abs=1e-14)


@given(RATIO, BUILT_IN, st.floats(0.4, 1.0))
def test_power_leaves_with_the_delivered_air(
    ratio: float, built_in: float, volumetric: float
) -> None:
    """Energy balance: power = mass flow x c_p x rise, leakage included. 1e-9: float noise."""
    flow = blower.delivered_mass_flow(1.5e-3, 150.0, volumetric, 1e5, 300.0)
    outlet = blower.outlet_temperature(300.0, ratio, built_in, volumetric)
    power = blower.compression_power(1.5e-3, 150.0, 1e5, ratio, built_in)
    heat = blower.heating_power(flow, outlet - 300.0)
    assert heat == pytest.approx(power, rel=1e-9, abs=1e-7)


def test_leakage_falls_with_speed_and_rises_with_ratio() -> None:
    """A slip speed that does not depend on speed is a smaller share at high speed."""
    speed = np.array([[50.0], [100.0], [200.0]])
    ratio = np.array([1.1, 1.5, 2.0])
    share = np.asarray(blower.volumetric_efficiency(ratio, speed, 8.0, 1e5, 298.0))
    assert share.shape == (3, 3)
    assert np.all(np.diff(share, axis=0) > 0.0)
    assert np.all(np.diff(share, axis=1) < 0.0)


def test_no_rise_no_slip_and_all_leaks_when_slow() -> None:
    assert blower.volumetric_efficiency(1.0, 100.0, 8.0, 1e5, 298.0) == 1.0
    assert blower.volumetric_efficiency(2.0, 8.0, 8.0, 1e5, 298.0) < 0.0


def test_throttled_compressor_does_not_cool() -> None:
    assert blower.compressor_outlet_temperature(300.0, 0.8, 0.7) == 300.0
