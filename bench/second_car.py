"""Drives of a second simulator, written apart from the model: no line of keyturn's physics in it.

What it shares with the model is what the builder knows: displacement, idle and redline, set point,
injectors, mixture, and the boost of the build at one speed. Everything else is its own: a blower
with clearance losses that match an engine of its own filling, a pump as a straight line, a
regulator with a droop, a belt that holds up to some speed and then lets go, an opening that passes
a fixed share of what flows at choked pressure. The driver does other things than in
`keyturn.logs.simulate`, and the logger is a worse one: 10 bits, jitter, lost rows, spikes, a lambda
probe that is late and slow. All numbers are invented.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from keyturn.build.model import Build
from keyturn.logs.frame import Frame
from keyturn.system.result import CheckResult

Samples = NDArray[np.float64]
RATE = 20.0  # rows a second
# cause: its full size here, in words and as a number
SIZES = {
    "set point": 0.12,  # of the set pressure, low
    "supply limit": 0.20,  # of the greatest demand that the pump cannot give
    "wiring": 1.9,  # V lost at the pump under load
    "heat": 0.30,  # of the pump's ability gone in the course of the drive, from just enough
    "reference": 1.0,
    "belt slip": 0.25,  # of the blower's speed at the redline
    "boost leak": 0.20,  # of the charge at half the redline
    "lean excursion": 0.12,
    "knock retard": 4.5,  # degrees
    "gauge": 3.0e4,  # Pa
}


@dataclass(frozen=True)
class Course:
    """What the driver did."""

    time: Samples  # [s]
    speed: Samples  # [1/s] of the engine
    load: Samples  # 0 idle to 1 throttle open


def drive(
    build: Build, check: CheckResult, cause: str | None, seed: int, size: float = 1.0, day: int = 0
) -> Frame:
    """A logged drive of about twelve minutes with ``cause`` planted; ``size`` scales it.

    ``seed`` is the car with its sensors; on another ``day`` the same car is driven otherwise, in
    other weather.
    """
    car, rng = np.random.default_rng((77, seed)), np.random.default_rng((78, seed, day))
    much = SIZES[cause] * size if cause else 0.0
    course = _course(build, rng, 12.0)
    truth = _air(build, check, course, cause, much, (car, rng))
    truth |= _fuel(build, course, truth, cause, much, car)
    return _logged(course, truth, cause, much, (car, rng))


def _course(build: Build, rng: np.random.Generator, minutes: float) -> Course:
    """Engine off, idle, then roads: cruising, passing in one gear, shifting, coasting, stops."""
    idle, top = build.engine.idle.si, 0.96 * build.engine.redline.si
    marks = [(0.0, 0.0, 0.0), (7.0, 0.0, 0.0), (7.7, 3.0, 0.05), (9.0, 1.3 * idle, 0.05)]
    now = 9.0
    marks += [((now := now + 6.0), idle, 0.0), ((now := now + 25.0), idle, 0.0)]
    while now < 60.0 * minutes:
        what = rng.choice(["cruise", "pass", "shift", "stop"], p=[0.4, 0.3, 0.2, 0.1])
        if what == "cruise":
            speed, load = rng.uniform(1.7, 3.0) * idle, rng.uniform(0.2, 0.5)
            marks += [((now := now + 4.0), speed, load)]
            marks += [((now := now + rng.uniform(5, 20)), speed * rng.uniform(0.98, 1.02), load)]
        elif what in ("pass", "shift"):
            start = rng.uniform(0.3, 0.45) * top
            marks += [((now := now + 3.0), start, 0.4), ((now := now + 0.4), start, 1.0)]
            marks += [((now := now + rng.uniform(3.5, 6.5)), top, 1.0)]
            if what == "shift":
                marks += [
                    ((now := now + 0.2), 0.98 * top, 0.1),
                    ((now := now + 0.4), 0.7 * top, 0.1),
                ]
                marks += [((now := now + 0.3), 0.71 * top, 1.0), ((now := now + 3.5), top, 1.0)]
            marks += [((now := now + 0.3), 0.95 * top, 0.0), ((now := now + 7.0), 1.4 * idle, 0.0)]
        else:
            marks += [
                ((now := now + 5.0), idle, 0.0),
                ((now := now + rng.uniform(8, 25)), idle, 0.0),
            ]
    marks += [((now := now + 4.0), idle, 0.0), (now + 6.0, idle, 0.0)]
    rows = np.array(marks)
    time = np.arange(0.0, rows[-1, 0], 1.0 / RATE)
    speed, load = (np.interp(time, rows[:, 0], rows[:, n]) for n in (1, 2))
    wander = np.cumsum(rng.normal(0.0, 0.01, time.size))
    wander -= np.linspace(0.0, wander[-1], time.size)
    return Course(time, np.where(speed > 0.0, speed * (1.0 + 0.01 * np.sin(wander)), 0.0), load)


def _blown(speed: Samples, top: float, drive_ratio: float, kept: Samples, leak: float) -> Samples:
    """Pressure ratio where what the blower delivers is what the engine takes, by bisection.

    Delivery falls with the pressure ratio by clearances (more at low speed), filling bends over
    speed with its best at 60 % of the redline; the charge is warmed by its compression and cooled
    back to a quarter of that.
    """
    low, high = np.full_like(speed, 0.7), np.full_like(speed, 3.5)
    share = np.maximum(speed, 0.1 * top) / top
    for _ in range(40):
        ratio = 0.5 * (low + high)
        lost = 0.035 * np.maximum(ratio - 1.0, 0.0) / np.maximum(share * kept, 0.08)
        given = drive_ratio * kept * np.clip(0.97 - lost, 0.05, 1.0)
        warm = 1.0 + 0.25 * (np.maximum(ratio, 1.0) ** 0.286 - 1.0) / 0.62
        taken = (0.80 + 0.14 * np.exp(-(((share - 0.6) / 0.45) ** 2))) * ratio / warm
        away = leak * 0.5 / share * ratio / 1.5 * drive_ratio
        more = given - away > taken
        low, high = np.where(more, ratio, low), np.where(more, high, ratio)
    return 0.5 * (low + high)


def _air(
    build: Build, check: CheckResult, course: Course, cause: str | None, much: float,
    draws: tuple[np.random.Generator, np.random.Generator],
) -> dict[str, Samples]:  # fmt: skip
    """Manifold pressure of this car: its level is what the build says, its shape is its own."""
    car, rng = draws
    top, ambient = build.engine.redline.si, check.barometer * rng.uniform(0.985, 1.01)
    whole = np.ones_like(course.speed)
    at = np.array([0.7 * top])
    full = check.full_load
    wanted = [np.interp(at, full.engine_speed, row)[0] for row in full.manifold_pressure]
    sigma = float(np.clip(car.normal(), -2.0, 2.0)) * (wanted[2] - wanted[0]) / 3.29
    aim = (wanted[1] + sigma) / check.barometer
    ratios = np.linspace(0.7, 3.0, 200)
    reached = [float(_blown(at, top, ratio, np.ones(1), 0.0)[0]) for ratio in ratios]
    own = float(np.interp(aim, reached, ratios))
    share = course.speed / top
    slip = much if cause == "belt slip" else 0.0
    # the belt holds up to 55 % of the redline
    kept = whole - slip * np.maximum(share - 0.55, 0.0) / 0.45
    leak = much if cause == "boost leak" else 0.0
    full_pressure = ambient * _blown(course.speed, top, own, kept, leak)
    if build.blower is None:
        # the builder logged his curve: another day, another sensor, a little wave in it
        logged = np.interp(course.speed, full.engine_speed, full.manifold_pressure[1])
        wave = 1.0 + 0.008 * np.sin(7.0 * share + car.uniform(0.0, 6.3))
        gone = np.clip(1.0 - leak * 0.5 / np.maximum(share, 0.2), 0.1, 1.0)
        full_pressure = np.maximum((logged + sigma) * wave * gone, 0.95 * ambient)
    vacuum = build.engine.idle_pressure.si * car.uniform(0.95, 1.08)
    # the charge is as warm as the day and the engine
    full_pressure = full_pressure * (1.0 + 0.008 * float(np.clip(rng.normal(), -2.0, 2.0)))
    part = course.load**0.8
    manifold = vacuum + (full_pressure - vacuum) * part
    return {
        "ambient": whole * ambient,
        "manifold_pressure": np.where(course.speed <= 0.0, ambient, manifold),
        "throttle": np.where(course.speed > 0.0, 0.05 + 0.95 * course.load**1.2, 0.0),
    }


def _fuel(
    build: Build, course: Course, air: dict[str, Samples], cause: str | None, much: float,
    rng: np.random.Generator,
) -> dict[str, Samples]:  # fmt: skip
    """Rail, mixture, duty and voltage of this car."""
    manifold, ambient, running = air["manifold_pressure"], air["ambient"], course.speed > 3.0
    gauge = manifold - ambient
    wanted = np.interp(manifold, build.mixture.curve.x, build.mixture.curve.y)
    filling = 0.86 + 0.05 * np.sin(course.speed / build.engine.redline.si * 3.0)
    air_flow = (
        filling * manifold / (287.0 * 318.0) * build.engine.displacement.si * course.speed / 2
    )
    fuel_part = build.fuel
    demand = air_flow / (fuel_part.stoichiometric.si * wanted) / fuel_part.density.si
    most = float(demand.max())
    part = build.regulator
    set_point = part.set.si * (1.0 + np.clip(rng.normal(), -2, 2) * 0.012)
    set_point -= part.set.si * much if cause == "set point" else 0.0
    follows = part.ratio.si if part.reference == "manifold" and cause != "reference" else 0.0
    over = rng.uniform(1.5, 2.2)  # the pump's flow at the working pressure over the greatest demand
    lacking = np.zeros_like(demand)
    if cause == "supply limit":
        over, lacking = 1.0, np.full_like(demand, much)
    if cause == "heat":
        over, lacking = 1.12, np.linspace(0.0, much, demand.size)
    volts = 13.8 - 0.25 * rng.random() - 0.3 * course.load
    volts = np.where(running, volts - (much * course.load if cause == "wiring" else 0.0), 12.3)
    reference = part.set.si + follows * gauge.max()
    ability = over * most * (1.0 - lacking) * (volts / 13.4) ** 1.3
    opening = set_point + follows * gauge
    # a straight pump: at half as much pressure again as the working one it gives a third
    able = ability * np.clip(1.0 - (opening / reference - 1.0) * 4.0 / 3.0, 0.05, 2.0)
    spare = np.maximum(able - demand, 0.0)
    regulated = opening + 8.0e3 * spare / max(most, 1e-9) / 2.0
    short = demand > able
    # starved: the pressure at which injectors held open as long take what the pump gives then
    across_wanted = np.maximum(opening - gauge, 1.0e4)
    across = across_wanted * np.minimum(able / np.maximum(demand, 1e-12), 1.0) ** 1.15
    rail = np.where(short, across + gauge, regulated)
    across = np.maximum(rail - gauge, 1.0e3)
    meant = part.set.si + (part.ratio.si if part.reference == "manifold" else 0.0) * gauge - gauge
    lean = np.sqrt(np.maximum(meant, 1e4) / across)
    constant = build.injectors.count * build.injectors.flow.si / np.sqrt(build.injectors.at.si)
    open_share = demand / (constant * np.sqrt(np.maximum(meant, 1e4)))
    dead = np.interp(volts, build.injectors.dead_time.x, build.injectors.dead_time.y)
    coasting = (course.load <= 0.0) & (course.speed > 1.6 * build.engine.idle.si)
    quiet = (course.load <= 0.0) & running
    mixture = np.where(~running, 1.0, np.where(coasting, 1.7, wanted * lean))
    return {
        "rail_gauge": np.where(course.time < 2.5, 0.0, rail),
        "lambda": np.where(quiet & ~coasting, wanted * lean, mixture),
        "lambda_target": np.where(running, wanted, 1.0),
        "duty": np.where(~running | coasting, 0.0, open_share + dead * course.speed / 2.0),
        "voltage": volts,
    }


def _logged(
    course: Course, truth: dict[str, Samples], cause: str | None, much: float,
    draws: tuple[np.random.Generator, np.random.Generator],
) -> Frame:  # fmt: skip
    """What the logger wrote of it."""
    car, rng = draws
    count = course.time.size
    read = {name: values.copy() for name, values in truth.items() if name != "ambient"}
    pulls = course.load > 0.97
    if cause == "lean excursion":
        read["lambda"] *= 1.0 + much * _bursts(course.time, pulls, rng)
    knock = np.abs(rng.normal(0.0, 0.35, count))
    if cause == "knock retard":
        knock += much * _bursts(course.time, pulls, rng)
    read["knock_retard"] = np.radians(np.round(knock / 0.35) * 0.35)
    read["lambda"] = _late(read["lambda"], round(0.18 * RATE), 0.12 * RATE)
    read["engine_speed"] = course.speed
    if cause == "gauge":
        read["rail_gauge"] += much
    noise = {
        "engine_speed": 0.25, "manifold_pressure": 900.0, "rail_gauge": 3.5e3, "lambda": 0.006,
        "voltage": 0.05, "throttle": 0.004, "duty": 0.003,
    }  # fmt: skip
    bias = {"rail_gauge": 2.5e3, "manifold_pressure": 900.0, "lambda": 0.006}
    for name, size in noise.items():
        off = float(np.clip(car.normal(), -2.0, 2.0)) * bias.get(name, 0.0)
        live = read[name] > 0.0 if name in ("engine_speed", "duty") else np.ones(count, dtype=bool)
        read[name] = read[name] + np.where(live, off + rng.normal(0.0, size, count), 0.0)
    for name, full in (("rail_gauge", 1.0e6), ("manifold_pressure", 3.0e5), ("throttle", 1.1)):
        step = full / 1024.0  # ten bits
        read[name] = np.round(read[name] / step) * step
    for name in ("rail_gauge", "manifold_pressure"):
        spikes = rng.random(count) < 2e-4
        read[name] = read[name] + np.where(spikes, rng.normal(0.0, 4e4, count), 0.0)
    # rows that the logger lost, one by one and once for some seconds
    kept = rng.random(count) > 0.005
    hole = int(rng.uniform(0.3, 0.9) * count)
    kept[hole : hole + round(3.0 * RATE)] = False
    jitter = rng.uniform(-0.2, 0.2, count) / RATE
    jitter[0] = 0.0
    return Frame((course.time + jitter)[kept], {name: v[kept] for name, v in read.items()})


def _late(values: Samples, rows: int, slow: float) -> Samples:
    """Late by some rows and then followed as a first-order probe does."""
    late = np.concatenate((np.full(rows, values[0]), values[:-rows]))
    found, keep = np.empty_like(late), np.exp(-1.0 / slow)
    state = late[0]
    for number, value in enumerate(late):
        state = keep * state + (1.0 - keep) * value
        found[number] = state
    return found


def _bursts(time: Samples, where: NDArray[np.bool_], rng: np.random.Generator) -> Samples:
    """1 for about a second in most pulls, else 0."""
    found = np.zeros_like(time)
    for start in np.flatnonzero(where & ~np.concatenate(([False], where[:-1]))):
        if rng.random() < 0.8:
            begin = time[start] + rng.uniform(0.8, 2.0)
            found[(time >= begin) & (time < begin + rng.uniform(0.7, 1.3)) & where] = 1.0
    return found
