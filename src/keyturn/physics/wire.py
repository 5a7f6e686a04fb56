"""Copper wire: size, resistance, voltage drop, voltage at the pump, load on a fuse."""

from __future__ import annotations

import numpy as np

from keyturn.physics import Array

COPPER_RESISTIVITY = 1.7241e-8  # [ohm m] annealed copper at 20 degC, IACS
COPPER_TEMPERATURE_FACTOR = 0.00393  # [1/K] at 20 degC, IACS
REFERENCE_TEMPERATURE = 293.15  # [K]
CONTINUOUS_FUSE_SHARE = 0.75  # [-] of the fuse rating that may flow for long


def wire_area(wire_number: Array) -> Array:
    """Copper area of an American wire gauge number.

    Parameters
    ----------
    wire_number : Array
        American wire gauge number; 0 for 1/0, -1 for 2/0 [-]

    Returns
    -------
    Array
        Cross-section of solid wire [m2].

    Notes
    -----
    ASTM B258: diameter 0.127 mm times 92^((36 - number)/39).
    """
    diameter = 0.127e-3 * 92.0 ** ((36.0 - wire_number) / 39.0)
    return 0.25 * np.pi * diameter * diameter


def resistance(length: Array, area: Array, temperature: Array) -> Array:
    """Resistance of copper wire.

    Parameters
    ----------
    length : Array
        Length of the loop, there and back [m]
    area : Array
        Copper area [m2]
    temperature : Array
        Temperature of the wire [K]

    Returns
    -------
    Array
        Resistance [ohm].

    Notes
    -----
    Annealed copper, IACS 1.7241e-8 ohm m and 0.00393 per kelvin at 20 degC. Tinned strand may
    have up to 27 % more (FAA AC 43.13-1B table 11-9, sizes 10 and 12).
    """
    factor = 1.0 + COPPER_TEMPERATURE_FACTOR * (temperature - REFERENCE_TEMPERATURE)
    return COPPER_RESISTIVITY * length / area * factor


def length_factor(temperature: Array) -> Array:
    """How much shorter a warm wire must be for the same drop as at 20 degC.

    Parameters
    ----------
    temperature : Array
        Temperature of the wire [K]

    Returns
    -------
    Array
        Allowed length over that at 20 degC [-].

    Notes
    -----
    FAA AC 43.13-1B p. 11-22: 254.5 / (234.5 + degC).
    """
    return 254.5 / (234.5 + temperature - 273.15)


def voltage_drop(current: Array, resistance: Array) -> Array:
    """Voltage lost along a wire.

    Parameters
    ----------
    current : Array
        Current [A]
    resistance : Array
        Resistance of wire and contacts [ohm]

    Returns
    -------
    Array
        Voltage lost [V].

    Notes
    -----
    Ohm's law.
    """
    return current * resistance


def voltage_at_pump(
    source_voltage: Array,
    resistance: Array,
    current_at_zero: Array,
    current_per_pressure: Array,
    current_per_voltage: Array,
    reference_voltage: Array,
    pressure_rise: Array,
) -> Array:
    """Voltage at the pump, solved together with the current that it draws.

    Parameters
    ----------
    source_voltage : Array
        Voltage at the source [V]
    resistance : Array
        Resistance of the whole loop, contacts included [ohm]
    current_at_zero : Array
        Current at no pressure rise and reference voltage, for all pumps on this wire [A]
    current_per_pressure : Array
        Current per pressure rise, for all pumps on this wire [A/Pa]
    current_per_voltage : Array
        Current per volt at the pump, for all pumps on this wire [A/V]
    reference_voltage : Array
        Voltage of the current law [V]
    pressure_rise : Array
        Pressure rise of the pump [Pa]

    Returns
    -------
    Array
        Voltage at the pump [V].

    Notes
    -----
    Closed form of source = voltage + resistance * current, current affine in pressure rise and
    voltage. Its slope by pressure rise is `voltage_slope`. Not limited to positive voltage.
    """
    load = (
        current_at_zero
        + current_per_pressure * pressure_rise
        - current_per_voltage * reference_voltage
    )
    return (source_voltage - resistance * load) / (1.0 + resistance * current_per_voltage)


def voltage_slope(
    resistance: Array, current_per_pressure: Array, current_per_voltage: Array
) -> Array:
    """Change of the voltage at the pump with pressure rise.

    Parameters
    ----------
    resistance : Array
        Resistance of the whole loop, contacts included [ohm]
    current_per_pressure : Array
        Current per pressure rise [A/Pa]
    current_per_voltage : Array
        Current per volt at the pump [A/V]

    Returns
    -------
    Array
        Slope of voltage by pressure rise [V/Pa].

    Notes
    -----
    Derivative of `voltage_at_pump`.
    """
    return -resistance * current_per_pressure / (1.0 + resistance * current_per_voltage)


def fuse_load(current: Array, fuse_rating: Array) -> Array:
    """Current over what a fuse may carry for long.

    Parameters
    ----------
    current : Array
        Continuous current [A]
    fuse_rating : Array
        Rating printed on the fuse [A]

    Returns
    -------
    Array
        Load share; above 1 the fuse is too small for this current [-].

    Notes
    -----
    Common practice: 75 % of the rating for continuous load. Inrush of the motor is not in it.
    """
    return current / (CONTINUOUS_FUSE_SHARE * fuse_rating)
