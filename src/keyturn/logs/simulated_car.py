"""A car that is not there: what the model of a build would show along a drive of one step.

Middle values of the model, without noise and without spread: for trying the watch out, and for
tests. It says nothing of the car itself.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from threading import Event

import numpy as np

from keyturn.errors import Place, ValueRefused
from keyturn.logs.can_bus import Put, SourceLost
from keyturn.logs.frame import Samples
from keyturn.logs.live import Sample, steady
from keyturn.system.result import CheckResult, State

RATE = 20.0  # values a second
CYCLE = 16.0  # [s] from the lowest to the highest load of the step and back
NEAR_CAP = 0.98  # how near to the caps of the step it is driven
FAULTS = ("", "weak-pump", "silent", "lost")
SILENT_AFTER = 6.0  # [s]
WEAK = 60e3  # [Pa] that the rail has lost at the highest load of the step
STATES = {"key-on": "key-on", "idle": "idle", "held": "2500 rev/min no load"}


@dataclass(frozen=True)
class SimulatedCar:
    """Drives one step over and over, below its caps, with a planted fault if one is named."""

    result: CheckResult
    mode: str
    speed_cap: float  # [1/s]
    pressure_cap: float  # [Pa] above ambient
    fault: str = ""
    rate: float = RATE

    def __post_init__(self) -> None:
        if self.fault not in FAULTS:
            raise ValueRefused("no such fault of the simulated car", Place(key="source"),
                               self.fault, ", ".join(FAULTS[1:]))  # fmt: skip

    def run(self, put: Put, stop: Event) -> None:
        """Values at the rate of the car until it is stopped, or its fault ends them."""
        start = steady()
        count = 0
        while not stop.is_set():
            now = steady() - start
            if self.fault == "lost" and now > SILENT_AFTER:
                raise SourceLost("the simulated bus was pulled off")
            if not (self.fault == "silent" and now > SILENT_AFTER):
                put(self.at(now), steady())
            count += 1
            stop.wait(max(0.0, start + count / self.rate - steady()))

    def at(self, seconds: float) -> Sequence[Sample]:
        """Everything the car shows at a moment of the drive."""
        load = 0.5 - 0.5 * math.cos(2.0 * math.pi * seconds / CYCLE)
        if self.mode in STATES:
            values = self._standing(self._state(STATES[self.mode]))
        else:
            values = self._driven(load)
        if self.fault == "weak-pump":
            lost = WEAK * (1.0 if self.mode in STATES else load)
            values["rail_gauge"] -= lost
        return [Sample(name, value) for name, value in values.items() if math.isfinite(value)]

    def _state(self, name: str) -> State:
        return next(state for state in self.result.states if state.name == name)

    def _standing(self, state: State) -> dict[str, float]:
        return {
            "rail_gauge": state.rail_gauge.p50,
            "manifold_pressure": state.manifold_pressure,
            "engine_speed": state.engine_speed,
            "voltage": state.pump_voltage.p50,
            "lambda": state.air_fuel_equivalence.p50,
            "duty": state.duty.p50,
            "coolant_temperature": 358.15,
            "inlet_temperature": float(np.nanmin(self.result.full_load.inlet_temperature[1])),
            "knock_retard": 0.0,
            "barometer": self.result.barometer,
        }

    def _driven(self, load: float) -> dict[str, float]:
        envelope, full = self.result.envelope, self.result.full_load
        idle = self._state("idle")
        speed = idle.engine_speed + load * (NEAR_CAP * self.speed_cap - idle.engine_speed)
        top = self.result.barometer + self.pressure_cap
        # a share of what is above the idle, so that vacuum stays vacuum
        pressure = idle.manifold_pressure + NEAR_CAP * load * (top - idle.manifold_pressure)
        line = np.interp(speed, envelope.engine_speed, envelope.full_load_pressure)
        pressure = min(pressure, float(line))

        def of(values: Samples) -> float:
            return _between(envelope.engine_speed, envelope.manifold_pressure, values,
                            speed, pressure)  # fmt: skip

        hot = float(np.interp(speed, full.engine_speed, full.inlet_temperature[1]))
        cold = float(np.nanmin(full.inlet_temperature[1]))
        state = self._state("cruise")
        return {
            "rail_gauge": of(envelope.rail_gauge),
            "manifold_pressure": pressure,
            "engine_speed": speed,
            "voltage": state.pump_voltage.p50,
            "lambda": of(envelope.air_fuel_equivalence),
            "duty": of(envelope.duty),
            "coolant_temperature": 358.15,
            "inlet_temperature": cold + load * (hot - cold),
            "knock_retard": 0.0,
            "barometer": self.result.barometer,
        }


def _between(speeds: Samples, pressures: Samples, values: Samples, speed: float,
             pressure: float) -> float:  # fmt: skip
    """A map at a point between its grid lines; at its edge beyond them."""
    rows = np.array([np.interp(pressure, pressures, row) for row in values])
    return float(np.interp(speed, speeds, rows))
