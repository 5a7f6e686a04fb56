"""Charge cooler: effectiveness, heat and pressure drop."""

from __future__ import annotations

from keyturn.physics import Array
from keyturn.physics.blower import SPECIFIC_HEAT

REFERENCE_DENSITY = 1.2  # air on a flow bench at room conditions [kg/m3]


def effectiveness(
    inlet_temperature: Array, outlet_temperature: Array, coolant_temperature: Array
) -> Array:
    """Share of the greatest possible temperature drop that is reached.

    Parameters
    ----------
    inlet_temperature : Array
        Charge temperature into the cooler [K].
    outlet_temperature : Array
        Charge temperature out of the cooler [K].
    coolant_temperature : Array
        Coolant (water or outside air) as it enters [K].

    Returns
    -------
    Array
        Effectiveness [-]. Definition, for the charge as the smaller heat capacity flow.
    """
    return (inlet_temperature - outlet_temperature) / (inlet_temperature - coolant_temperature)


def outlet_temperature(
    inlet_temperature: Array, effectiveness: Array, coolant_temperature: Array
) -> Array:
    """Charge temperature behind the cooler.

    Parameters
    ----------
    inlet_temperature : Array
        Charge temperature into the cooler [K].
    effectiveness : Array
        Share of the greatest possible temperature drop [-].
    coolant_temperature : Array
        Coolant as it enters [K].

    Returns
    -------
    Array
        Charge temperature [K]. Definition of effectiveness; a coolant warmer than the charge heats.
    """
    return inlet_temperature - effectiveness * (inlet_temperature - coolant_temperature)


def heat_flow(mass_flow: Array, inlet_temperature: Array, outlet_temperature: Array) -> Array:
    """Heat that the charge gives to the coolant.

    Parameters
    ----------
    mass_flow : Array
        Mass flow of air [kg/s].
    inlet_temperature : Array
        Charge temperature into the cooler [K].
    outlet_temperature : Array
        Charge temperature out of the cooler [K].

    Returns
    -------
    Array
        Heat flow [W]. Energy balance, constant specific heat; no water condenses.
    """
    return mass_flow * SPECIFIC_HEAT * (inlet_temperature - outlet_temperature)


def pressure_drop(
    reference_drop: Array,
    reference_mass_flow: Array,
    mass_flow: Array,
    density: Array,
    reference_density: Array = REFERENCE_DENSITY,
) -> Array:
    """Pressure drop scaled from one known point.

    Parameters
    ----------
    reference_drop : Array
        Known pressure drop [Pa].
    reference_mass_flow : Array
        Mass flow of air at which it was read [kg/s].
    mass_flow : Array
        Mass flow of air at work [kg/s].
    density : Array
        Air density into the cooler at work [kg/m3].
    reference_density : Array
        Air density at which the drop was read [kg/m3].

    Returns
    -------
    Array
        Pressure drop [Pa], square of mass flow over density: turbulent passages with a constant
        loss coefficient, drop below about a tenth of the absolute pressure.
    """
    share = mass_flow / reference_mass_flow
    return reference_drop * share * share * reference_density / density
