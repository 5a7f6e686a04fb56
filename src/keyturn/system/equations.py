"""Equations of the fuel circuit with the pump's pressure rise as the one unknown.

Everything else is explicit in it: wiring voltage (the current is affine in rise and voltage), pump
flow, losses, injector flow, bypass. Two monotone functions describe the regulator:
``law`` = node pressure - what the regulator would hold, ``shut`` = -bypass flow. Both rise with
the pump's pressure rise, and the answer is the smaller of their two roots, that is the root of
the larger function: no switch between regimes anywhere.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from keyturn.physics import pipe, pump
from keyturn.system.circuit import Circuit, FloatArray, Path, map_arrays

SINGLE: Any = np.float32
OPENING_FLOW = 3.0e-7  # [m3/s] about 1 L/h: over this flow a check valve lifts off its seat
SMOOTH_PRESSURE = 100.0  # [Pa]
LEAST_FALL = 1.0e-30  # [m3/s/Pa] a level pump curve must not divide by zero
LEAST_LEFT = 0.3  # share of a flow that one inner step must leave


class Point(NamedTuple):
    """All quantities at one pump rise with their slopes, and the two functions."""

    law: FloatArray
    law_slope: FloatArray
    shut: FloatArray
    shut_slope: FloatArray
    pump_flow: FloatArray
    pump_slope: FloatArray
    injector_flow: FloatArray
    injector_slope: FloatArray
    node_gauge: FloatArray
    node_slope: FloatArray
    rail_gauge: FloatArray
    rail_slope: FloatArray
    rail_flow_error: FloatArray  # [m3/s] last inner step, 0 without a rail path
    overrun: NDArray[np.bool_]  # the valve is wide open


@dataclass(frozen=True)
class Prepared:
    """A circuit with what does not change from round to round worked out once."""

    circuit: Circuit
    free_voltage: FloatArray  # [V] at the pump when the rise is zero
    voltage_slope: FloatArray  # [V/Pa]
    to_curve: FloatArray  # [-] rise of one unscaled pump over the rise of the set
    flow_scale: FloatArray  # [-]
    slope_scale: FloatArray  # [-]
    flow_per_volt: FloatArray  # [m3/(s V)]
    driven_slope: FloatArray  # [m3/(s Pa)] by the fall of the voltage

    def map(self, change: Callable[[FloatArray], FloatArray]) -> Prepared:
        """The same with ``change`` applied to every per-point array."""
        changed: Prepared = map_arrays(self, change)
        return changed

    def coarse(self) -> Prepared:
        """The same in single precision: half the time, for rounds far from the root."""
        small = self.map(lambda array: array.astype(SINGLE))
        parts = small.circuit.pump
        parts = replace(
            parts,
            knots=parts.knots.astype(SINGLE),
            coefficients=parts.coefficients.astype(SINGLE),
        )
        return replace(small, circuit=replace(small.circuit, pump=parts))

    def without_paths(self) -> Prepared:
        """For what is worked out after the root is found: nothing of it needs a path."""
        nothing = Path(np.zeros(1), np.zeros(1))
        bare = replace(self.circuit, suction=None, feed=nothing, returns=nothing, rail=None)
        return replace(self, circuit=bare)


def prepare(circuit: Circuit) -> Prepared:
    """Work out what does not depend on the rise."""
    parts = circuit.pump
    free, slope = _voltage_line(circuit)
    to_curve = 1.0 / (parts.series * parts.pressure_scale)
    scale = parts.flow_scale * parts.parallel
    per_volt = scale * parts.free_flow / parts.reference_voltage
    return Prepared(
        circuit, free, slope, to_curve, scale, scale * to_curve, per_volt, per_volt * slope
    )


def path_drop(path: Path, flow: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Pressure drop [Pa] of a path and its slope [Pa s/m3]; odd in flow, slope never negative."""
    size = np.abs(flow)
    square = path.quadratic * size
    resistance = path.linear + square
    drop = flow * resistance
    slope = resistance + square
    if path.opening is not None:
        lift, lift_slope = pump.check_valve_drop_and_slope(flow, path.opening, OPENING_FLOW)
        drop = drop + lift
        slope = slope + lift_slope
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


def _voltage_line(circuit: Circuit) -> tuple[FloatArray, FloatArray]:
    """Voltage at the pump for no rise [V], and its slope with the rise [V/Pa].

    The current is affine in rise and voltage, so that the wiring drop is solved in closed form.
    """
    parts = circuit.pump
    resistance = circuit.wiring_resistance * (parts.parallel * parts.series)
    share = 1.0 / (1.0 + resistance * parts.current_per_voltage)
    slope = -resistance * parts.current_per_pressure * share / parts.series
    at_zero = parts.current_at_zero - parts.current_per_voltage * parts.reference_voltage
    return (circuit.source_voltage - resistance * at_zero) * share, slope


