"""Answer of the fuel circuit: arrays of shape (samples, points), status by name."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from keyturn.system.circuit import FloatArray

# Codes index system.result.REGIMES.
REGULATING, STARVED, INJECTOR_LIMITED, OVERRUN, DEAD_HEAD, NO_FLOW = range(6)


@dataclass(frozen=True)
class CircuitSolution:
    """Solved circuit. Pressures are gauge [Pa], flows [m3/s]."""

    pump_rise: FloatArray
    pump_flow: FloatArray
    injector_flow: FloatArray
    bypass_flow: FloatArray
    node_gauge: FloatArray  # where the regulator sits
    rail_gauge: FloatArray
    across_injector: FloatArray
    pump_voltage: FloatArray
    pump_current: FloatArray
    regime: NDArray[np.int8]
    iterations: NDArray[np.int8]  # rounds in all
    balance_residual: FloatArray  # bypass left where the valve is shut, over the pump flow
    pressure_residual: FloatArray  # [Pa] upper bound of the miss of the regulator law, 0 when shut
