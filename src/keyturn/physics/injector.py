"""Port fuel injector: flow, density, dead time, pulse and duty, match, mixture error."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from keyturn.errors import DomainError
from keyturn.physics import Array

FloatArray = NDArray[np.float64]

SMOOTHING_PRESSURE = 100.0  # [Pa] width of the straight part at zero; 3e-8 off at 300 kPa
REVOLUTIONS_PER_CYCLE = 2.0  # one injection per 720 degrees of crank


def injector_flow_and_slope(
    pressure_across: Array, rated_flow: Array, rated_pressure: Array
) -> tuple[Array, Array]:
    """Static volume flow of one open injector and its slope by pressure.

    Parameters
    ----------
    pressure_across : Array
        Rail less manifold pressure [Pa]
    rated_flow : Array
        Static flow of one injector at ``rated_pressure`` [m3/s]
    rated_pressure : Array
        Pressure across the injector at which it was rated [Pa]

    Returns
    -------
    tuple of Array
        Volume flow [m3/s] and its slope by pressure [m3/(s Pa)].

    Notes
    -----
    Orifice law, flow with the square root of pressure; odd, and straight within about 100 Pa of
    zero so that the slope stays finite. Ignores viscosity, vapour in the nozzle and the fall of
    lift at pressures that the coil can no longer open against.
    """
    square = pressure_across * pressure_across + SMOOTHING_PRESSURE * SMOOTHING_PRESSURE
    size = np.sqrt(square)
    factor = rated_flow / np.sqrt(rated_pressure * size)
    flow = factor * pressure_across
    slope = factor * (1.0 - 0.5 * pressure_across * pressure_across / square)
    return flow, slope


def injector_flow(pressure_across: Array, rated_flow: Array, rated_pressure: Array) -> Array:
    """Static volume flow of one open injector.

    Parameters
    ----------
    pressure_across : Array
        Rail less manifold pressure [Pa]
    rated_flow : Array
        Static flow of one injector at ``rated_pressure`` [m3/s]
    rated_pressure : Array
        Pressure across the injector at which it was rated [Pa]

    Returns
    -------
    Array
        Volume flow [m3/s].

    Notes
    -----
    See `injector_flow_and_slope`.
    """
    return injector_flow_and_slope(pressure_across, rated_flow, rated_pressure)[0]


def density_factor(rated_density: Array, density: Array) -> Array:
    """Volume flow with another liquid over the rated one, same pressure.

    Parameters
    ----------
    rated_density : Array
        Density of the test liquid [kg/m3]
    density : Array
        Density of the liquid in use [kg/m3]

    Returns
    -------
    Array
        Volume flow ratio; the mass flow ratio is its inverse [-].

    Notes
    -----
    Orifice law with one discharge coefficient.
    """
    return np.sqrt(rated_density / density)


def dead_time(
    voltage: Array,
    voltage_points: FloatArray,
    dead_times: FloatArray,
    pressure_across: Array = 300e3,
    rated_pressure: Array = 300e3,
    pressure_share: Array = 0.1,
) -> Array:
    """Time of the pulse in which nothing flows.

    Parameters
    ----------
    voltage : Array
        Voltage at the injector [V]
    voltage_points : FloatArray
        Voltages of the table, strictly rising [V]
    dead_times : FloatArray
        Dead times of the table, never rising [s]
    pressure_across : Array
        Rail less manifold pressure [Pa]
    rated_pressure : Array
        Pressure across at which the table was taken [Pa]
    pressure_share : Array
        Growth of dead time per doubling of pressure added, assumed [-]

    Returns
    -------
    Array
        Dead time [s].

    Notes
    -----
    Straight lines between the points, so it never rises with voltage; below the table the first
    line goes on, above it the last value stays. Times 1 + share (pressure / rated - 1): a mild
    assumed growth, because the needle lifts against the pressure; never below half.
    """
    x, y = np.asarray(voltage_points), np.asarray(dead_times)
    if x.ndim != 1 or x.shape != y.shape or x.size == 0:
        raise DomainError("a dead-time table needs pairs of voltage and time")
    if np.any(np.diff(x) <= 0.0) or np.any(np.diff(y) > 0.0):
        raise DomainError("in a dead-time table voltage must rise and dead time must not")
    time: Array = np.interp(voltage, x, y)
    if x.size > 1:
        first = float((y[1] - y[0]) / (x[1] - x[0]))
        time = time + first * np.minimum(voltage - x[0], 0.0)
    growth = 1.0 + pressure_share * (pressure_across / rated_pressure - 1.0)
    return time * np.maximum(growth, 0.5)


def injection_window(engine_speed: Array) -> Array:
    """Time of one engine cycle, in which each injector opens once.

    Parameters
    ----------
    engine_speed : Array
        Crankshaft speed, above 0 [1/s]

    Returns
    -------
    Array
        Time for 720 degrees of crank [s].

    Notes
    -----
    Four-stroke, one injection a cycle.
    """
    return REVOLUTIONS_PER_CYCLE / engine_speed


def duty_from_demand(
    demand_flow: Array,
    injector_count: Array,
    flow_each: Array,
    dead_time: Array,
    engine_speed: Array,
) -> Array:
    """Share of the window for which the injectors must be driven; above 1 they cannot do it.

    Parameters
    ----------
    demand_flow : Array
        Volume flow that the engine needs [m3/s]
    injector_count : Array
        Number of injectors [-]
    flow_each : Array
        Static volume flow of one at the pressure it has [m3/s]
    dead_time : Array
        Time of the pulse in which nothing flows [s]
    engine_speed : Array
        Crankshaft speed [1/s]

    Returns
    -------
    Array
        Duty, dead time included; 0 with no demand [-].

    Notes
    -----
    Linear range of SAE J1832: delivered = static flow * (pulse - dead time).
    """
    duty = demand_flow / (injector_count * flow_each) + dead_time * engine_speed * (
        1.0 / REVOLUTIONS_PER_CYCLE
    )
    return np.where(demand_flow > 0.0, duty, 0.0)


def flow_share_at_duty(duty: Array, dead_time: Array, engine_speed: Array) -> Array:
    """Mean over static flow of an injector driven at a duty.

    Parameters
    ----------
    duty : Array
        Driven share of the window, dead time included [-]
    dead_time : Array
        Time of the pulse in which nothing flows [s]
    engine_speed : Array
        Crankshaft speed [1/s]

    Returns
    -------
    Array
        Share of static flow that is delivered, not below 0 [-].

    Notes
    -----
    Inverse of `duty_from_demand`.
    """
    return np.maximum(duty - dead_time * engine_speed / REVOLUTIONS_PER_CYCLE, 0.0)


def smallest_flow(
    injector_count: Array,
    flow_each: Array,
    smallest_pulse: Array,
    dead_time: Array,
    engine_speed: Array,
) -> Array:
    """Least flow that the set still meters, at its smallest repeatable pulse.

    Parameters
    ----------
    injector_count : Array
        Number of injectors [-]
    flow_each : Array
        Static volume flow of one at the pressure it has [m3/s]
    smallest_pulse : Array
        Shortest repeatable pulse, dead time included [s]
    dead_time : Array
        Time of the pulse in which nothing flows [s]
    engine_speed : Array
        Crankshaft speed [1/s]

    Returns
    -------
    Array
        Volume flow of the set [m3/s].

    Notes
    -----
    Linear range of SAE J1832.
    """
    open_time = np.maximum(smallest_pulse - dead_time, 0.0)
    return injector_count * flow_each * open_time * engine_speed / REVOLUTIONS_PER_CYCLE


def set_match(flows: FloatArray) -> Array:
    """How far apart the injectors of a set are.

    Parameters
    ----------
    flows : FloatArray
        Flow of each, last axis over the set [m3/s]

    Returns
    -------
    Array
        Largest less smallest over the mean [-].

    Notes
    -----
    Common practice: up to 0.02 for performance sets, 0.03 usable, above 0.05 to be sent back.
    """
    values = np.asarray(flows, dtype=np.float64)
    spread: FloatArray = np.ptp(values, axis=-1) / np.mean(values, axis=-1)
    return spread


def mixture_error(pressure_across: Array, calibrated_pressure: Array) -> Array:
    """Fuel delivered over fuel meant, by a control unit that does not correct for pressure.

    Parameters
    ----------
    pressure_across : Array
        Rail less manifold pressure as it is [Pa]
    calibrated_pressure : Array
        Rail less manifold pressure that the calibration assumes [Pa]

    Returns
    -------
    Array
        Fuel ratio; below 1 the mixture is lean, lambda is divided by it [-].

    Notes
    -----
    Orifice law; same pulse, dead time taken as unchanged.
    """
    return np.sqrt(np.maximum(pressure_across, 0.0) / calibrated_pressure)
