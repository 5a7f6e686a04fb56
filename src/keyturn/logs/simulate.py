"""Simulated drives with a known truth: a healthy car, or one with a cause planted.

Speed and load follow an invented drive; pressures, flows and mixture come from the circuit of the
model at every moment, for a car drawn from the spreads of the build. The sensors add noise, a
bias, steps of their converter, and the lag of lambda. It is the same model that judges the log
later, with another draw of the car: what the model itself gets wrong is not tested here.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from keyturn.build.model import Build
from keyturn.logs.clock import rate_of
from keyturn.logs.frame import Frame, Samples
from keyturn.system import equations, operating, parts
from keyturn.system.circuit import Circuit, FloatArray
from keyturn.system.draws import BELT_SLIP, CHARGE_LEAK, Draws
from keyturn.system.headroom import lambda_ratio
from keyturn.system.solution import CircuitSolution
from keyturn.system.solve import solve

CAUSES = (
    "set point", "supply limit", "clogged filter", "wiring", "heat", "reference", "belt slip",
    "boost leak", "lean excursion", "knock retard", "gauge",
)  # fmt: skip
# causes that show under the name of what they bring about
SHOWN_AS = {"clogged filter": "supply limit"}
LAG = 0.25  # [s] of lambda: transport and probe together, common practice
COUNT_BITS = 4096.0  # steps of a 12-bit converter
NOISE = {  # 1 sigma of a row at the sensor, SI; engineering judgement
    "engine_speed": 0.2, "manifold_pressure": 800.0, "rail_gauge": 2.5e3, "duty": 0.002,
    "lambda": 0.004, "voltage": 0.03, "fuel_temperature": 0.3, "inlet_temperature": 0.3,
    "throttle": 0.002,
}  # fmt: skip
BIAS = {"rail_gauge": 2.0e3, "manifold_pressure": 600.0, "lambda": 0.004, "voltage": 0.03}
FULL_SCALE = {"rail_gauge": 7.0e5, "manifold_pressure": 3.0e5}
POWER_PER_HEAT = 0.004  # [K/s] warming of the fuel under load, engineering judgement


@dataclass(frozen=True)
class Drive:
    """A simulated log with its truth."""

    frame: Frame
    cause: str | None
    lag: float


class _Car(Draws):
    """One car drawn from the build, row 0 and row 1 alike, with a fault on request."""

    def __init__(self, build: Build, rng: np.random.Generator, faults: dict[str, float]) -> None:
        super().__init__(build, 1, rng)
        # within two sigma: a car beyond what its builder wrote down is no healthy one
        self.deviation[:] = np.clip(self.deviation[1:], -2.0, 2.0)
        self.faults = faults

    def fault(self, name: str) -> FloatArray | None:
        found = self.faults.get(name)
        return None if found is None else np.full((2, 1), found)


def drive(
    build: Build,
    cause: str | None,
    seed: int,
    minutes: float = 10.0,
    rate: float = 25.0,
    size: float = 1.0,
) -> Drive:
    """An invented drive of a car with a cause planted; ``size`` scales the cause."""
    rng = np.random.default_rng(seed)
    faults = {}
    if cause == "belt slip":
        faults[BELT_SLIP] = 0.22 * size
    if cause == "boost leak":
        faults[CHARGE_LEAK] = 0.10 * size
    car = _Car(build, rng, faults)
    time, speed, throttle, load = _course(build, minutes, rate, rng)
    truth = _truth(build, car, cause, size, time, speed, throttle, load)
    if cause == "knock retard":
        hits = _events(time, load > 0.97, rng)
        truth["knock_retard"] += hits * np.radians(5.0) * size
    if cause == "lean excursion":
        truth["lambda"] = truth["lambda"] * (1.0 + 0.13 * size * _events(time, load > 0.97, rng))
    return Drive(_sensed(truth, time, rate, cause, size, rng), cause, LAG)


def _course(
    build: Build, minutes: float, rate: float, rng: np.random.Generator
) -> tuple[Samples, Samples, Samples, Samples]:
    """Time, engine speed, throttle, and load from 0 (idle) to 1 (full load)."""
    idle, top = build.engine.idle.si, 0.95 * build.engine.redline.si
    marks = [(0.0, 0.0, 0.0), (8.0, 0.0, 0.0), (8.6, 3.5, 0.02), (10.0, idle, 0.0)]
    now = 10.0
    marks.append((now := now + 20.0, idle, 0.0))
    while now < 60.0 * minutes - 45.0:
        held, hold = rng.uniform(1.6, 2.6) * idle, rng.uniform(0.25, 0.55)
        marks.append((now := now + 3.0, held, hold))
        marks.append((now := now + rng.uniform(6.0, 14.0), held, hold))
        start = rng.uniform(0.35, 0.45) * top
        marks.append((now := now + 2.0, start, 0.5))
        marks.append((now := now + 0.5, start, 1.0))
        marks.append((now := now + rng.uniform(4.0, 7.0), top, 1.0))
        marks.append((now := now + 0.4, 0.97 * top, 0.0))
        marks.append((now := now + 6.0, 1.5 * idle, 0.0))
        if rng.random() < 0.4:
            marks.append((now := now + 2.0, idle, 0.0))
            marks.append((now := now + rng.uniform(6.0, 12.0), idle, 0.0))
    marks += [(now := now + 2.0, idle, 0.0), (now + 8.0, idle, 0.0)]
    rows = np.array(marks)
    time = np.arange(0.0, rows[-1, 0], 1.0 / rate)
    speed, load = (np.interp(time, rows[:, 0], rows[:, n]) for n in (1, 2))
    return time, speed, np.where(speed > 0.0, 0.04 + 0.96 * load**1.3, 0.0), load


def _truth(
    build: Build, car: _Car, cause: str | None, size: float, time: Samples, speed: Samples,
    throttle: Samples, load: Samples,
) -> dict[str, Samples]:  # fmt: skip
    """What is really there at every moment."""
    liquid = parts.fluid(build, car)
    line = operating.full_load(build, car, liquid)
    ambient = float(car.of(build.site.barometer)[1, 0])
    full = np.interp(speed, line.engine_speed, line.air.manifold_pressure[1])
    least = build.engine.idle_pressure.si
    standing = speed <= 0.0
    manifold = np.where(standing, ambient, least + (full - least) * load)
    heat = np.cumsum(np.where(load > 0.5, load, -0.2)) / rate_of(time) * POWER_PER_HEAT
    warm = np.clip(heat, 0.0, 12.0)
    volts, solved, duty = _circuit(build, car, cause, size, liquid, line, time, speed, manifold)
    constant = parts.injector_constant(build, car)[1]
    share = solved.injector_flow[1] / (constant * np.sqrt(np.maximum(solved.across_injector[1], 1)))
    share = share + parts.dead_share(build, car, duty)[1]
    lean = lambda_ratio(solved, duty.fuel_demand)[1] * duty.wanted_lambda[1]
    overrun = (load <= 0.0) & (speed > 1.6 * build.engine.idle.si)
    charge = np.interp(speed, line.engine_speed, line.air.inlet_temperature[1])
    outside = build.site.air_temperature.si
    return {
        "engine_speed": speed,
        "manifold_pressure": manifold,
        "rail_gauge": solved.rail_gauge[1],
        "duty": np.where(standing | overrun, 0.0, share),
        "lambda": np.where(standing, 1.0, np.where(overrun, 1.6, lean)),
        "lambda_target": np.where(standing, 1.0, duty.wanted_lambda[1]),
        "voltage": volts,
        "fuel_temperature": build.fuel.temperature.si + warm * (3.0 if cause == "heat" else 1.0),
        "inlet_temperature": outside + (charge - outside) * np.clip(load, 0.0, 1.0),
        "throttle": throttle,
        "knock_retard": np.zeros_like(time),
    }


def _circuit(
    build: Build, car: _Car, cause: str | None, size: float, liquid: parts.Fluid,
    line: operating.Line, time: Samples, speed: Samples, manifold: Samples,
) -> tuple[Samples, CircuitSolution, parts.Duty]:  # fmt: skip
    """Voltage at the pump, the circuit solved along the drive with the cause in it, its duty."""
    turning = np.maximum(speed, line.engine_speed[0])
    duty = operating.part_load_duty(build, car, liquid, line, turning, manifold)
    running = speed > operating.CRANKING_SPEED
    supply = np.where(
        running, car.of(build.wiring.source_voltage), car.of(build.wiring.resting_voltage)
    )
    gauge = np.zeros((2, 1)) if cause == "reference" else duty.reference_gauge
    duty = replace(
        duty,
        engine_speed=speed[None, :],
        fuel_demand=duty.fuel_demand * np.where(speed > 0.0, speed / turning, 0.0),
        source_voltage=supply,
        reference_gauge=gauge,
    )
    circuit = parts.circuit(build, car, liquid, duty)
    healthy = solve(circuit)
    solved = healthy
    if cause == "clogged filter":
        solved = solve(_clogged(build, car, liquid, circuit, duty, size))
    elif cause in ("set point", "supply limit", "wiring", "heat"):
        solved = solve(_broken(circuit, healthy, duty, cause, size, time))
    return solved.pump_voltage[1], solved, duty


def _broken(
    circuit: Circuit, healthy: CircuitSolution, duty: parts.Duty, cause: str, size: float,
    time: Samples,
) -> Circuit:  # fmt: skip
    """The same circuit with one thing wrong in it."""
    if cause == "set point":
        valve = circuit.regulator
        lower = valve.opening_gauge - 0.15 * size * valve.opening_gauge[:, :1]
        return replace(circuit, regulator=replace(valve, opening_gauge=lower))
    if cause == "wiring":
        return replace(circuit, wiring_resistance=circuit.wiring_resistance + 0.25 * size)
    # the share of its flow at which the pump would just meet the greatest demand
    worst = int(np.argmax(duty.fuel_demand[1]))
    just = duty.fuel_demand[1, worst] / healthy.pump_flow[1, worst]
    if cause == "supply limit":
        left = np.full((1, 1), just * (1.0 - 0.2 * size))
    else:
        # near its limit while cold; what vapour takes grows as the fuel warms
        left = just * np.linspace(1.15, 1.15 - 0.4 * size, len(time))[None, :]
    pump = replace(circuit.pump, flow_scale=circuit.pump.flow_scale * left)
    return replace(circuit, pump=pump)


def _clogged(
    build: Build, car: _Car, liquid: parts.Fluid, circuit: Circuit, duty: parts.Duty, size: float
) -> Circuit:
    """The same circuit with a filter that would take 700 kPa of what the engine needs at most."""
    flow = float(duty.fuel_demand[1].max())
    own = parts.path(tuple(part for part in build.feed if part.kind == "filter"), car, liquid)
    taken = float(equations.path_drop(own, np.full((2, 1), flow))[0][1, 0])
    more = 7.0e5 * size / taken - 1.0
    feed = replace(
        circuit.feed,
        linear=circuit.feed.linear + more * own.linear,
        quadratic=circuit.feed.quadratic + more * own.quadratic,
    )
    return replace(circuit, feed=feed)


def _events(time: Samples, where: NDArray[np.bool_], rng: np.random.Generator) -> Samples:
    """1 during an event of 0.6 to 1.2 s in every second or so of the pulls, else 0."""
    found = np.zeros_like(time)
    starts = np.flatnonzero(where & ~np.concatenate(([False], where[:-1])))
    for start in starts:
        begin = time[start] + rng.uniform(0.6, 2.0)
        found[(time >= begin) & (time < begin + rng.uniform(0.6, 1.2))] = 1.0
    return found


def _sensed(
    truth: dict[str, Samples], time: Samples, rate: float, cause: str | None, size: float,
    rng: np.random.Generator,
) -> Frame:  # fmt: skip
    """What the logger writes."""
    # the pump has not run yet in the first seconds of key-on
    read = {**truth, "rail_gauge": np.where(time < 3.0, 0.0, truth["rail_gauge"])}
    late = round(LAG * rate)
    read["lambda"] = np.concatenate((np.full(late, truth["lambda"][0]), truth["lambda"][:-late]))
    for name, noise in NOISE.items():
        bias = float(np.clip(rng.normal(0.0, 1.0), -2.0, 2.0)) * BIAS.get(name, 0.0)
        read[name] = read[name] + bias + rng.normal(0.0, noise, len(time))
    read["engine_speed"] = np.where(truth["engine_speed"] > 0.0, read["engine_speed"], 0.0)
    read["duty"] = np.where(truth["duty"] > 0.0, read["duty"], 0.0)
    read["knock_retard"] = read["knock_retard"] + np.abs(rng.normal(0, 0.005, len(time)))
    if cause == "gauge":
        read["rail_gauge"] = read["rail_gauge"] + 3.0e4 * size
    for name, full in FULL_SCALE.items():
        step = full / COUNT_BITS
        read[name] = np.round(read[name] / step) * step
    return Frame(time, read)
