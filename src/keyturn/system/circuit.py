"""The fuel circuit as plain arrays: what the equations and the solver work on.

tank -> suction path -> pump -> feed path -> regulator node -> rail path -> rail -> injectors
                                     |
                                     +-> regulator -> return path -> tank

With the regulator at the rail, the rail path is empty. Every array broadcasts to (samples, points):
what differs by sample has shape (samples, 1), what differs by working point (1, points).
Pressures are gauge: above the tank, which is at ambient pressure.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Line:
    """One pipe or hose, see `physics.pipe.line_coefficients`."""

    laminar_resistance: FloatArray  # [Pa s/m3]
    turbulent_coefficient: FloatArray  # [Pa s2/m6]
    reynolds_per_flow: FloatArray  # [s/m3]
    relative_roughness: FloatArray  # [-]


@dataclass(frozen=True)
class Path:
    """Losses in series: linear and quadratic shares of all parts, and the lines one by one."""

    linear: FloatArray  # [Pa s/m3]
    quadratic: FloatArray  # [Pa s2/m6]
    opening: FloatArray | None = None  # [Pa] check valves
    lines: tuple[Line, ...] = ()


@dataclass(frozen=True)
class PumpArrays:
    """One pump's curve (shared by all samples) and its scales."""

    knots: FloatArray  # [Pa] shape (m,)
    coefficients: FloatArray  # shape (m - 1, 4)
    free_flow: float  # [m3/s] of the unscaled curve at zero rise
    flow_scale: FloatArray  # [-]
    pressure_scale: FloatArray  # [-]
    reference_voltage: FloatArray  # [V]
    parallel: int
    series: int
    current_at_zero: FloatArray  # [A] of one pump at the reference voltage
    current_per_pressure: FloatArray  # [A/Pa]
    current_per_voltage: FloatArray  # [A/V]
    leak: FloatArray | None = None  # [m3/s/Pa^0.5] from the pump outlet back into the tank


@dataclass(frozen=True)
class RegulatorArrays:
    """Set point and how the valve opens."""

    opening_gauge: FloatArray  # [Pa] set point plus its reference, no bypass
    slope: FloatArray  # [Pa s/m3]
    seat: FloatArray  # [-] share of the return pressure that acts on the valve
    open_quadratic: FloatArray  # [Pa s2/m6] wide open


@dataclass(frozen=True)
class InjectorArrays:
    """Flow = min(``demand``, ``orifice`` * sqrt(pressure across))."""

    demand: FloatArray  # [m3/s] upper limit set by the control unit; huge when it does not correct
    orifice: FloatArray  # [m3/s/Pa^0.5]
    manifold_gauge: FloatArray  # [Pa]


@dataclass(frozen=True)
class Circuit:
    """Everything the equations need."""

    pump: PumpArrays
    source_voltage: FloatArray  # [V]
    wiring_resistance: FloatArray  # [ohm] loop, contacts included
    suction: Path | None
    feed: Path
    regulator: RegulatorArrays
    returns: Path
    rail: Path | None
    injector: InjectorArrays

    def shape(self) -> tuple[int, int]:
        """(samples, points) that all arrays broadcast to."""
        shapes: list[tuple[int, ...]] = []

        def note(array: FloatArray) -> FloatArray:
            shapes.append(array.shape)
            return array

        map_arrays(self, note)
        rows, columns = np.broadcast_shapes(*shapes, (1, 1))
        return rows, columns

    def map(self, change: Callable[[FloatArray], FloatArray]) -> Circuit:
        """The same circuit with ``change`` applied to every per-point array."""
        changed: Circuit = map_arrays(self, change)
        return changed


_SHARED = {"knots", "coefficients"}


def map_arrays(node: Any, change: Callable[[FloatArray], FloatArray]) -> Any:
    """Rebuild a tree of dataclasses with ``change`` applied to its per-point arrays."""
    values = {}
    for item in fields(node):
        value = getattr(node, item.name)
        if isinstance(value, np.ndarray) and item.name not in _SHARED:
            value = change(value)
        elif isinstance(value, tuple):
            value = tuple(map_arrays(line, change) for line in value)
        elif hasattr(value, "__dataclass_fields__"):
            value = map_arrays(value, change)
        values[item.name] = value
    return type(node)(**values)
