"""The map over speed and manifold pressure, the corridor, and the pump against its system."""

from __future__ import annotations

from dataclasses import fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from keyturn.build.model import Build
from keyturn.system import equations, operating, parts
from keyturn.system.circuit import Circuit, FloatArray
from keyturn.system.draws import Draws
from keyturn.system.headroom import Loads, Need, lambda_ratio, suction_drop
from keyturn.system.result import REGIMES, Corridor, Envelope, PumpCrossing, PumpFigure
from keyturn.system.solution import CircuitSolution
from keyturn.system.solve import solve
from keyturn.system.thresholds import limit

CURVE_POINTS = 60
BLOCK = 200_000  # values of one array that are worked on together
LEAST_NEED = 1.1e-6  # [m3/s] 4 L/h: below this the pump is not what limits a point


def envelope(
    build: Build,
    draws: Draws,
    liquid: parts.Fluid,
    line: operating.Line,
    needs: tuple[Need, ...],
) -> Envelope:
    """Solve the circuit on the whole map for every sample and say what limits where."""
    speed, pressure = line.engine_speed, operating.map_pressures(line, build)
    grid_speed, grid_pressure = np.repeat(speed, pressure.size), np.tile(pressure, speed.size)
    duty = _duty_of_map(build, draws, liquid, line, grid_speed, grid_pressure)
    solved = solve(parts.circuit(build, draws, liquid, duty))
    # Some speeds at a time: arrays of the whole map leave the cache, and with many samples the
    # kernel takes their memory back between two uses.
    at_once = max(1, BLOCK // (pressure.size * (draws.samples + 1)))
    rows = [
        _rows(build, draws, _columns(duty, chosen), _columns(solved, chosen), first, needs)
        for first in range(0, speed.size, at_once)
        for chosen in [slice(first * pressure.size, (first + at_once) * pressure.size)]
    ]
    whole = {name: np.concatenate([row[name] for row in rows]) for name in rows[0]}
    shape = (speed.size, pressure.size)
    full = _median(line.air.manifold_pressure)
    return Envelope(
        engine_speed=speed,
        manifold_pressure=pressure,
        **{name: values.reshape(shape) for name, values in whole.items()},
        reachable=pressure[None, :] <= full[:, None] * 1.005,
        full_load_pressure=full,
    )


def _duty_of_map(
    build: Build,
    draws: Draws,
    liquid: parts.Fluid,
    line: operating.Line,
    speed: FloatArray,
    pressure: FloatArray,
) -> parts.Duty:
    """Working points of the whole map, worked out some at a time."""
    at_once = max(1, BLOCK // (draws.samples + 1))
    pieces = [
        operating.part_load_duty(build, draws, liquid, line, speed[chosen], pressure[chosen])
        for first in range(0, speed.size, at_once)
        for chosen in [slice(first, first + at_once)]
    ]
    whole = {}
    for item in fields(parts.Duty):
        rows = [getattr(piece, item.name) for piece in pieces]
        whole[item.name] = rows[0] if rows[0].shape[1] == 1 else np.hstack(rows)
    return parts.Duty(**whole)


def _rows(
    build: Build,
    draws: Draws,
    duty: parts.Duty,
    solved: CircuitSolution,
    first: int,
    needs: tuple[Need, ...],
) -> dict[str, NDArray[Any]]:
    """What the envelope shows at some points of the map, from the speed numbered ``first`` on."""
    names, holds, ratios = _limits(build, draws, duty, solved)
    medians = [_median(item) for item in ratios]
    _speed_bound(needs, duty, first, names, holds, medians)
    all_hold = np.logical_and.reduce(holds)
    across_low, across, across_high = _bands(solved.across_injector)
    rail_low, rail, rail_high = _bands(solved.rail_gauge)
    lean = lambda_ratio(solved, duty.fuel_demand) * duty.wanted_lambda
    return {
        "across_injector": across,
        "across_injector_p05": across_low,
        "across_injector_p95": across_high,
        "rail_gauge": rail,
        "rail_gauge_p05": rail_low,
        "rail_gauge_p95": rail_high,
        "fuel_flow": _median(np.broadcast_to(duty.fuel_demand, across_shape(solved))),
        "duty": _median(_duty(build, draws, duty, solved)),
        "air_fuel_equivalence": _median(lean),
        "p_holds": np.mean(all_hold[1:], axis=0),
        "limiting": np.array(names)[np.argmin(np.stack(medians), axis=0)],
        "regime": np.array(REGIMES)[solved.regime[0]],
    }


def _columns(arrays: Any, chosen: slice) -> Any:
    """The same dataclass of arrays at some points only."""
    cut = {item.name: getattr(arrays, item.name) for item in fields(arrays)}
    return type(arrays)(**{k: v if v.shape[1] == 1 else v[:, chosen] for k, v in cut.items()})


def across_shape(solved: CircuitSolution) -> tuple[int, ...]:
    """(samples + 1, points) of a solution."""
    return solved.across_injector.shape


def _median(values: FloatArray) -> FloatArray:
    count = values.shape[0] - 1
    rows = _ranked(values, [(count - 1) // 2, count // 2])
    return np.asarray((rows[0] + rows[1]) / 2.0)


def _bands(values: FloatArray) -> FloatArray:
    """5, 50 and 95 % at each point."""
    count = values.shape[0] - 1
    return _ranked(values, [round(q * (count - 1)) for q in (0.05, 0.5, 0.95)])


def _ranked(values: FloatArray, ranks: list[int]) -> FloatArray:
    """Values of these ranks among the samples of each point, shape (ranks, points)."""
    # A full sort of 400 x 1600 values costs more than solving them, and samples that lie beside
    # each other are parted sooner than such that lie below each other.
    points = values[1:].T.copy()  # never a view: it is sorted in place
    points.partition(sorted(set(ranks)), axis=1)
    return np.asarray(points[:, ranks].T)


def _duty(build: Build, draws: Draws, duty: parts.Duty, solved: CircuitSolution) -> FloatArray:
    """Injector duty [-], dead time included: what the flow that is really taken needs."""
    open_flow = parts.injector_constant(build, draws) * np.sqrt(
        np.maximum(solved.across_injector, 1.0)
    )
    return solved.injector_flow / open_flow + parts.dead_share(build, draws, duty)


def _limits(
    build: Build, draws: Draws, duty: parts.Duty, solved: CircuitSolution
) -> tuple[list[str], list[NDArray[np.bool_]], list[FloatArray]]:
    """Per-point headroom of what can differ from point to point."""
    demand = np.maximum(duty.fuel_demand, LEAST_NEED)
    constant = parts.injector_constant(build, draws)
    across = np.maximum(solved.across_injector, 1.0)
    wanted_duty = duty.fuel_demand / (constant * np.sqrt(across)) + parts.dead_share(
        build, draws, duty
    )
    lost = duty.source_voltage - solved.pump_voltage
    lean = lambda_ratio(solved, duty.fuel_demand)
    rows = {
        "pump": solved.pump_flow / (demand * (1.0 + limit("pump", "least_bypass"))),
        "injectors": draws.of(build.control.duty_ceiling) / np.maximum(wanted_duty, 1e-6),
        "wiring": limit("wiring", "drop") / np.maximum(lost, 1e-6),
        # what is allowed over what there is of leanness: 1.04 over 1.00 would always look least
        "calibration": (limit("mixture", "lean") - 1.0) / np.maximum(lean - 1.0, 1e-4),
    }
    names = list(rows)
    ratios = [np.broadcast_to(item, across_shape(solved)) for item in rows.values()]
    return names, [item >= 1.0 for item in ratios], ratios


SPEED_BOUND = ("blower speed", "belt", "belt speed")


def _speed_bound(
    needs: tuple[Need, ...],
    duty: parts.Duty,
    first: int,
    names: list[str],
    holds: list[NDArray[np.bool_]],
    medians: list[FloatArray],
) -> None:
    """Parts whose load follows speed alone, or is judged at full load, count at every pressure."""
    speeds = np.unique(duty.engine_speed).size
    pressures = duty.engine_speed.size // speeds
    for need in needs:
        if need.part not in SPEED_BOUND or need.engine_speed.size == 1:
            continue
        ratio = need.ratio[:, first : first + speeds]
        names.append(need.part)
        medians.append(np.repeat(_median(ratio), pressures))
        holds.append(np.repeat(ratio >= 1.0, pressures, axis=1))


def corridor(loads: Loads) -> Corridor:
    """Predicted pressure along the full-load line, ordered by fuel flow."""
    flow = _median(loads.line.fuel_demand)
    order = np.argsort(flow)
    quantiles = (0.05, 0.5, 0.95)
    return Corridor(
        fuel_flow=flow[order],
        rail_gauge=np.quantile(loads.solution.rail_gauge[1:], quantiles, axis=0)[:, order],
        across_injector=np.quantile(loads.solution.across_injector[1:], quantiles, axis=0)[
            :, order
        ],
    )


def pump_figure(loads: Loads) -> PumpFigure:
    """Pump curves at three voltages against what the path needs at the worst full-load point."""
    flow = np.median(loads.line.fuel_demand[1:], axis=0)
    at = int(np.argmax(flow))
    point = loads.circuit.map(
        lambda array: array[:, [at]] if array.ndim == 2 and array.shape[1] > 1 else array
    )
    free = float(np.median(point.pump.flow_scale)) * point.pump.free_flow * point.pump.parallel
    flows = np.linspace(0.0, free * 1.1, CURVE_POINTS)
    nominal = float(np.median(loads.solution.pump_voltage[1:, at]))
    volts = sorted({round(nominal, 1), round(nominal - 1.5, 1), round(nominal + 1.0, 1)})
    crossings = tuple(_crossing(point, v, flows) for v in volts if v > 1.0)
    shut = np.minimum(flows, float(flow[at]))
    nominal_row = point.map(lambda array: array[:1])
    held, _ = equations.regulator_pressure(nominal_row, np.maximum(flows - shut, 0.0)[None, :])
    need = (
        held
        + equations.path_drop(point.feed, flows[None, :])[0][:1]
        + suction_drop(point, np.broadcast_to(flows, (point.pump.flow_scale.shape[0], flows.size)))[
            :1
        ]
    )
    return PumpFigure(
        crossings=crossings,
        system_flow=flows,
        system_rise=need[0],
        need_flow=float(flow[at]) * (1.0 + limit("pump", "least_bypass")),
        work_flow=float(loads.solution.pump_flow[0, at]),
        work_rise=float(loads.solution.pump_rise[0, at]),
    )


def _crossing(point: Circuit, volts: float, flows: FloatArray) -> PumpCrossing:
    """Pump rise at given flows and one voltage at its terminals, with its band."""
    rises = np.linspace(0.0, 1.0, 120)[None, :] * (
        float(point.pump.knots[-1]) * 1.6 * point.pump.pressure_scale * point.pump.series
    )
    made, _ = equations.pump_flow(point, rises, np.full((1, 1), volts), np.zeros((1, 1)))
    inverse = np.stack(
        [
            np.interp(-flows, -row, rise, left=np.nan, right=0.0)
            for row, rise in zip(made, rises, strict=True)
        ]
    )
    low, high = np.quantile(np.nan_to_num(inverse[1:]), (0.05, 0.95), axis=0)
    return PumpCrossing(volts, flows, np.nan_to_num(inverse[0]), low, high)
