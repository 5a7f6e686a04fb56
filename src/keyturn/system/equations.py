"""Equations of the fuel circuit with the pump's pressure rise as the one unknown.

Everything else is explicit in it: wiring voltage (the current is affine in rise and voltage), pump
flow, losses, injector flow, bypass. Two monotone functions describe the regulator:
``law`` = node pressure - what the regulator would hold, ``shut`` = -bypass flow. Both rise with
the pump's pressure rise, and the answer is the smaller of their two roots, that is the root of
the larger function: no switch between regimes anywhere.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from keyturn.physics import pipe, pump
from keyturn.system.circuit import Circuit, FloatArray, Path

OPENING_FLOW = 3.0e-7  # [m3/s] about 1 L/h: over this flow a check valve lifts off its seat
SMOOTH_PRESSURE = 100.0  # [Pa]


class Point(NamedTuple):
    """All quantities at one pump rise, and the two functions with their slopes."""

    law: FloatArray
    law_slope: FloatArray
    shut: FloatArray
    shut_slope: FloatArray
    pump_flow: FloatArray
    injector_flow: FloatArray
    bypass_flow: FloatArray
    node_gauge: FloatArray
    rail_gauge: FloatArray
    voltage: FloatArray
    rail_flow_error: FloatArray  # [m3/s] what is left of the inner solve, 0 without a rail path


def path_drop(path: Path, flow: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Pressure drop [Pa] of a path and its slope [Pa s/m3]; odd in flow, slope never negative."""
    size = np.abs(flow)
    square = path.quadratic * size
    resistance = path.linear + square
    drop = flow * resistance
    slope = resistance + square
    if path.opening is not None:
        lift = size + OPENING_FLOW
        drop = drop + path.opening * flow / lift
        slope = slope + path.opening * OPENING_FLOW / (lift * lift)
    for line in path.lines:
        more, more_slope = pipe.drop_and_slope(
            flow,
            line.laminar_resistance,
            line.turbulent_coefficient,
            line.reynolds_per_flow,
            line.relative_roughness,
        )
        drop = drop + more
        slope = slope + more_slope
    return drop, slope


