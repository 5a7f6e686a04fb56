"""Four-stroke engine: air, burnt fuel, friction, power and fuel demand."""

from __future__ import annotations

import numpy as np

from keyturn.physics import Array
from keyturn.physics.blower import GAS_CONSTANT


def charge_density(
    manifold_pressure: Array, inlet_temperature: Array, gas_constant: Array = GAS_CONSTANT
) -> Array:
    """Air density in the manifold.

    Parameters
    ----------
    manifold_pressure : Array
        Absolute pressure in the manifold [Pa].
    inlet_temperature : Array
        Air temperature in the manifold [K].
    gas_constant : Array
        Specific gas constant of the air [J/(kg K)].

    Returns
    -------
    Array
        Density [kg/m3]. Perfect gas, within 0.1 % below 300 kPa; fuel vapour left out.
    """
    return manifold_pressure / (gas_constant * inlet_temperature)


def swallowed_flow(filling: Array, displacement_engine: Array, engine_speed: Array) -> Array:
    """Air volume drawn per second, at manifold density.

    Parameters
    ----------
    filling : Array
        Volumetric efficiency referred to manifold density [-].
    displacement_engine : Array
        Swept volume of all cylinders [m3].
    engine_speed : Array
        Crankshaft speed [1/s].

    Returns
    -------
    Array
        Volume flow [m3/s]. Definition; one intake stroke in two turns.
    """
    return filling * displacement_engine * engine_speed / 2.0


def air_mass_flow(
    filling: Array, displacement_engine: Array, engine_speed: Array, density: Array
) -> Array:
    """Air mass drawn per second.

    Parameters
    ----------
    filling : Array
        Volumetric efficiency referred to ``density`` [-].
    displacement_engine : Array
        Swept volume of all cylinders [m3].
    engine_speed : Array
        Crankshaft speed [1/s].
    density : Array
        Air density that the filling refers to, here the manifold [kg/m3].

    Returns
    -------
    Array
        Mass flow [kg/s]. Definition; what a large valve overlap blows through counts as drawn.
    """
    return swallowed_flow(filling, displacement_engine, engine_speed) * density


def friction_pressure(engine_speed: Array) -> Array:
    """Total friction mean effective pressure at full load, pumping included.

    Parameters
    ----------
    engine_speed : Array
        Crankshaft speed [1/s].

    Returns
    -------
    Array
        Mean effective pressure [Pa]. Barnes-Moss 1975, quoted by Heywood 1988 ch. 13 (from
        memory); four-stroke spark ignition to about 100 1/s (6000 rev/min). Engines of that age:
        newer ones rub less, boost rubs somewhat more.
    """
    thousands = engine_speed * 60.0 / 1000.0
    return 1.0e5 * (0.97 + 0.15 * thousands + 0.05 * thousands * thousands)


def power_of_mean_pressure(
    mean_effective_pressure: Array, displacement_engine: Array, engine_speed: Array
) -> Array:
    """Power that belongs to a mean effective pressure.

    Parameters
    ----------
    mean_effective_pressure : Array
        Work per cycle over swept volume [Pa].
    displacement_engine : Array
        Swept volume of all cylinders [m3].
    engine_speed : Array
        Crankshaft speed [1/s].

    Returns
    -------
    Array
        Power [W]. Definition for four strokes.
    """
    return mean_effective_pressure * displacement_engine * engine_speed / 2.0


def mean_pressure_of_power(power: Array, displacement_engine: Array, engine_speed: Array) -> Array:
    """Mean effective pressure that belongs to a power.

    Parameters
    ----------
    power : Array
        Power [W].
    displacement_engine : Array
        Swept volume of all cylinders [m3].
    engine_speed : Array
        Crankshaft speed [1/s].

    Returns
    -------
    Array
        Mean effective pressure [Pa]. Definition for four strokes.
    """
    return 2.0 * power / (displacement_engine * engine_speed)


def mean_pressure_of_torque(torque: Array, displacement_engine: Array) -> Array:
    """Mean effective pressure that belongs to a torque.

    Parameters
    ----------
    torque : Array
        Crankshaft torque [N m].
    displacement_engine : Array
        Swept volume of all cylinders [m3].

    Returns
    -------
    Array
        Mean effective pressure [Pa]. Definition for four strokes.
    """
    return 4.0 * np.pi * torque / displacement_engine