def voltage(circuit: Circuit, rise: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Voltage at the pump [V] and its slope with the rise [V/Pa], solved with the current.

    The voltage is clipped at zero: a starved supply cannot drive the pump backwards.
    """
    free, slope = _voltage_line(circuit)
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


def _injectors(
    circuit: Circuit, node: FloatArray, guess: FloatArray | None, passes: int
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
    """Injector flow and its slope with the node pressure, rail pressure and its, inner error.

    Without a rail path this is explicit. With one, ``passes`` Newton steps from ``guess`` (else
    from above) are made on the pressure balance of rail path and orifice. Both are convex in
    flow, so that a step errs on the high side only and the error falls quadratically.
    """
    parts = circuit.injector
    difference = node - parts.manifold_gauge
    if circuit.rail is None:
        flow, slope = orifice_flow(difference, parts.orifice)
        slope *= flow < parts.demand
        return np.minimum(flow, parts.demand), slope, node, np.ones(1), np.zeros(1)
    flow = orifice_flow(difference, parts.orifice)[0] if guess is None else guess
    flow = np.minimum(flow, parts.demand)
    for _ in range(passes):
        before = flow
        drop, drop_slope = path_drop(circuit.rail, before)
        needed, needed_slope = orifice_drop(before, parts.orifice)
        slope = 1.0 / (drop_slope + needed_slope)
        free = before + (difference - drop - needed) * slope
        # from a guess far too high a step may overshoot zero: leave it a share
        free = np.maximum(free, LEAST_LEFT * before)
        free *= difference > 0.0
        flow = np.minimum(free, parts.demand)
    slope *= (free < parts.demand) & (difference > 0.0)
    change = flow - before
    drop += drop_slope * change
    return flow, slope, node - drop, 1.0 - drop_slope * slope, np.abs(change)


def orifice_drop(flow: FloatArray, orifice: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Pressure that the law of `orifice_flow` needs for a flow, and its slope."""
    u = flow / orifice
    root = np.sqrt(u * u + 4.0 * SMOOTH_PRESSURE)
    slope = (u + (u * u + 2.0 * SMOOTH_PRESSURE) / root) / orifice
    return 0.5 * u * (u + root), slope


def evaluate(
    ready: Prepared, rise: FloatArray, guess: FloatArray | None = None, passes: int = 1
) -> Point:
    """All quantities of the circuit at a pump rise [Pa]."""
    circuit = ready.circuit
    volts = np.maximum(ready.free_voltage + ready.voltage_slope * rise, 0.0)
    value, slope = pump.curve_value_and_slope(
        rise * ready.to_curve, circuit.pump.knots, circuit.pump.coefficients
    )
    lag = volts - circuit.pump.reference_voltage
    flow = ready.flow_scale * value + ready.flow_per_volt * lag
    flow_slope = ready.slope_scale * slope + ready.driven_slope * (volts > 0.0)
    line_flow, line_slope = flow, flow_slope
    if circuit.pump.leak is not None:
        lost, lost_slope = orifice_flow(rise, circuit.pump.leak)
        line_flow, line_slope = flow - lost, flow_slope - lost_slope
    drop, drop_slope = path_drop(circuit.feed, line_flow)
    node, node_slope = rise - drop, 1.0 - drop_slope * line_slope
    if circuit.suction is not None:
        inlet, inlet_slope = path_drop(circuit.suction, flow)
        node -= inlet
        node_slope -= inlet_slope * flow_slope
    taken, by_node, rail, rail_by_node, error = _injectors(circuit, node, guess, passes)
    taken_slope = by_node * node_slope
    bypass, bypass_slope = line_flow - taken, line_slope - taken_slope
    held, held_slope, wide_open = _regulator(circuit, bypass)
    return Point(
        law=node - held,
        law_slope=node_slope - held_slope * bypass_slope,
        shut=-bypass,
        shut_slope=-bypass_slope,
        pump_flow=flow,
        pump_slope=flow_slope,
        injector_flow=taken,
        injector_slope=taken_slope,
        node_gauge=node,
        node_slope=node_slope,
        rail_gauge=rail,
        rail_slope=rail_by_node * node_slope,
        rail_flow_error=error,
        overrun=wide_open,
    )


def regulator_pressure(circuit: Circuit, bypass: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Node pressure that the regulator and its return hold at a bypass flow, and the slope.

    Continued below zero bypass by the same odd laws, so that it rises everywhere.
    """
    held, slope, _ = _regulator(circuit, bypass)
    return held, slope


def _regulator(
    circuit: Circuit, bypass: FloatArray
) -> tuple[FloatArray, FloatArray, NDArray[np.bool_]]:
    """Pressure held, its slope, and whether the valve is wide open."""
    parts = circuit.regulator
    back, back_slope = path_drop(circuit.returns, bypass)
    hole = parts.open_quadratic * np.abs(bypass)
    control = parts.opening_gauge + parts.slope * bypass + parts.seat * back
    open_ = hole * bypass + back
    wide = open_ > control
    slope = np.where(wide, 2.0 * hole + back_slope, parts.slope + parts.seat * back_slope)
    return np.maximum(control, open_), slope, wide


def shut_step(circuit: Circuit, point: Point) -> FloatArray:
    """Newton's step to the root of ``shut``, by way of pressures instead of flows.

    The flow of an orifice rises like a root, and Newton on it overshoots below zero and comes
    back, again and again, where little is left of the pressure. The pressure that the flow needs
    rises like a square, which Newton takes in a few steps. Injector flow is the middle one of
    zero, free flow and demand, so the step is the middle one of their three steps.
    """
    parts = circuit.injector
    flow = point.injector_flow - point.shut  # what comes down the feed path
    slope = np.minimum(point.injector_slope - point.shut_slope, -LEAST_FALL)
    needed, needed_slope = orifice_drop(flow, parts.orifice)
    if circuit.rail is not None:
        drop, drop_slope = path_drop(circuit.rail, flow)
        needed, needed_slope = needed + drop, needed_slope + drop_slope
    free = point.node_gauge - parts.manifold_gauge - needed
    free_step = free / (needed_slope * slope - point.node_slope)
    most = (parts.demand - flow) / slope
    return np.maximum(most, np.minimum(-flow / slope, free_step))


def overrun(circuit: Circuit, bypass: FloatArray) -> FloatArray:
    """How far the wide-open law lies above the controlled one [Pa]; positive is overrun."""
    parts = circuit.regulator
    back, _ = path_drop(circuit.returns, bypass)
    open_ = parts.open_quadratic * bypass * np.abs(bypass) + back
    return open_ - (parts.opening_gauge + parts.slope * bypass + parts.seat * back)
