"""The solver's fast forms of a law against the plain functions of physics, point by point."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

from keyturn.physics import injector, pump, regulator, wire
from keyturn.system import equations

sys.path.insert(0, str(Path(__file__).parents[2] / "bench"))
from random_circuits import random_circuit  # lives beside the benchmark that times it

POINTS = 400
ROUNDING = 1e-9  # relative: both sides are a handful of double-precision operations


@pytest.fixture(scope="module")
def circuit():  # type: ignore[no-untyped-def]
    return random_circuit(POINTS, "rail", np.random.default_rng(5))


def test_regulator(circuit) -> None:  # type: ignore[no-untyped-def]
    flow = np.random.default_rng(6).uniform(0.0, 1.2e-4, (1, POINTS))
    back, back_slope = equations.path_drop(circuit.returns, flow)
    parts = circuit.regulator
    plain, plain_slope = regulator.relief_and_slope(
        flow, parts.opening_gauge, parts.slope, parts.open_quadratic, parts.seat, back, back_slope
    )
    ours, slope = equations.regulator_pressure(circuit, flow)
    np.testing.assert_allclose(ours, plain, rtol=ROUNDING)
    np.testing.assert_allclose(slope, plain_slope, rtol=ROUNDING)


def test_voltage(circuit) -> None:  # type: ignore[no-untyped-def]
    rise = np.random.default_rng(7).uniform(0.0, 6.0e5, (1, POINTS))
    parts = circuit.pump
    plain = wire.voltage_at_pump(
        circuit.source_voltage,
        circuit.wiring_resistance,
        parts.current_at_zero,
        parts.current_per_pressure,
        parts.current_per_voltage,
        parts.reference_voltage,
        rise,
    )
    # the circuit never drives a pump backwards; the plain function says what it would take
    np.testing.assert_allclose(
        equations.voltage(circuit, rise)[0], np.maximum(plain, 0.0), rtol=1e-7, atol=1e-9
    )


def test_pump(circuit) -> None:  # type: ignore[no-untyped-def]
    generator = np.random.default_rng(8)
    rise = generator.uniform(0.0, 7.0e5, (1, POINTS))
    volts = generator.uniform(6.0, 15.0, (1, POINTS))
    parts = circuit.pump
    plain = parts.flow_scale * pump.pump_flow(
        rise / parts.pressure_scale, volts, parts.knots, parts.coefficients, parts.reference_voltage
    )
    ours = equations.pump_flow(circuit, rise, volts, np.zeros((1, 1)))[0]
    np.testing.assert_allclose(ours, plain, rtol=1e-7, atol=1e-13)


def test_injector_orifice() -> None:
    """Rounded off over the last 100 Pa: at working pressure it may differ by 50 Pa in 300 kPa."""
    across = np.linspace(1.5e5, 6.0e5, 50)
    orifice = np.full(50, 8 * 9.0e-6 / np.sqrt(3.0e5))
    plain = injector.injector_flow(across, 8 * 9.0e-6, 3.0e5)
    ours, _ = equations.orifice_flow(across, orifice)
    np.testing.assert_allclose(ours, plain, rtol=100.0 / 1.5e5)


@pytest.mark.parametrize("number", [2, 3])
def test_pumps_side_by_side_and_in_line(number: int) -> None:
    """`parallel` and `series` of the circuit against tables made by physics.pump."""
    knots = np.array([0.0, 2.0e5, 4.0e5, 6.0e5])
    flows = np.array([1.1e-4, 1.0e-4, 8.0e-5, 5.0e-5])
    rise = np.linspace(0.0, 5.5e5, 30)
    single = pump.monotone_curve(knots, flows)
    for maker, ours in (
        (pump.parallel_curve, number * pump.curve_value_and_slope(rise, knots, single)[0]),
        (pump.series_curve, pump.curve_value_and_slope(rise / number, knots, single)[0]),
    ):
        table_knots, table = maker(knots, flows, number)
        together = pump.monotone_curve(table_knots, table)
        plain = pump.curve_value_and_slope(rise, table_knots, together)[0]
        np.testing.assert_allclose(ours, plain, rtol=1e-9)