def power_of_torque(torque: Array, engine_speed: Array) -> Array:
    """Power that belongs to a torque.

    Parameters
    ----------
    torque : Array
        Crankshaft torque [N m].
    engine_speed : Array
        Crankshaft speed [1/s].

    Returns
    -------
    Array
        Power [W]. Definition.
    """
    return 2.0 * np.pi * engine_speed * torque


def burnt_fuel(fuel_mass_flow: Array, air_flow: Array, stoichiometric_ratio: Array) -> Array:
    """Fuel that finds air to burn; what is richer only cools.

    Parameters
    ----------
    fuel_mass_flow : Array
        Fuel supplied [kg/s].
    air_flow : Array
        Air drawn by the engine [kg/s].
    stoichiometric_ratio : Array
        Air to fuel by mass for complete burning [-].

    Returns
    -------
    Array
        Burnt fuel [kg/s]. The lesser of supply and air over stoichiometric ratio; real engines
        make a few per cent more power slightly rich of that, left out.
    """
    return np.minimum(fuel_mass_flow, air_flow / stoichiometric_ratio)


def indicated_power(fuel_burnt: Array, heating_value: Array, indicated_efficiency: Array) -> Array:
    """Work of the gas on the pistons per second.

    Parameters
    ----------
    fuel_burnt : Array
        Fuel that burns [kg/s].
    heating_value : Array
        Lower heating value [J/kg].
    indicated_efficiency : Array
        Indicated work over heat of the burnt fuel [-].

    Returns
    -------
    Array
        Power [W]. Definition.
    """
    return fuel_burnt * heating_value * indicated_efficiency


def brake_power(indicated_power: Array, friction_power: Array, blower_power: Array = 0.0) -> Array:
    """Power left at the flywheel.

    Parameters
    ----------
    indicated_power : Array
        Work of the gas on the pistons [W].
    friction_power : Array
        Friction and pumping [W].
    blower_power : Array
        What a crank-driven blower takes; zero for a turbocharger [W].

    Returns
    -------
    Array
        Power [W]. Balance. The work of boost on the intake stroke is left out, as the extra
        exhaust back pressure is.
    """
    return indicated_power - friction_power - blower_power


def specific_consumption(fuel_mass_flow: Array, power: Array) -> Array:
    """Fuel mass per brake work.

    Parameters
    ----------
    fuel_mass_flow : Array
        Fuel supplied [kg/s].
    power : Array
        Brake power [W].

    Returns
    -------
    Array
        Specific consumption [kg/J]; 1 kg/kWh is 1/3.6e6. Definition.
    """
    return fuel_mass_flow / power


def fuel_mass_demand(
    air_flow: Array, stoichiometric_ratio: Array, air_fuel_equivalence: Array
) -> Array:
    """Fuel mass flow for a wanted mixture.

    Parameters
    ----------
    air_flow : Array
        Air drawn by the engine [kg/s].
    stoichiometric_ratio : Array
        Air to fuel by mass for complete burning [-].
    air_fuel_equivalence : Array
        Lambda: air present over air needed [-].

    Returns
    -------
    Array
        Fuel mass flow [kg/s]. Definition.
    """
    return air_flow / (stoichiometric_ratio * air_fuel_equivalence)


def fuel_demand(
    air_flow: Array,
    stoichiometric_ratio: Array,
    air_fuel_equivalence: Array,
    fuel_density: Array,
) -> Array:
    """Fuel volume flow for a wanted mixture.

    Parameters
    ----------
    air_flow : Array
        Air drawn by the engine [kg/s].
    stoichiometric_ratio : Array
        Air to fuel by mass for complete burning [-].
    air_fuel_equivalence : Array
        Lambda: air present over air needed [-].
    fuel_density : Array
        Fuel density as it is metered [kg/m3].

    Returns
    -------
    Array
        Volume flow [m3/s]. Definition.
    """
    return fuel_mass_demand(air_flow, stoichiometric_ratio, air_fuel_equivalence) / fuel_density
