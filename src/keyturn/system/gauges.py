"""What every gauge reads in every state, with the pressure after each part of the path."""

from __future__ import annotations

import numpy as np

from keyturn.build.model import Build, Part
from keyturn.system import equations, operating, parts
from keyturn.system.circuit import FloatArray
from keyturn.system.draws import Draws
from keyturn.system.headroom import lambda_ratio
from keyturn.system.result import REGIMES, State, Station
from keyturn.system.solution import CircuitSolution
from keyturn.system.verdict import band


def states(
    build: Build,
    draws: Draws,
    liquid: parts.Fluid,
    rows: tuple[operating.NamedState, ...],
    duty: parts.Duty,
    solved: CircuitSolution,
) -> tuple[State, ...]:
    """One `State` for each named state."""
    demand = np.broadcast_to(duty.fuel_demand, solved.pump_flow.shape)
    lean = lambda_ratio(solved, demand) * duty.wanted_lambda
    constant = parts.injector_constant(build, draws)
    share = solved.injector_flow / (constant * np.sqrt(np.maximum(solved.across_injector, 1.0)))
    share = share + parts.dead_share(build, draws, duty)
    # a commanded pulse can never be longer than the window
    share = np.where(demand > 0.0, np.minimum(share, 1.0), 0.0)
    found = []
    for number, row in enumerate(rows):

        def column(values: FloatArray, at: int = number) -> FloatArray:
            return np.broadcast_to(values, solved.pump_flow.shape)[1:, at]

        codes = solved.regime[1:, number]
        common = int(np.bincount(codes).argmax())
        found.append(
            State(
                name=row.name,
                engine_speed=row.engine_speed,
                manifold_pressure=row.manifold_pressure,
                rail_gauge=band(column(solved.rail_gauge)),
                across_injector=band(column(solved.across_injector)),
                pump_flow=band(column(solved.pump_flow)),
                engine_flow=band(column(solved.injector_flow)),
                return_flow=band(column(solved.bypass_flow)),
                pump_voltage=band(column(solved.pump_voltage)),
                pump_current=band(column(solved.pump_current)),
                duty=band(column(share)),
                air_fuel_equivalence=band(column(lean)),
                regime=REGIMES[common],
                regime_share=float(np.mean(codes == common)),
                stations=_stations(build, draws, liquid, solved, number),
            )
        )
    return tuple(found)


def _stations(
    build: Build, draws: Draws, liquid: parts.Fluid, solved: CircuitSolution, at: int
) -> tuple[Station, ...]:
    """Nominal gauge pressure after each part, from tank to rail."""
    pumped = solved.pump_flow[:1, at : at + 1]
    injected = solved.injector_flow[:1, at : at + 1]

    def drop(part: Part, flow: FloatArray) -> float:
        path = parts.part_path(part, draws, liquid)
        return float(equations.path_drop(path, flow)[0][0, 0])

    pressure = 0.0
    rows = [Station("tank", 0.0)]
    for part in build.suction:
        pressure -= drop(part, pumped)
        rows.append(Station(part.label, pressure))
    pressure += float(solved.pump_rise[0, at])
    rows.append(Station("pump", pressure))
    for number, part in enumerate(build.feed):
        if build.regulator.place == "tank" and number == build.regulator.position:
            rows.append(Station("regulator", pressure))
        beyond = build.regulator.place == "tank" and number >= build.regulator.position
        pressure -= drop(part, injected if beyond else pumped)
        rows.append(Station(part.label, pressure))
    if build.regulator.place == "tank" and build.regulator.position >= len(build.feed):
        rows.append(Station("regulator", pressure))
    rows.append(Station("rail", pressure))
    return tuple(rows)
