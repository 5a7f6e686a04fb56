"""What the model of a car says of every step of the ladder, for many samples at once."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from keyturn.build.model import Build
from keyturn.procedure.ladder import Rung
from keyturn.system import breathing, operating, parts
from keyturn.system.circuit import FloatArray
from keyturn.system.draws import Draws
from keyturn.system.headroom import lambda_ratio
from keyturn.system.operating import NO_LOAD_SPEED, Line, NamedState
from keyturn.system.solve import solve

LOADED = 0.95  # of ambient: from here on the mixture is held to its limit
STATES = {"key-on": "resting", "idle": "running", "held": "running"}


@dataclass(frozen=True)
class Point:
    """One working point of a step."""

    rung: str
    mode: str
    engine_speed: float  # [1/s]
    share: float = 0.0
    gauge: float = 0.0


@dataclass(frozen=True)
class Table:
    """Quantities at every point of the ladder, arrays (samples, points)."""

    points: tuple[Point, ...]
    manifold_pressure: FloatArray  # [Pa]
    rail_gauge: FloatArray  # [Pa]
    fall: FloatArray  # [Pa] of rail pressure below what the regulator should hold
    pump_voltage: FloatArray  # [V]
    air_fuel_equivalence: FloatArray  # lambda
    wanted: FloatArray  # lambda that is wanted
    duty: FloatArray
    inlet_temperature: FloatArray  # [K]
    should: FloatArray  # [Pa] rail pressure above that at no load, by the regulator

    def of(self, rung: str) -> list[int]:
        """Numbers of the points of a step."""
        return [number for number, point in enumerate(self.points) if point.rung == rung]

    def worst(self, rung: str, ambient: float) -> Mapping[str, FloatArray]:
        """The worst point of a step for each sample, by name of the measure."""
        at = self.of(rung)
        loaded = self.manifold_pressure[:, at] > LOADED * ambient
        lean = np.where(loaded, (self.air_fuel_equivalence - self.wanted)[:, at], 0.0)
        return {
            "rail-pressure": self.fall[:, at].max(axis=1),
            "pump-voltage": self.pump_voltage[:, at].min(axis=1),
            "lambda": lean.max(axis=1),
            "duty": self.duty[:, at].max(axis=1),
            "inlet": self.inlet_temperature[:, at].max(axis=1),
        }


def points(build: Build, rows: Sequence[Rung]) -> tuple[Point, ...]:
    """Every working point of the steps, the one without load first: the others refer to it."""
    found = [Point("L3", "held", NO_LOAD_SPEED)]
    for row in rows:
        if row.mode == "held":
            continue
        if row.mode in STATES:
            speed = 0.0 if row.mode == "key-on" else build.engine.idle.si
            found.append(Point(row.name, row.mode, speed))
            continue
        found += [
            Point(row.name, row.mode, share * build.engine.redline.si, row.share, row.gauge)
            for share in row.speeds
        ]
    return tuple(found)


def table(build: Build, draws: Draws, rows: Sequence[Rung]) -> Table:
    """The whole ladder for every sample of ``draws``, the nominal car left out."""
    liquid = parts.fluid(build, draws)
    line = operating.full_load(build, draws, liquid)
    where = points(build, rows)
    duty, inlet = _duty(build, draws, liquid, line, where)
    circuit = parts.circuit(build, draws, liquid, duty)
    solved = solve(circuit)
    shape = solved.rail_gauge.shape

    def whole(values: FloatArray) -> FloatArray:
        return np.asarray(np.broadcast_to(values, shape)[1:])

    open_flow = parts.injector_constant(build, draws) * np.sqrt(
        np.maximum(solved.across_injector, 1.0)
    )
    share = solved.injector_flow / open_flow + parts.dead_share(build, draws, duty)
    share = np.where(np.broadcast_to(duty.fuel_demand, shape) > 0.0, share, 0.0)
    mixture = lambda_ratio(solved, np.broadcast_to(duty.fuel_demand, shape)) * duty.wanted_lambda
    regulator = build.regulator
    ratio = regulator.ratio.si if regulator.reference == "manifold" else 0.0
    gauge = whole(duty.manifold_pressure) - draws.of(build.site.barometer)[1:]
    should = ratio * (gauge - gauge[:, :1])
    rail = whole(solved.rail_gauge)
    return Table(
        points=where,
        manifold_pressure=whole(duty.manifold_pressure),
        rail_gauge=rail,
        fall=rail[:, :1] + should - rail,
        pump_voltage=whole(solved.pump_voltage),
        air_fuel_equivalence=whole(mixture),
        wanted=whole(duty.wanted_lambda),
        duty=whole(share),
        inlet_temperature=whole(inlet),
        should=should,
    )


def _duty(
    build: Build, draws: Draws, liquid: parts.Fluid, line: Line, where: Sequence[Point]
) -> tuple[parts.Duty, FloatArray]:
    """Circuit working points, and the temperature of the charge there."""
    rows, temperatures, numbers = [], [], []
    air = draws.of(build.site.air_temperature)
    named = [n for n, point in enumerate(where) if point.mode in STATES]
    states = tuple(_state(build, where[n]) for n in named)
    rows.append(operating.states_duty(build, draws, liquid, line, states))
    temperatures.append(np.broadcast_to(air, (draws.samples + 1, len(named))))
    numbers += named
    loaded = [n for n, point in enumerate(where) if point.mode not in STATES]
    if loaded:
        more, hot = _loaded(build, draws, liquid, line, [where[n] for n in loaded])
        rows.append(more)
        temperatures.append(hot)
        numbers += loaded
    back = np.argsort(numbers)
    return _joined(rows, back, draws.samples + 1), np.hstack(temperatures)[:, back]


def _state(build: Build, point: Point) -> NamedState:
    pressure = build.site.barometer.si if point.mode == "key-on" else build.engine.idle_pressure.si
    name = "no load" if point.mode == "held" else point.mode
    return NamedState(name, point.engine_speed, pressure, STATES[point.mode])


def _loaded(
    build: Build, draws: Draws, liquid: parts.Fluid, line: Line, where: Sequence[Point]
) -> tuple[parts.Duty, FloatArray]:
    """Points under load: each sample at its own pressure, never above its own full load."""
    ambient = draws.of(build.site.barometer)
    air = draws.of(build.site.air_temperature)
    speed = np.array([point.engine_speed for point in where])
    full = _along(line.air.manifold_pressure, line, speed)
    hot = _along(line.air.inlet_temperature, line, speed)
    rows = [_pressure(point, ambient[:, 0], full[:, n]) for n, point in enumerate(where)]
    pressure = np.minimum(np.stack(rows, axis=1), np.maximum(full, ambient))
    temperature = breathing.part_load_temperature(pressure, full, hot, ambient, air)
    # fuel goes with the air: pressure over temperature, and with the mixture that is wanted there
    at_full = _along(line.fuel_demand, line, speed) * _along(line.wanted_lambda, line, speed)
    wanted = operating.wanted_lambda(build, draws, pressure)
    demand = at_full * (pressure / full) * (hot / temperature) / wanted
    duty = parts.Duty(
        speed[None, :], pressure, demand, wanted, draws.of(build.wiring.source_voltage),
        pressure - ambient,
    )  # fmt: skip
    return duty, np.asarray(temperature)


def _pressure(point: Point, ambient: FloatArray, full: FloatArray) -> FloatArray:
    if point.mode == "full":
        return full
    if point.mode == "capped":
        return ambient + point.gauge
    if point.mode == "share":
        return ambient + point.share * np.maximum(full - ambient, 0.0)
    return point.share * ambient


def _along(values: FloatArray, line: Line, speed: FloatArray) -> FloatArray:
    """Values of the full-load line at other speeds, (samples, speeds)."""
    column = np.interp(speed, line.engine_speed, np.arange(line.engine_speed.size))
    low = np.clip(column.astype(np.intp), 0, line.engine_speed.size - 2)
    share = column - low
    return np.asarray(values[:, low] * (1.0 - share) + values[:, low + 1] * share)


def _joined(rows: Sequence[parts.Duty], back: NDArray[np.intp], samples: int) -> parts.Duty:
    """Duties side by side, in the order of the points."""
    whole = {}
    for item in fields(parts.Duty):
        blocks = []
        for row in rows:
            width = row.manifold_pressure.shape[1]
            blocks.append(np.broadcast_to(getattr(row, item.name), (samples, width)))
        whole[item.name] = np.hstack(blocks)[:, back]
    return parts.Duty(**whole)
