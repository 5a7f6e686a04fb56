"""Solve the fuel circuit at every sample and point, in blocks that stay in the processor's cache."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields

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

# 8192 doubles are 64 KiB, below the size at which the C library maps and unmaps memory for every
# temporary; larger blocks lose a third of the speed to page faults.
BLOCK = 8192
TOLERANCE = 5.0e-4  # [Pa] of the last step; Newton's error after it is far smaller
FINE_TOLERANCE = 1.0e-8  # [Pa] for the hard points, some of which sit on a steep injector law
INNER_TOLERANCE = 1.0e-12  # [m3/s] 4e-9 L/h
LOWEST_RISE = -2.0e5  # [Pa] the manifold cannot suck harder than this through the pump
FIRST_ROUNDS = 4
MOST_ROUNDS = 100
HARD_PASSES = 12  # inner Newton steps in each round of the hard points
LEAST_FLOW = 3.0e-9  # [m3/s] about 0.01 L/h: below this nothing flows
FLOOR_FLOW = 2.8e-7  # [m3/s] about 1 L/h: relative errors are taken against at least this
PRESSURE_CHECK = 1.0  # [Pa] allowed miss of the regulator law
BALANCE_CHECK = 1.0e-6  # of the pump flow, where the valve is shut; elsewhere it is exact

Target = tuple[slice, slice] | tuple[NDArray[np.intp], ...]


def solve(circuit: Circuit) -> CircuitSolution:
    """Solve the circuit for all (samples, points).

    Block by block with few rounds; the few hard points of all blocks are then finished together,
    so that long tails are not paid for in every block.
    Raises CannotSolve when a point does not converge or its residuals are too large.
    """
    rows, columns = circuit.shape()
    out = _empty(rows, columns)
    width = min(columns, BLOCK)
    height = max(1, BLOCK // width)
    late: list[NDArray[np.intp]] = []
    for top in range(0, rows, height):
        for left in range(0, columns, width):
            block = (slice(top, top + height), slice(left, left + width))
            shape = out.pump_rise[block].shape
            part = circuit.map(_cut(*block)).map(_flat(shape))
            open_ = np.flatnonzero(~_solve_flat(part, out, block, shape, FIRST_ROUNDS, TOLERANCE))
            at = np.unravel_index(open_, shape)
            late.append((at[0] + top) * columns + at[1] + left)
    hard = np.concatenate(late)
    for rounds, tolerance in ((FIRST_ROUNDS, TOLERANCE), (MOST_ROUNDS, FINE_TOLERANCE)):
        hard = _solve_late(circuit, out, hard, rounds, tolerance)
    if hard.size:
        raise CannotSolve("the fuel circuit did not converge", {"points": float(hard.size)})
    _check(out)
    return out


def _solve_late(
    circuit: Circuit,
    out: CircuitSolution,
    hard: NDArray[np.intp],
    most_rounds: int,
    tolerance: float,
) -> NDArray[np.intp]:
    """Go on with the points ``hard`` from where they stand; give back those still open."""
    whole = out.pump_rise.shape
    still = [hard[:0]]
    for first in range(0, hard.size, BLOCK):
        chosen = hard[first : first + BLOCK]
        at = np.unravel_index(chosen, whole)
        part = circuit.map(_pick(at, whole))
        done = _solve_flat(part, out, at, chosen.shape, most_rounds, tolerance, out.pump_rise[at])
        still.append(chosen[~done])
    return np.concatenate(still)


def _flat(shape: tuple[int, ...]) -> Callable[[FloatArray], FloatArray]:
    def flat(array: FloatArray) -> FloatArray:
        if array.size == 1:
            return array.reshape(1)
        return np.ascontiguousarray(np.broadcast_to(array, shape)).reshape(-1)

    return flat


def _pick(
    at: tuple[NDArray[np.intp], ...], shape: tuple[int, ...]
) -> Callable[[FloatArray], FloatArray]:
    def pick(array: FloatArray) -> FloatArray:
        if array.size == 1:
            return array.reshape(1)
        return np.broadcast_to(array, shape)[at]

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


def _functions(circuit: Circuit, passes: int) -> solver.Evaluate:
    def functions(rise: FloatArray, guess: FloatArray | None) -> solver.Functions:
        point = equations.evaluate(circuit, rise, guess if passes == 1 else None, passes)
        return solver.Functions(
            point.law,
            point.law_slope,
            point.shut,
            point.shut_slope,
            point.injector_flow,
            point.rail_flow_error,
        )

    return functions


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
    return (float(parts.knots[-1]) + np.maximum(tail, 0.0) + 1.0e3) * (
        parts.pressure_scale * parts.series
    )


def _solve_flat(
    circuit: Circuit,
    out: CircuitSolution,
    target: Target,
    shape: tuple[int, ...],
    most_rounds: int,
    tolerance: float,
    start: FloatArray | None = None,
) -> NDArray[np.bool_]:
    """Solve flat points, store them at ``target`` of the output, say which converged."""
    size = int(np.prod(shape))
    passes = 1 if tolerance == TOLERANCE else HARD_PASSES
    high = np.array(np.broadcast_to(_highest_rise(circuit), size))
    low = np.full(size, LOWEST_RISE)
    guess = circuit.regulator.opening_gauge * 1.05 if start is None else start
    start = np.clip(guess, LOWEST_RISE, high)

    def narrow(index: NDArray[np.intp]) -> solver.Evaluate:
        part = circuit.map(lambda array: array if array.size == 1 else array[index])
        return _functions(part, passes)

    root = solver.larger_root(
        _functions(circuit, passes),
        narrow,
        start,
        low,
        high,
        tolerance,
        INNER_TOLERANCE,
        most_rounds,
    )
    values = _values(circuit, root)
    for name, value in values.items():
        getattr(out, name)[target] = np.broadcast_to(value, size).reshape(shape)
    return root.converged & (np.abs(values["balance_residual"]) < BALANCE_CHECK)


def _values(circuit: Circuit, root: solver.Root) -> dict[str, FloatArray | NDArray[np.int8]]:
    """Evaluate once more at the root and name the regimes."""
    carried = None if circuit.rail is None else root.carried
    point = equations.evaluate(circuit, root.x, carried)
    # Where the valve is shut the bypass is a rounding error of the root: what leaves the pump is
    # what the injectors take, exactly.
    shut = point.law < -PRESSURE_CHECK
    bypass = np.where(shut, 0.0, point.bypass_flow)
    injected = np.where(shut, point.injector_flow + point.bypass_flow, point.injector_flow)
    return {
        "pump_rise": root.x,
        "pump_flow": point.pump_flow,
        "injector_flow": injected,
        "bypass_flow": bypass,
        "node_gauge": point.node_gauge,
        "rail_gauge": point.rail_gauge,
        "across_injector": point.rail_gauge - circuit.injector.manifold_gauge,
        "pump_voltage": point.voltage,
        "pump_current": equations.current(circuit, root.x, point.voltage),
        "regime": _regime(circuit, point, shut, bypass, injected),
        "iterations": root.rounds,
        # shut: the same difference before it was put into the injector flow
        "balance_residual": np.where(shut, point.bypass_flow, 0.0)
        / (np.abs(point.pump_flow) + FLOOR_FLOW),
        "pressure_residual": np.where(shut, 0.0, point.law),
    }


def _check(out: CircuitSolution) -> None:
    balance = float(np.max(np.abs(out.balance_residual)))
    pressure = float(np.max(np.abs(out.pressure_residual)))
    if not (balance < BALANCE_CHECK and pressure < PRESSURE_CHECK):
        raise CannotSolve(
            "the fuel circuit is not balanced",
            {"flow balance [-]": balance, "regulator law [Pa]": pressure},
        )


def _regime(
    circuit: Circuit,
    point: equations.Point,
    shut: NDArray[np.bool_],
    bypass: FloatArray,
    injected: FloatArray,
) -> NDArray[np.int8]:
    """Regime codes; the first that applies: no flow, dead-head, starved, limited, overrun."""
    dry = np.abs(point.pump_flow) <= LEAST_FLOW
    none = np.zeros_like(dry)
    limited = injected < circuit.injector.demand * (1.0 - 1e-6)
    limited = np.where(circuit.injector.demand >= UNLIMITED, none, limited)
    regime = np.full(dry.shape, REGULATING, dtype=np.int8)
    regime[equations.overrun(circuit, bypass) > 0.0] = OVERRUN
    regime[limited & ~shut] = INJECTOR_LIMITED
    regime[shut] = STARVED
    regime[dry & (point.voltage > 0.0)] = DEAD_HEAD
    regime[dry & (point.voltage <= 0.0)] = NO_FLOW
    return regime


UNLIMITED = 1.0  # [m3/s] demand used when the control unit does not correct for pressure