def voltage(circuit: Circuit, rise: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Voltage at the pump [V] and its slope with the rise [V/Pa], solved with the current.

    The voltage is clipped at zero: a starved supply cannot drive the pump backwards.
    """
    parts = circuit.pump
    number = parts.parallel * parts.series
    resistance = circuit.wiring_resistance * number
    share = 1.0 / (1.0 + resistance * parts.current_per_voltage)
    slope = -resistance * parts.current_per_pressure * share / parts.series
    at_zero = parts.current_at_zero - parts.current_per_voltage * parts.reference_voltage
    free = (circuit.source_voltage - resistance * at_zero) * share
    value = free + slope * rise
    return np.maximum(value, 0.0), np.where(value > 0.0, slope, 0.0)


def current(circuit: Circuit, rise: FloatArray, volts: FloatArray) -> FloatArray:
    """Current of all pumps together [A]; zero when there is no voltage."""
    parts = circuit.pump
    each = (
        parts.current_at_zero
        + parts.current_per_pressure * rise / parts.series
        + parts.current_per_voltage * (volts - parts.reference_voltage)
    )
    return np.where(volts > 0.0, np.maximum(each, 0.0) * (parts.parallel * parts.series), 0.0)


def pump_flow(
    circuit: Circuit, rise: FloatArray, volts: FloatArray, volts_slope: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Flow [m3/s] of all pumps and its slope [m3/s/Pa], see `physics.pump.pump_flow`."""
    parts = circuit.pump
    to_curve = 1.0 / (parts.series * parts.pressure_scale)
    value, slope = pump.curve_value_and_slope(rise * to_curve, parts.knots, parts.coefficients)
    scale = parts.flow_scale * parts.parallel
    per_volt = parts.free_flow / parts.reference_voltage
    flow = scale * (value + per_volt * (volts - parts.reference_voltage))
    return flow, scale * (slope * to_curve + per_volt * volts_slope)


def orifice_flow(difference: FloatArray, orifice: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Flow and slope of an orifice, rounded off over the last 100 Pa, never backwards.

    q = orifice * p / sqrt(p + 100 Pa): at 300 kPa it lies 0.02 % below the plain root, and its
    slope at zero stays finite, which a pump that is off needs.
    """
    positive = np.maximum(difference, 0.0)
    lifted = positive + SMOOTH_PRESSURE
    per_pressure = orifice / np.sqrt(lifted)
    slope = per_pressure * (0.5 + 0.5 * SMOOTH_PRESSURE / lifted)
    return per_pressure * positive, np.where(difference > 0.0, slope, 0.0)


def injector_flow(
    circuit: Circuit, node_gauge: FloatArray, guess: FloatArray | None, passes: int
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Injector flow, its slope with the node pressure, the rail pressure, and the inner error.

    Without a rail path this is explicit. With one, ``passes`` Newton steps from ``guess`` (else
    from above) are made on the pressure balance of rail path and orifice. Both are convex in flow,
    so that a step errs on the high side only and the error falls quadratically: one pass in each
    round is enough for most points, the hard ones are solved out in every round.
    """
    parts = circuit.injector
    difference = node_gauge - parts.manifold_gauge
    if circuit.rail is None:
        flow, slope = orifice_flow(difference, parts.orifice)
        return (
            np.minimum(flow, parts.demand),
            np.where(flow < parts.demand, slope, 0.0),
            node_gauge,
            np.zeros(1),
        )
    flow = orifice_flow(difference, parts.orifice)[0] if guess is None else guess
    flow = np.minimum(flow, parts.demand)
    for _ in range(passes):
        before = flow
        drop, drop_slope = path_drop(circuit.rail, before)
        needed, needed_slope = orifice_drop(before, parts.orifice)
        slope = 1.0 / (drop_slope + needed_slope)
        free = np.maximum(before + (difference - drop - needed) * slope, 0.0)
        flow = np.minimum(free, parts.demand)
    drop = drop + drop_slope * (flow - before)
    slope = np.where((free < parts.demand) & (free > 0.0), slope, 0.0)
    return flow, slope, node_gauge - drop, np.abs(flow - before)


def orifice_drop(flow: FloatArray, orifice: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Pressure that the law of `orifice_flow` needs for a flow, and its slope."""
    u = flow / orifice
    root = np.sqrt(u * u + 4.0 * SMOOTH_PRESSURE)
    slope = (u + (u * u + 2.0 * SMOOTH_PRESSURE) / root) / orifice
    return 0.5 * u * (u + root), slope


def evaluate(
    circuit: Circuit, rise: FloatArray, guess: FloatArray | None = None, passes: int = 1
) -> Point:
    """All quantities of the circuit at a pump rise [Pa]."""
    volts, volts_slope = voltage(circuit, rise)
    flow, flow_slope = pump_flow(circuit, rise, volts, volts_slope)
    line_flow, line_slope = flow, flow_slope
    if circuit.pump.leak is not None:
        lost, lost_slope = orifice_flow(rise, circuit.pump.leak)
        line_flow, line_slope = flow - lost, flow_slope - lost_slope
    drop, drop_slope = path_drop(circuit.feed, line_flow)
    node, node_slope = rise - drop, 1.0 - drop_slope * line_slope
    if circuit.suction is not None:
        inlet, inlet_slope = path_drop(circuit.suction, flow)
        node, node_slope = node - inlet, node_slope - inlet_slope * flow_slope
    taken, taken_slope, rail, error = injector_flow(circuit, node, guess, passes)
    bypass = line_flow - taken
    bypass_slope = line_slope - taken_slope * node_slope
    held, held_slope = regulator_pressure(circuit, bypass)
    return Point(
        law=node - held,
        law_slope=node_slope - held_slope * bypass_slope,
        shut=-bypass,
        shut_slope=-bypass_slope,
        pump_flow=flow,
        injector_flow=taken,
        bypass_flow=bypass,
        node_gauge=node,
        rail_gauge=rail,
        voltage=volts,
        rail_flow_error=error,
    )


def regulator_pressure(circuit: Circuit, bypass: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Node pressure that the regulator and its return hold at a bypass flow, and the slope.

    Continued below zero bypass by the same odd laws, so that it rises everywhere.
    """
    parts = circuit.regulator
    back, back_slope = path_drop(circuit.returns, bypass)
    control = parts.opening_gauge + parts.slope * bypass + parts.seat * back
    open_ = parts.open_quadratic * bypass * np.abs(bypass) + back
    control_slope = parts.slope + parts.seat * back_slope
    open_slope = 2.0 * parts.open_quadratic * np.abs(bypass) + back_slope
    return np.maximum(control, open_), np.where(control >= open_, control_slope, open_slope)


def overrun(circuit: Circuit, bypass: FloatArray) -> FloatArray:
    """How far the wide-open law lies above the controlled one [Pa]; positive is overrun."""
    parts = circuit.regulator
    back, _ = path_drop(circuit.returns, bypass)
    open_ = parts.open_quadratic * bypass * np.abs(bypass) + back
    return open_ - (parts.opening_gauge + parts.slope * bypass + parts.seat * back)
