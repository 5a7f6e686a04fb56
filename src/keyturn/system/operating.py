"""Where the car works: the full-load line, the map, and the states in which gauges are read."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from keyturn.build.model import Blower, Build
from keyturn.physics import air, engine
from keyturn.system import breathing
from keyturn.system.circuit import FloatArray
from keyturn.system.draws import BELT_SLIP, CHARGE_LEAK, Draws
from keyturn.system.parts import Duty, Fluid

SPEEDS = 40
PRESSURES = 40
LOWEST_SPEED = 1000.0 / 60.0  # [1/s]
LOWEST_PRESSURE = 3.0e4  # [Pa] closed throttle on the overrun
CRANKING_SPEED = 200.0 / 60.0  # [1/s] common practice, no source
CRANKING_ENRICHMENT = 0.6  # [-] lambda while cranking a cold engine; common practice, no source
LEAST_KEPT = 0.5  # [-] of speed or charge; beyond, a blower is no blower and has no match
NO_LOAD_SPEED = 2500.0 / 60.0  # [1/s] the usual raised speed in fault-finding texts


@dataclass(frozen=True)
class Line:
    """Full-load line; arrays (samples + 1, speeds)."""

    engine_speed: FloatArray  # (speeds,)
    air: breathing.BreathingLine
    fuel_demand: FloatArray
    wanted_lambda: FloatArray
    power: FloatArray
    dry_ambient: FloatArray  # (samples + 1, 1)


def gas_constant(build: Build, draws: Draws) -> FloatArray:
    """Gas constant of the moist air [J/(kg K)]."""
    temperature = draws.of(build.site.air_temperature)
    pressure = draws.of(build.site.barometer)
    humidity = np.clip(draws.of(build.site.humidity), 0.0, 1.0)
    density = np.asarray(air.humid_air_density(temperature, pressure, humidity))
    return pressure / (density * temperature)


def speeds(build: Build) -> FloatArray:
    """Engine speeds of map and full-load line [1/s]."""
    low = min(LOWEST_SPEED, 0.5 * build.engine.redline.si)
    return np.linspace(low, build.engine.redline.si, SPEEDS)


def _filling(build: Build, draws: Draws, speed: FloatArray) -> FloatArray:
    curve = build.engine.volumetric_efficiency
    return np.interp(speed, curve.x, curve.y) * draws.scale(curve)


def _source(
    build: Build, draws: Draws, speed: FloatArray
) -> breathing.BlowerSource | breathing.BoostSource | None:
    if build.blower is not None:
        part = build.blower
        return breathing.BlowerSource(
            displacement_blower=draws.of(part.displacement) * charge_kept(build, draws, speed),
            drive_ratio=drive_ratio(part, draws) * belt_kept(build, draws, speed),
            slip_speed=draws.of(part.leakage),
            built_in_ratio=np.maximum(draws.of(part.built_in_ratio), 1.0),
            mechanical_efficiency=np.minimum(draws.of(part.mechanical_efficiency), 1.0),
        )
    if build.boost is not None:
        gauge = np.interp(speed, build.boost.curve.x, build.boost.curve.y)
        ambient = draws.of(build.site.barometer)
        whole = ambient + gauge * draws.scale(build.boost.curve)
        # air comes in through the leak rather than that the pressure falls below ambient
        leaky = np.maximum(whole * charge_kept(build, draws, speed), np.minimum(whole, ambient))
        return breathing.BoostSource(
            manifold_pressure=leaky,
            isentropic_efficiency=np.minimum(draws.of(build.boost.efficiency), 1.0),
        )
    return None


def drive_ratio(part: Blower, draws: Draws) -> FloatArray:
    """Blower speed over crankshaft speed [-]."""
    return draws.of(part.crank_pulley) / draws.of(part.blower_pulley) * draws.of(part.step_up)


def belt_kept(build: Build, draws: Draws, speed: FloatArray) -> FloatArray:
    """Share of the blower's speed that a slipping belt leaves [-].

    Grows with the square of speed, as the torque of the drive and the fling of the belt do
    (engineering judgement; a real belt holds up to some speed and then lets go).
    """
    slip = draws.fault(BELT_SLIP)
    if slip is None:
        return np.ones((1, 1))
    return np.maximum(1.0 - slip * (speed / build.engine.redline.si) ** 2, LEAST_KEPT)


def charge_kept(build: Build, draws: Draws, speed: FloatArray) -> FloatArray:
    """Share of the charge that a leak leaves [-].

    An opening passes about the same at every speed while boost is the same, and what is delivered
    goes with speed: the share lost is largest at low speed.
    """
    leak = draws.fault(CHARGE_LEAK)
    if leak is None:
        return np.ones((1, 1))
    return np.maximum(1.0 - leak * 0.5 * build.engine.redline.si / speed, LEAST_KEPT)


def _cooler(build: Build, draws: Draws) -> breathing.ChargeCooler | None:
    if build.cooler is None:
        return None
    part = build.cooler
    return breathing.ChargeCooler(
        effectiveness=np.clip(draws.of(part.effectiveness), 0.0, 1.0),
        coolant_temperature=draws.of(part.coolant_temperature),
        reference_drop=draws.of(part.drop),
        reference_mass_flow=draws.of(part.at_flow),
    )


def full_load(build: Build, draws: Draws, liquid: Fluid) -> Line:
    """Engine and air source matched at every speed, with fuel demand and power."""
    speed = speeds(build)
    matched = breathing.match(
        breathing.BreathingInput(
            engine_speed=speed,
            displacement_engine=draws.of(build.engine.displacement),
            filling=_filling(build, draws, speed),
            ambient_pressure=draws.of(build.site.barometer),
            ambient_temperature=draws.of(build.site.air_temperature),
            source=_source(build, draws, speed),
            cooler=_cooler(build, draws),
            gas_constant=gas_constant(build, draws),
        )
    )
    wanted = wanted_lambda(build, draws, matched.manifold_pressure)
    ratio = draws.of(build.fuel.stoichiometric)
    demand = np.asarray(engine.fuel_demand(matched.air_flow, ratio, wanted, liquid.density))
    volume = draws.of(build.engine.displacement)
    friction = engine.power_of_mean_pressure(engine.friction_pressure(speed), volume, speed)
    burnt = engine.burnt_fuel(demand * liquid.density, matched.air_flow, ratio)
    indicated = engine.indicated_power(
        burnt, draws.of(build.fuel.heating_value), draws.of(build.engine.efficiency)
    )
    taken = matched.blower_power if build.blower is not None else 0.0 * matched.blower_power
    return Line(
        speed,
        matched,
        demand,
        wanted,
        np.asarray(engine.brake_power(indicated, friction, taken)),
        draws.of(build.site.barometer),
    )


def wanted_lambda(build: Build, draws: Draws, pressure: FloatArray) -> FloatArray:
    """Wanted air-fuel equivalence ratio at a manifold pressure [-]."""
    curve = build.mixture.curve
    return np.interp(pressure, curve.x, curve.y) * draws.scale(curve)


def full_load_duty(build: Build, draws: Draws, line: Line) -> Duty:
    """Circuit working points along the full-load line."""
    pressure = line.air.manifold_pressure
    return Duty(
        line.engine_speed[None, :],
        pressure,
        line.fuel_demand,
        line.wanted_lambda,
        draws.of(build.wiring.source_voltage),
        pressure - draws.of(build.site.barometer),
    )


def map_pressures(line: Line, build: Build) -> FloatArray:
    """Manifold pressures of the map [Pa]: from closed throttle to just above full load."""
    top = float(np.quantile(line.air.manifold_pressure.max(axis=1), 0.95))
    return np.linspace(LOWEST_PRESSURE, max(top, build.site.barometer.si) * 1.03, PRESSURES)


def part_load_duty(
    build: Build, draws: Draws, liquid: Fluid, line: Line, speed: FloatArray, pressure: FloatArray
) -> Duty:
    """Circuit working points at given speeds and manifold pressures, arrays (points,)."""
    ambient = draws.of(build.site.barometer)
    column = np.interp(speed, line.engine_speed, np.arange(line.engine_speed.size))
    low = np.clip(column.astype(np.intp), 0, line.engine_speed.size - 2)
    share = column - low
    full_pressure = _between(line.air.manifold_pressure, low, share)
    full_temperature = _between(line.air.inlet_temperature, low, share)
    temperature = breathing.part_load_temperature(
        pressure, full_pressure, full_temperature, ambient, draws.of(build.site.air_temperature)
    )
    density = engine.charge_density(pressure, temperature, gas_constant(build, draws))
    flow = engine.air_mass_flow(
        _filling(build, draws, speed), draws.of(build.engine.displacement), speed, density
    )
    wanted = wanted_lambda(build, draws, pressure)
    demand = engine.fuel_demand(flow, draws.of(build.fuel.stoichiometric), wanted, liquid.density)
    return Duty(
        speed[None, :],
        pressure[None, :],
        np.asarray(demand),
        wanted,
        draws.of(build.wiring.source_voltage),
        pressure[None, :] - ambient,
    )


def _between(values: FloatArray, low: NDArray[np.intp], share: FloatArray | float) -> FloatArray:
    return values[:, low] * (1.0 - share) + values[:, low + 1] * share


@dataclass(frozen=True)
class NamedState:
    """One state with its own conditions."""

    name: str
    engine_speed: float  # [1/s]
    manifold_pressure: float  # [Pa] nominal
    supply: str  # "resting", "cranking" or "running"
    reference_connected: bool = True


def states(build: Build, line: Line) -> tuple[NamedState, ...]:
    """The states every builder reads a gauge in."""
    ambient = build.site.barometer.si
    idle = build.engine.idle.si
    vacuum = build.engine.idle_pressure.si
    cruise = max(2.2 * idle, 0.4 * build.engine.redline.si)
    rows = [
        NamedState("key-on", 0.0, ambient, "resting"),
        NamedState("cranking", CRANKING_SPEED, 0.95 * ambient, "cranking"),
        NamedState("idle", idle, vacuum, "running"),
    ]
    if build.regulator.reference == "manifold":
        rows.append(NamedState("idle, reference hose off", idle, vacuum, "running", False))
    rows += [
        NamedState("2500 rev/min no load", NO_LOAD_SPEED, vacuum, "running"),
        NamedState("cruise", cruise, 0.65 * ambient, "running"),
    ]
    torque = np.median(line.power / line.engine_speed, axis=0)
    power = np.median(line.power, axis=0)
    for name, typed, curve in (
        ("full load, torque speed", build.engine.torque_speed, torque),
        ("full load, power speed", build.engine.power_speed, power),
    ):
        speed = typed.si if typed is not None else float(line.engine_speed[int(np.argmax(curve))])
        pressure = float(np.interp(speed, line.engine_speed, line.air.manifold_pressure[0]))
        rows.append(NamedState(name, speed, pressure, "running"))
    return tuple(rows)


def states_duty(
    build: Build, draws: Draws, liquid: Fluid, line: Line, rows: tuple[NamedState, ...]
) -> Duty:
    """Circuit working points of the states.

    At full load each sample works at its own full-load pressure, not at the nominal one.
    """
    speed = np.array([max(row.engine_speed, line.engine_speed[0]) for row in rows])
    pressure = np.array([row.manifold_pressure for row in rows])
    duty = part_load_duty(build, draws, liquid, line, speed, pressure)
    demand = np.array(duty.fuel_demand)
    wanted = np.array(np.broadcast_to(duty.wanted_lambda, demand.shape))
    manifold = np.array(np.broadcast_to(pressure, demand.shape))
    volts = np.empty_like(demand)
    supply = {
        "resting": draws.of(build.wiring.resting_voltage),
        "cranking": draws.of(build.wiring.cranking_voltage),
        "running": draws.of(build.wiring.source_voltage),
    }
    full = full_load_duty(build, draws, line)
    for number, row in enumerate(rows):
        volts[:, number] = supply[row.supply][:, 0]
        if row.name.startswith("full load"):
            for target, source in (
                (demand, full.fuel_demand),
                (wanted, full.wanted_lambda),
                (manifold, full.manifold_pressure),
            ):
                at = np.interp(row.engine_speed, line.engine_speed, np.arange(SPEEDS))
                low = min(int(at), SPEEDS - 2)
                target[:, number] = _between(source, np.array([low]), float(at) - low)[:, 0]
            continue
        # the demand was computed at the lowest speed of the line where the state turns slower
        demand[:, number] *= row.engine_speed / speed[number]
        if row.supply == "cranking":
            wanted[:, number] *= CRANKING_ENRICHMENT
            demand[:, number] /= CRANKING_ENRICHMENT
        if row.supply == "resting":
            wanted[:, number] = np.nan
    connected = np.array([row.reference_connected for row in rows])
    gauge = np.where(connected, manifold - draws.of(build.site.barometer), 0.0)
    true_speed = np.array([[row.engine_speed for row in rows]])
    return Duty(true_speed, manifold, demand, wanted, volts, gauge)
