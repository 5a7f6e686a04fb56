"""Common practice, no source: planning ranges of fuel per power, from memory."""

from __future__ import annotations

from keyturn.physics import engine


def _consumption(density: float, richness: float, blower_power: float) -> float:
    """Grams per kilowatt hour of an invented 2.5 L at 5500 rev/min, petrol."""
    speed, swept = 5500.0 / 60.0, 2.5e-3
    air = engine.air_mass_flow(0.88, swept, speed, density)
    fuel = engine.fuel_mass_demand(air, 14.6, richness)
    gas = engine.indicated_power(engine.burnt_fuel(fuel, air, 14.6), 43.4e6, 0.38)
    friction = engine.power_of_mean_pressure(engine.friction_pressure(speed), swept, speed)
    power = engine.brake_power(gas, friction, blower_power)
    return float(engine.specific_consumption(fuel, power) * 3.6e9)


def test_boosted_petrol_needs_300_to_400_grams() -> None:
    """Rich for cooling, blower drive included."""
    assert 300.0 <= _consumption(1.75, 0.80, 25e3) <= 400.0


def test_boost_costs_fuel_per_power() -> None:
    """Rich mixture and blower drive outweigh the smaller share of friction."""
    assert _consumption(1.75, 0.80, 25e3) > _consumption(1.16, 0.90, 0.0)
