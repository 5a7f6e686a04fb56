"""Conservation, order and limits of the fuel circuit; every expectation is in closed form here."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from keyturn.physics import pipe, pump
from keyturn.system import circuit as arrays
from keyturn.system.result import REGIMES
from keyturn.system.solution import CircuitSolution
from keyturn.system.solve import UNLIMITED, solve

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "bench"))

from random_circuits import random_circuit

LPH = 1.0 / 3.6e6
FREE, SHUT_OFF = 280.0 * LPH, 8.0e5  # flow = 280 L/h (1 - rise / 800 kPa)


def row(*values: float) -> arrays.FloatArray:
    return np.array([values], dtype=float)


def plain_circuit(
    *,
    demand: arrays.FloatArray | None = None,
    opening: float = 3.0e5,
    volts: arrays.FloatArray | None = None,
    wiring: float = 0.0,
    manifold: float = 0.0,
    feed: arrays.Path | None = None,
    rail: arrays.Path | None = None,
    table: tuple[list[float], list[float]] = ([0.0, SHUT_OFF], [FREE, 0.0]),
) -> arrays.Circuit:
    """Straight pump curve, perfect regulator, everything else as small as possible."""
    knots, flows = (np.array(item) for item in table)
    nothing = arrays.Path(row(0.0), row(0.0))
    return arrays.Circuit(
        pump=arrays.PumpArrays(
            knots=knots,
            coefficients=pump.monotone_curve(knots, flows),
            free_flow=float(flows[0]),
            flow_scale=row(1.0),
            pressure_scale=row(1.0),
            reference_voltage=row(13.5),
            parallel=1,
            series=1,
            current_at_zero=row(4.0),
            current_per_pressure=row(1.0e-5),
            current_per_voltage=row(0.2),
        ),
        source_voltage=row(13.5) if volts is None else volts,
        wiring_resistance=row(wiring),
        suction=None,
        feed=feed or nothing,
        regulator=arrays.RegulatorArrays(row(opening), row(0.0), row(0.0), row(0.0)),
        returns=nothing,
        rail=rail,
        injector=arrays.InjectorArrays(
            row(0.0) if demand is None else demand, row(3.0e-7), row(manifold)
        ),
    )


def regimes(solution: CircuitSolution) -> list[str]:
    return [REGIMES[code] for code in solution.regime.ravel()]


# Independent numbers: fluids 1.3.1 for the line (Colebrook), SciPy 1.17.1 for the root.
@pytest.mark.parametrize(
    ("held", "flow", "at_pump"),
    [(300.0, 169.83, 314.77), (400.0, 136.14, 411.03), (470.0, 112.48, 478.63)],
)
def test_return_loop_of_pump_filter_and_line(held: float, flow: float, at_pump: float) -> None:
    line = pipe.line_coefficients(8.0e-3, 4.0, 1.5e-6, 745.0, 5.0e-4)
    feed = arrays.Path(
        row(1.0e4 / (200.0 * LPH)),
        row(float(pipe.fitting_coefficient(4.0, 8.0e-3, 745.0))),
        None,
        (arrays.Line(*(row(float(item)) for item in line)),),
    )
    solution = solve(plain_circuit(opening=held * 1e3, feed=feed))
    # 0.2 %, as stated with the numbers: the line lies near Reynolds 4000 to 11000
    assert solution.pump_flow[0, 0] / LPH == pytest.approx(flow, rel=2e-3)
    assert solution.pump_rise[0, 0] / 1e3 == pytest.approx(at_pump, rel=2e-3)


def test_book_pump_against_its_system() -> None:
    """Schaschke, Fluid Mechanics: Worked Examples, 9.10: 0.0066 m3/s at 33.8 to 34 m, by graph."""
    weight = 1000.0 * 9.81
    head = [20.0, 30.0, 35.0, 38.0, 39.5, 40.0]
    flow = [0.010, 0.008, 0.006, 0.004, 0.002, 0.0]
    # lift 10 m, 100 m of 50 mm pipe with Fanning 0.005 and one exit velocity head
    velocity_head = (4.0 / np.pi / 0.05**2) ** 2 / (2.0 * 9.81)
    system = velocity_head * (4.0 * 0.005 * 100.0 / 0.05 + 1.0)
    solution = solve(
        plain_circuit(
            opening=10.0 * weight,
            feed=arrays.Path(row(0.0), row(system * weight)),
            table=([item * weight for item in head], flow),
        )
    )
    assert solution.pump_flow[0, 0] == pytest.approx(0.0066, rel=0.015)  # read off a graph
    assert solution.pump_rise[0, 0] / weight == pytest.approx(33.9, rel=0.015)


@pytest.mark.parametrize("place", ["rail", "tank"])
@pytest.mark.parametrize("corrects", [True, False])
def test_flows_balance_and_drops_add_up(place: str, corrects: bool) -> None:
    circuit = random_circuit(5000, place, np.random.default_rng(7), corrects)
    solution = solve(circuit)
    balance = solution.pump_flow - solution.injector_flow - solution.bypass_flow
    assert np.all(np.abs(balance) <= 1e-9 * np.abs(solution.pump_flow) + 1e-18)
    assert np.abs(solution.balance_residual).max() < 1e-9

    def drop(path: arrays.Path | None, flow: arrays.FloatArray) -> arrays.FloatArray:
        if path is None:
            return 0.0 * flow
        total = path.linear * flow + path.quadratic * flow * np.abs(flow)
        for line in path.lines:
            total = (
                total
                + pipe.drop_and_slope(
                    flow,
                    line.laminar_resistance,
                    line.turbulent_coefficient,
                    line.reynolds_per_flow,
                    line.relative_roughness,
                )[0]
            )
        return total

    node = solution.pump_rise - drop(circuit.suction, solution.pump_flow)
    node = node - drop(circuit.feed, solution.pump_flow)
    # 0.01 Pa: a ten-millionth of the pressures, at the flows as stored
    assert np.abs(node - solution.node_gauge).max() < 0.01
    rail = node - drop(circuit.rail, solution.injector_flow)
    assert np.abs(rail - solution.rail_gauge).max() < 0.01
    wiring = solution.pump_voltage + circuit.wiring_resistance * solution.pump_current
    on = solution.pump_voltage > 0.0
    assert np.abs(wiring - circuit.source_voltage)[on].max() < 1e-9


numbers = st.floats(0.0, 1.0)


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**31), st.sampled_from(["rail", "tank"]))
def test_more_demand_never_raises_rail_pressure(seed: int, place: str) -> None:
    one = random_circuit(1, place, np.random.default_rng(seed))
    demand = np.linspace(0.0, 450.0 * LPH, 60)[None, :]
    solution = solve(replace(one, injector=replace(one.injector, demand=demand)))
    assert np.diff(solution.rail_gauge[0]).max() < 1e-3  # [Pa] what the solver leaves
    assert np.diff(solution.injector_flow[0]).min() > -1e-12
    assert np.all(solution.injector_flow <= demand * (1.0 + 1e-9) + 1e-15)


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**31), st.sampled_from(["rail", "tank"]), st.booleans())
def test_more_voltage_never_lowers_pump_flow(seed: int, place: str, corrects: bool) -> None:
    one = random_circuit(1, place, np.random.default_rng(seed), corrects)
    solution = solve(replace(one, source_voltage=np.linspace(0.0, 15.0, 60)[None, :]))
    assert np.diff(solution.pump_flow[0]).min() > -1e-12
    assert np.diff(solution.rail_gauge[0]).min() > -1e-3


@given(numbers, numbers)
@settings(max_examples=60, deadline=None)
def test_blocked_regulator_without_demand_is_dead_head(volts: float, resistance: float) -> None:
    """Flow = Q0 (V / Vr - rise / p0) is zero where rise = p0 V / Vr."""
    source, wiring = 8.0 + 7.0 * volts, 0.4 * resistance
    solution = solve(plain_circuit(opening=1.0e8, volts=row(source), wiring=wiring))
    assert regimes(solution) == ["dead-head"]
    # V = source - R (4 + 1e-5 rise + 0.2 (V - 13.5)) and rise = p0 V / 13.5
    loop = wiring * (1.0e-5 * SHUT_OFF / 13.5 + 0.2)
    voltage = (source - wiring * (4.0 - 0.2 * 13.5)) / (1.0 + loop)
    assert solution.pump_voltage[0, 0] == pytest.approx(voltage, rel=1e-8)
    assert solution.pump_rise[0, 0] == pytest.approx(SHUT_OFF * voltage / 13.5, rel=1e-8)
    assert abs(solution.pump_flow[0, 0]) < 1e-12


def test_no_volts_is_no_flow() -> None:
    solution = solve(plain_circuit(demand=row(0.0, 1e-5), volts=row(0.0), manifold=1.0e4))
    assert regimes(solution) == ["no-flow", "no-flow"]
    assert np.abs(solution.pump_flow).max() < 1e-15
    assert np.all(solution.pump_current == 0.0)


def test_pump_at_its_curve_is_starved_and_feeds_the_injectors_alone() -> None:
    """Demand above the pump: flow = Q0 (1 - rise / p0) = c rise / sqrt(rise + 100 Pa)."""
    solution = solve(plain_circuit(demand=row(UNLIMITED), opening=7.0e5))
    assert regimes(solution) == ["starved"]
    rise = solution.pump_rise[0, 0]
    assert solution.bypass_flow[0, 0] == 0.0
    assert FREE * (1.0 - rise / SHUT_OFF) == pytest.approx(solution.injector_flow[0, 0], rel=1e-9)
    assert 3.0e-7 * rise / np.sqrt(rise + 100.0) == pytest.approx(
        solution.injector_flow[0, 0], rel=1e-8
    )


def test_perfect_regulator_holds_its_set_point() -> None:
    solution = solve(plain_circuit(demand=row(0.0, 50.0 * LPH, 100.0 * LPH)))
    assert regimes(solution) == ["regulating"] * 3
    assert np.abs(solution.rail_gauge - 3.0e5).max() < 1e-6
    wanted = FREE * (1.0 - 3.0 / 8.0) - np.array([0.0, 50.0, 100.0]) * LPH
    assert solution.bypass_flow[0] == pytest.approx(wanted, rel=1e-9)


@pytest.mark.parametrize("place", ["rail", "tank"])
def test_leak_and_check_valve_take_their_share(place: str) -> None:
    """Q0 (1 - x / p0) - k x / sqrt(x + 100) leaves the pump; the valve drops p q / (q + 3e-7)."""
    valve, leak = 1.5e4, 2.0e-8
    feed = arrays.Path(row(0.0), row(0.0), row(valve))
    tube = arrays.Path(row(2.0e8), row(0.0)) if place == "tank" else None
    circuit = plain_circuit(demand=row(40.0 * LPH), feed=feed, rail=tube)
    circuit = replace(circuit, pump=replace(circuit.pump, leak=row(leak)))
    solution = solve(circuit)
    rise, flow = solution.pump_rise[0, 0], solution.pump_flow[0, 0]
    assert flow == pytest.approx(FREE * (1.0 - rise / SHUT_OFF), rel=1e-9)
    passed = flow - leak * rise / np.sqrt(rise + 100.0)
    assert passed == pytest.approx(
        solution.injector_flow[0, 0] + solution.bypass_flow[0, 0], rel=1e-9
    )
    assert rise - 3.0e5 == pytest.approx(valve * passed / np.hypot(passed, 3.0e-7), rel=1e-7)
    lost = 2.0e8 * 40.0 * LPH if tube else 0.0
    assert solution.rail_gauge[0, 0] == pytest.approx(3.0e5 - lost, rel=1e-9)


@pytest.mark.parametrize(("parallel", "series"), [(2, 1), (1, 2), (3, 2)])
def test_equal_pumps_share_flow_and_rise(parallel: int, series: int) -> None:
    wiring = 0.05
    circuit = plain_circuit(opening=5.0e5, wiring=wiring)
    several = replace(circuit.pump, parallel=parallel, series=series)
    solution = solve(replace(circuit, pump=several))
    number = parallel * series
    # one pump at its share of the rise, its wiring carrying the current of all
    alone = solve(plain_circuit(opening=5.0e5 / series, wiring=wiring * number))
    assert solution.pump_rise[0, 0] == pytest.approx(series * alone.pump_rise[0, 0], rel=1e-9)
    assert solution.pump_flow[0, 0] == pytest.approx(parallel * alone.pump_flow[0, 0], rel=1e-9)
    assert solution.pump_current[0, 0] == pytest.approx(number * alone.pump_current[0, 0], rel=1e-9)
