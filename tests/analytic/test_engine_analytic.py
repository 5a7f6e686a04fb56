"""Limits and round trips of the engine."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from keyturn.physics import engine


def test_rich_mixture_gives_no_more_power() -> None:
    """Fuel beyond what finds air does not burn: the gas work stays, the consumption climbs."""
    air = 0.2
    richness = np.array([1.2, 1.0, 0.9, 0.8])
    fuel = engine.fuel_mass_demand(air, 14.7, richness)
    burnt = engine.burnt_fuel(fuel, air, 14.7)
    gas = np.asarray(engine.indicated_power(burnt, 43e6, 0.38))
    assert gas[0] < gas[1]
    np.testing.assert_allclose(gas[1:], gas[1], rtol=1e-12)
    assert np.all(np.diff(engine.specific_consumption(fuel, gas))[1:] > 0.0)


@given(st.floats(1e3, 5e5), st.floats(1e-3, 8e-3), st.floats(10.0, 150.0))
def test_mean_pressure_there_and_back(power: float, swept: float, speed: float) -> None:
    """1e-12: float noise."""
    pressure = engine.mean_pressure_of_power(power, swept, speed)
    assert engine.power_of_mean_pressure(pressure, swept, speed) == pytest.approx(power, rel=1e-12)
    torque = power / (2.0 * np.pi * speed)
    assert engine.mean_pressure_of_torque(torque, swept) == pytest.approx(pressure, rel=1e-12)


def test_fuel_demand_broadcasts() -> None:
    air = np.linspace(0.05, 0.3, 5)[:, None]
    demand = np.asarray(engine.fuel_demand(air, 14.1, np.array([1.0, 0.8]), 745.0))
    assert demand.shape == (5, 2)
    np.testing.assert_allclose(demand[:, 1] / demand[:, 0], 1.25, rtol=1e-12)
