"""Positive-displacement blowers (roots and screw by one cycle) and dynamic compressors.

Air is a perfect gas with constant heat ratio. The specific heat is the one that belongs to the
gas constant, so that the energy balance and the reversible cycle agree exactly.
"""

from __future__ import annotations

import numpy as np

from keyturn.physics import Array, air

HEAT_RATIO = air.GAMMA
GAS_CONSTANT = air.R  # dry air [J/(kg K)]
SPECIFIC_HEAT = GAS_CONSTANT * HEAT_RATIO / (HEAT_RATIO - 1.0)  # constant pressure [J/(kg K)]

SLIP_REFERENCE_RISE = 6894.757  # 1 psi [Pa]
SLIP_REFERENCE_PRESSURE = 14.7 * SLIP_REFERENCE_RISE  # [Pa]
SLIP_REFERENCE_TEMPERATURE = 528.0 / 1.8  # 528 degrees Rankine [K]


def blower_speed(engine_speed: Array, drive_ratio: Array) -> Array:
    """Speed of the blower input shaft that its displacement refers to.

    Parameters
    ----------
    engine_speed : Array
        Crankshaft speed [1/s].
    drive_ratio : Array
        Blower speed over crankshaft speed, pulleys times internal step, less belt slip [-].

    Returns
    -------
    Array
        Blower speed [1/s]. Definition; any range.
    """
    return engine_speed * drive_ratio


def slip_at_duty(
    slip_speed: Array, pressure_rise: Array, inlet_pressure: Array, inlet_temperature: Array
) -> Array:
    """Speed that only makes up for the leakage at the pressure rise at work.

    Parameters
    ----------
    slip_speed : Array
        Slip speed at 1 psi rise, 14.7 psi and 528 R inlet, air [1/s].
    pressure_rise : Array
        Outlet less inlet pressure; negative when the engine sucks through the blower [Pa].
    inlet_pressure : Array
        Absolute pressure at the blower inlet [Pa].
    inlet_temperature : Array
        Air temperature at the blower inlet [K].

    Returns
    -------
    Array
        Slip speed at duty [1/s], with the sign of the rise. Industrial roots slip law (form from
        memory): orifice flow through the clearances, square root of rise over inlet density.
        Holds while leakage does not choke, pressure ratio below about 2.
    """
    drive = (
        np.abs(pressure_rise)
        / SLIP_REFERENCE_RISE
        * SLIP_REFERENCE_PRESSURE
        / inlet_pressure
        * inlet_temperature
        / SLIP_REFERENCE_TEMPERATURE
    )
    return np.copysign(slip_speed * np.sqrt(drive), pressure_rise)


def volumetric_efficiency(
    pressure_ratio: Array,
    blower_speed: Array,
    slip_speed: Array,
    inlet_pressure: Array,
    inlet_temperature: Array,
) -> Array:
    """Delivered inlet volume over displaced volume.

    Parameters
    ----------
    pressure_ratio : Array
        Outlet over inlet pressure, absolute [-].
    blower_speed : Array
        Speed of the blower shaft [1/s].
    slip_speed : Array
        Slip speed at 1 psi rise and reference inlet, see ``slip_at_duty`` [1/s].
    inlet_pressure : Array
        Absolute pressure at the blower inlet [Pa].
    inlet_temperature : Array
        Air temperature at the blower inlet [K].

    Returns
    -------
    Array
        1 less slip over speed [-]; not clipped: zero or less means that everything leaks back.
        Source and range as ``slip_at_duty``.
    """
    rise = (pressure_ratio - 1.0) * inlet_pressure
    return 1.0 - slip_at_duty(slip_speed, rise, inlet_pressure, inlet_temperature) / blower_speed


def delivered_mass_flow(
    displacement_blower: Array,
    blower_speed: Array,
    volumetric_efficiency: Array,
    inlet_pressure: Array,
    inlet_temperature: Array,
    gas_constant: Array = GAS_CONSTANT,
) -> Array:
    """Mass flow that leaves a positive-displacement blower.

    Parameters
    ----------
    displacement_blower : Array
        Displaced volume per revolution of the blower shaft [m3].
    blower_speed : Array
        Speed of the blower shaft [1/s].
    volumetric_efficiency : Array
        Delivered over displaced inlet volume [-].
    inlet_pressure : Array
        Absolute pressure at the blower inlet [Pa].
    inlet_temperature : Array
        Air temperature at the blower inlet [K].
    gas_constant : Array
        Specific gas constant of the air [J/(kg K)].

    Returns
    -------
    Array
        Mass flow [kg/s]. Definition.
    """
    density = inlet_pressure / (gas_constant * inlet_temperature)
    return displacement_blower * blower_speed * volumetric_efficiency * density


