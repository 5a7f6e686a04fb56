"""Solve the fuel circuit at every sample and point, in blocks of some thousand points."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from keyturn.errors import CannotSolve
from keyturn.system import equations, solver
from keyturn.system.circuit import Circuit, FloatArray
from keyturn.system.solution import (
    DEAD_HEAD,
    INJECTOR_LIMITED,
    NO_FLOW,
    OVERRUN,
    REGULATING,
    STARVED,
    CircuitSolution,
)

BLOCK = 25600  # points: smaller ones pay more for each array call, larger ones leave the cache
LOWEST_RISE = -2.0e5  # [Pa] the manifold cannot suck harder than this through the pump
LEAST_FLOW = 3.0e-9  # [m3/s] about 0.01 L/h: below this nothing flows
FLOOR_FLOW = 2.8e-7  # [m3/s] about 1 L/h: relative errors are taken against at least this
SHUT = 1.0  # [Pa] this far below the set point the valve is called shut
PRESSURE_CHECK = (
    2.0  # [Pa] allowed miss of the regulator law; above SHUT and the miss before a step
)
BALANCE_CHECK = 1.0e-6  # of the pump flow, where the valve is shut; elsewhere it is exact
UNLIMITED = 1.0  # [m3/s] demand used when the control unit does not correct for pressure
KEPT_MEMORY = 30 * 2**20  # [byte]

Positions = NDArray[np.intp]


class Stage(NamedTuple):
    """How long and how finely to work on points before they are put aside."""

    rounds: int
    tolerance: solver.Tolerance  # [Pa], [m3/s] of the last step, taken linearly; [Pa] before it
    passes: int  # inner Newton steps in each round


MOST = 0.5  # share of the points of a block
SMALL = 4096  # points: below this a change of precision costs more than it saves
COARSE_ROUNDS = 2  # in single precision, before the first stage
EASY = Stage(2, solver.Tolerance(0.05, 1.0e-10, 0.2), 1)
HARD = Stage(100, solver.Tolerance(1.0e-8, 1.0e-12, 0.2), 12)  # some sit on a steep injector law


def solve(circuit: Circuit) -> CircuitSolution:
    """Solve the circuit for all (samples, points).

    Block by block with few rounds; the few hard points of all blocks are then finished together,
    so that long tails are not paid for in every block.
    Raises CannotSolve when a point does not converge or its residuals are too large.
    """
    _keep_memory()
    rows, columns = circuit.shape()
    out = _empty(rows, columns)
    out.iterations.fill(COARSE_ROUNDS)
    width = min(columns, BLOCK)
    height = max(1, BLOCK // width)
    late: list[Positions] = []
    for top in range(0, rows, height):
        for left in range(0, columns, width):
            block = (slice(top, top + height), slice(left, left + width))
            shape = out.pump_rise[block].shape
            first = top * columns + left  # a block is one run of flat positions
            where = np.arange(first, first + shape[0] * shape[1])
            part = circuit.map(_cut(*block)).map(_flat(shape))
            late.append(_solve_flat(part, out, where, EASY))
    hard = np.concatenate(late)
    for stage in (EASY, HARD):
        hard = _solve_late(circuit, out, hard, stage)
    if hard.size:
        raise CannotSolve("the fuel circuit did not converge", {"points": float(hard.size)})
    _check(out)
    return out


def _keep_memory() -> None:
    """Let the C library keep freed memory for the next array.

    glibc gives large freed arrays back to the kernel and pays a page fault for every 4 KiB when
    it asks again, until it has once seen a larger array being freed. None of it is touched here.
    """
    np.empty(KEPT_MEMORY // 8)


def _solve_late(
    circuit: Circuit,
    out: CircuitSolution,
    hard: Positions,
    stage: Stage,
) -> Positions:
    """Go on with the points ``hard`` from where they stand; give back those still open."""
    still = [hard[:0]]
    for first in range(0, hard.size, BLOCK):
        chosen = hard[first : first + BLOCK]
        part = circuit.map(_pick(chosen, circuit.shape()))
        start = out.pump_rise.reshape(-1)[chosen], out.injector_flow.reshape(-1)[chosen]
        still.append(_solve_flat(part, out, chosen, stage, start))
    return np.concatenate(still)


def _flat(shape: tuple[int, ...]) -> Callable[[FloatArray], FloatArray]:
    def flat(array: FloatArray) -> FloatArray:
        if array.size == 1:
            return array.reshape(1)
        return np.ascontiguousarray(np.broadcast_to(array, shape)).reshape(-1)

    return flat


def _pick(chosen: Positions, shape: tuple[int, int]) -> Callable[[FloatArray], FloatArray]:
    row, column = np.divmod(chosen, shape[1])

    def pick(array: FloatArray) -> FloatArray:
        if array.size == 1:
            return array.reshape(1)
        if array.shape == shape:
            return array.reshape(-1).take(chosen)
        return array.reshape(-1).take(row if array.shape[-1] == 1 else column)

    return pick


def _cut(row: slice, column: slice) -> Callable[[FloatArray], FloatArray]:
    def cut(array: FloatArray) -> FloatArray:
        wide = np.atleast_2d(array)
        return wide[
            row if wide.shape[0] > 1 else slice(None), column if wide.shape[1] > 1 else slice(None)
        ]

    return cut


def _empty(rows: int, columns: int) -> CircuitSolution:
    small = {"regime", "iterations"}
    return CircuitSolution(
        **{
            item.name: np.empty((rows, columns), dtype=np.int8 if item.name in small else float)
            for item in fields(CircuitSolution)
        }
    )


def _highest_rise(circuit: Circuit) -> FloatArray:
    """A rise at which the pump certainly delivers nothing: the end of its falling curve."""
    parts = circuit.pump
    last = parts.coefficients[-1]
    width = float(parts.knots[-1] - parts.knots[-2])
    end = ((last[0] * width + last[1]) * width + last[2]) * width + last[3]
    steepest = min(float((3.0 * last[0] * width + 2.0 * last[1]) * width + last[2]), -1e-30)
    mean = (end - float(last[3])) / width
    surplus = np.maximum(circuit.source_voltage / parts.reference_voltage - 1.0, 0.0)
    tail = (end + parts.free_flow * surplus) / -min(steepest, mean)
    highest: FloatArray = float(parts.knots[-1]) + np.maximum(tail, 0.0) + 1.0e3
    return highest * parts.pressure_scale * parts.series


def _solve_flat(
    circuit: Circuit,
    out: CircuitSolution,
    where: Positions,
    stage: Stage,
    start: tuple[FloatArray, FloatArray] | None = None,
) -> Positions:
    """Solve flat points, store them at ``where`` of the output, give back those still open."""
    high = np.broadcast_to(_highest_rise(circuit), where.shape)
    low = np.full(where.shape, LOWEST_RISE)
    ready = equations.prepare(circuit)
    if start is None:
        coarse = ready if where.size < SMALL else ready.coarse()
        start = _approach(_Points(coarse, out, where, 1), low, high)
    found = solver.larger_root(
        _Points(ready, out, where, stage.passes),
        np.minimum(np.maximum(start[0], LOWEST_RISE), high),
        None if circuit.rail is None else start[1],
        low,
        high,
        stage.tolerance,
        stage.rounds,
    )
    return where[~found]


def _approach(points: _Points, low: FloatArray, high: FloatArray) -> tuple[FloatArray, FloatArray]:
    """First rounds, where single precision is enough: the steps are far larger than rounding."""
    opening = points.ready.circuit.regulator.opening_gauge
    lowest, highest = low.astype(opening.dtype), high.astype(opening.dtype)
    first = np.clip(opening * 1.05, lowest, highest)
    x, guess = solver.approach(points, first, lowest, highest, COARSE_ROUNDS)
    return x.astype(np.float64), guess.astype(np.float64)


@dataclass(frozen=True)
class _Points:
    """Some points of the circuit, as the solver sees them."""

    ready: equations.Prepared
    out: CircuitSolution
    where: Positions
    passes: int

    def evaluate(self, x: FloatArray, guess: FloatArray | None) -> solver.Steps:
        hard = self.passes > 1
        point = equations.evaluate(self.ready, x, None if hard else guess, self.passes)
        return solver.Steps(
            point.law / -point.law_slope,
            equations.shut_step(self.ready.circuit, point)
            if hard
            else point.shut / -point.shut_slope,
            point.injector_flow,
            point.injector_slope,
            point.rail_flow_error,
            point.law,
            point,
        )

    def narrow(self, index: Positions) -> _Points:
        ready = self.ready.map(lambda a: a if a.size == 1 else a.take(index))
        return _Points(ready, self.out, self.where.take(index), self.passes)

    def keep(
        self,
        values: solver.Steps,
        x: FloatArray,
        step: FloatArray,
        done: NDArray[np.bool_],
        rounds: int,
    ) -> None:
        point: equations.Point = values.payload
        where, ready = self.where, self.ready
        # most are done: storing the others too, who come again, costs less than picking out
        if np.count_nonzero(done) < MOST * done.size:
            at = np.flatnonzero(done)
            done = done.take(at)
            where, x, step = where.take(at), x.take(at), step.take(at)
            chosen: tuple[Any, ...] = tuple(a if a.size == 1 else a.take(at) for a in point)
            point = equations.Point(*chosen)
            ready = ready.without_paths().map(lambda a: a if a.size == 1 else a.take(at))
        # where is sorted: a run without gaps is written as a slice
        run = where[-1] - where[0] + 1 == where.size
        target = slice(where[0], where[-1] + 1) if run else where
        for name, value in _outputs(ready, point, x, step).items():
            getattr(self.out, name).reshape(-1)[target] = value
        self.out.iterations.reshape(-1)[target] += done * np.int8(rounds)


def _outputs(
    ready: equations.Prepared, point: equations.Point, x: FloatArray, step: FloatArray
) -> dict[str, FloatArray | NDArray[np.int8]]:
    """Everything after the last small step, and the regime."""
    circuit = ready.circuit
    rise = x + step
    flow = point.pump_flow + point.pump_slope * step
    law = point.law + point.law_slope * step
    injected = point.injector_flow + point.injector_slope * step
    bypass = -(point.shut + point.shut_slope * step)
    # Where the valve is shut the bypass is a rounding error of the root: what leaves the pump is
    # what the injectors take, exactly.
    shut = law < -SHUT
    miss = np.where(shut, bypass, 0.0)
    injected += miss
    bypass -= miss
    rail = point.rail_gauge + point.rail_slope * step
    volts = np.maximum(ready.free_voltage + ready.voltage_slope * rise, 0.0)
    return {
        "pump_rise": rise,
        "pump_flow": flow,
        "injector_flow": injected,
        "bypass_flow": bypass,
        "node_gauge": point.node_gauge + point.node_slope * step,
        "rail_gauge": rail,
        "across_injector": rail - circuit.injector.manifold_gauge,
        "pump_voltage": volts,
        "pump_current": equations.current(circuit, rise, volts),
        "regime": _regime(circuit, point, shut, flow, injected, volts),
        "balance_residual": miss / (np.abs(flow) + FLOOR_FLOW),
        # before the last small step: an upper bound of what is left
        "pressure_residual": np.where(shut, 0.0, point.law),
    }


def _check(out: CircuitSolution) -> None:
    balance, pressure = _largest(out.balance_residual), _largest(out.pressure_residual)
    if not (balance < BALANCE_CHECK and pressure < PRESSURE_CHECK):
        raise CannotSolve(
            "the fuel circuit is not balanced",
            {"flow balance [-]": balance, "regulator law [Pa]": pressure},
        )


def _largest(values: FloatArray) -> float:
    """Largest magnitude, nan if there is one, without a copy of the array."""
    return max(float(np.max(values)), -float(np.min(values)))


def _regime(
    circuit: Circuit,
    point: equations.Point,
    shut: NDArray[np.bool_],
    flow: FloatArray,
    injected: FloatArray,
    volts: FloatArray,
) -> NDArray[np.int8]:
    """Regime codes; the first that applies: no flow, dead-head, starved, limited, overrun."""
    regime = np.where(point.overrun, np.int8(OVERRUN), np.int8(REGULATING))
    demand = circuit.injector.demand
    limited = (injected < demand * (1.0 - 1e-6)) & (demand < UNLIMITED) & ~shut
    regime[limited] = INJECTOR_LIMITED
    regime[shut] = STARVED
    dry = np.abs(flow) <= LEAST_FLOW
    if dry.any():
        regime[dry] = np.where(volts[dry] > 0.0, np.int8(DEAD_HEAD), np.int8(NO_FLOW))
    return regime