def cycle_work(pressure_ratio: Array, built_in_ratio: Array) -> Array:
    """Shaft work of the ideal cycle per displaced inlet volume, over the inlet pressure.

    Isentropic compression to the built-in volume ratio, then back-flow from the outlet at
    constant volume, then discharge: the same cycle for roots (ratio 1) and screw. Built for more
    than the outlet asks, the air expands out of the port and the excess is lost.

    Parameters
    ----------
    pressure_ratio : Array
        Outlet over inlet pressure, absolute [-].
    built_in_ratio : Array
        Trapped volume at intake over volume when the outlet port opens; 1 for roots [-].

    Returns
    -------
    Array
        Work over inlet pressure times displaced volume [-]. P. K. Nag, Basic and Applied
        Thermodynamics, ex. 19.14 and 19.15. No port losses: optimistic at very high speed.
    """
    internal = built_in_ratio ** (HEAT_RATIO - 1.0)
    squeeze = HEAT_RATIO / (HEAT_RATIO - 1.0) * (internal - 1.0)
    return squeeze + pressure_ratio / built_in_ratio - internal


def compression_power(
    displacement_blower: Array,
    blower_speed: Array,
    inlet_pressure: Array,
    pressure_ratio: Array,
    built_in_ratio: Array,
) -> Array:
    """Power the rotors put into the air; the whole displacement is worked on, leaked or not.

    Parameters
    ----------
    displacement_blower : Array
        Displaced volume per revolution of the blower shaft [m3].
    blower_speed : Array
        Speed of the blower shaft [1/s].
    inlet_pressure : Array
        Absolute pressure at the blower inlet [Pa].
    pressure_ratio : Array
        Outlet over inlet pressure, absolute [-].
    built_in_ratio : Array
        Internal volume ratio; 1 for roots [-].

    Returns
    -------
    Array
        Power [W]. ``cycle_work`` times inlet pressure and displaced flow.
    """
    displaced = displacement_blower * blower_speed
    return inlet_pressure * displaced * cycle_work(pressure_ratio, built_in_ratio)


def outlet_temperature(
    inlet_temperature: Array,
    pressure_ratio: Array,
    built_in_ratio: Array,
    volumetric_efficiency: Array,
) -> Array:
    """Air temperature behind an adiabatic positive-displacement blower.

    What leaks back is worked on again, so the work falls on the delivered mass only.

    Parameters
    ----------
    inlet_temperature : Array
        Air temperature at the blower inlet [K].
    pressure_ratio : Array
        Outlet over inlet pressure, absolute [-].
    built_in_ratio : Array
        Internal volume ratio; 1 for roots [-].
    volumetric_efficiency : Array
        Delivered over displaced inlet volume, above zero [-].

    Returns
    -------
    Array
        Outlet temperature [K]. Steady energy balance, no heat lost through the case.
    """
    share = (HEAT_RATIO - 1.0) / HEAT_RATIO
    work = cycle_work(pressure_ratio, built_in_ratio)
    return inlet_temperature * (1.0 + share * work / volumetric_efficiency)


def drive_power(compression_power: Array, mechanical_efficiency: Array) -> Array:
    """Power taken at the blower pulley.

    Parameters
    ----------
    compression_power : Array
        Power put into the air [W].
    mechanical_efficiency : Array
        Share of the shaft power that reaches the air: bearings, gears, seals [-].

    Returns
    -------
    Array
        Drive power [W]. Definition.
    """
    return compression_power / mechanical_efficiency


def compressor_outlet_temperature(
    inlet_temperature: Array, pressure_ratio: Array, isentropic_efficiency: Array
) -> Array:
    """Air temperature behind a compressor of known isentropic efficiency.

    Parameters
    ----------
    inlet_temperature : Array
        Air temperature at the inlet [K].
    pressure_ratio : Array
        Outlet over inlet pressure, absolute [-].
    isentropic_efficiency : Array
        Isentropic over actual temperature rise [-].

    Returns
    -------
    Array
        Outlet temperature [K]. H. N. Gupta, Fundamentals of IC Engines, ex. 15.1. Below a ratio
        of 1 the inlet temperature is returned: a throttle neither heats nor cools a perfect gas.
    """
    exponent = (HEAT_RATIO - 1.0) / HEAT_RATIO
    rise = np.maximum(pressure_ratio, 1.0) ** exponent - 1.0
    return inlet_temperature * (1.0 + rise / isentropic_efficiency)


def heating_power(mass_flow: Array, temperature_rise: Array) -> Array:
    """Power that warms an air flow by a temperature rise.

    Parameters
    ----------
    mass_flow : Array
        Mass flow of air [kg/s].
    temperature_rise : Array
        Outlet less inlet temperature [K].

    Returns
    -------
    Array
        Power [W]. Energy balance, constant specific heat of 1005 J/(kg K), within 0.3 % to 450 K.
    """
    return mass_flow * SPECIFIC_HEAT * temperature_rise
