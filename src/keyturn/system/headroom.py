"""What each part must do, what it can do, and how likely it is enough.

Arrays are (samples + 1, points).

``Need`` rows are collected part by part; `judge` turns each into a verdict with its worst point.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from keyturn.build.model import Build
from keyturn.build.unstated import how_to_measure
from keyturn.physics import belt, vapour
from keyturn.system import equations, operating, parts
from keyturn.system.circuit import Circuit, FloatArray
from keyturn.system.draws import Draws
from keyturn.system.solution import CircuitSolution
from keyturn.system.thresholds import limit


@dataclass(frozen=True)
class Need:
    """Capacity against need of one part; both broadcast to (samples + 1, points)."""

    part: str
    quantity: str
    unit: str
    need: FloatArray
    has: FloatArray
    engine_speed: FloatArray  # (points,)
    manifold_pressure: FloatArray  # (points,) nominal
    keys: tuple[str, ...] = ()  # build keys that state this part's own capacity
    larger_is_better: bool = True
    hint: str = ""
    ratio: FloatArray = field(init=False)

    def __post_init__(self) -> None:
        top, bottom = (self.has, self.need) if self.larger_is_better else (self.need, self.has)
        bottom = np.maximum(bottom, 1e-12 * np.maximum(np.abs(top), 1e-30))
        object.__setattr__(self, "ratio", np.asarray(top / bottom))


@dataclass(frozen=True)
class Loads:
    """All that the parts are judged on."""

    build: Build
    draws: Draws
    liquid: parts.Fluid
    line: operating.Line
    full: parts.Duty
    circuit: Circuit  # at full load
    solution: CircuitSolution  # at full load
    idle: CircuitSolution  # states, all columns
    states: tuple[operating.NamedState, ...]
    states_duty: parts.Duty

    @property
    def pressure(self) -> FloatArray:
        """Nominal full-load manifold pressure (speeds,)."""
        nominal: FloatArray = self.line.air.manifold_pressure[0]
        return nominal

    @property
    def speed(self) -> FloatArray:
        """Speeds of the full-load line (speeds,)."""
        return self.line.engine_speed


def needs(loads: Loads) -> tuple[Need, ...]:
    """Every part of this build, in the order in which fuel and air meet it."""
    return tuple(
        row
        for group in (_supply, _electric, _paths, _pressure, _injection, _idle, _drive, _heat)
        for row in group(loads)
    )


def _supply(loads: Loads) -> Iterator[Need]:
    wanted = loads.line.fuel_demand * (1.0 + limit("pump", "least_bypass"))
    has = pump_ability(loads.circuit, loads.line.fuel_demand, wanted)
    yield Need(
        "pump",
        "flow at working pressure and voltage",
        "flow",
        wanted,
        has,
        loads.speed,
        loads.pressure,
        ("pump.",),
        hint=how_to_measure("pump.flow") or "",
    )


def pump_ability(circuit: Circuit, demand: FloatArray, wanted: FloatArray) -> FloatArray:
    """Pump flow [m3/s] at the pressure needed to pass ``wanted`` with the regulator at set."""
    bypass = wanted - demand
    held, _ = equations.regulator_pressure(circuit, bypass)
    rise = held + equations.path_drop(circuit.feed, wanted)[0] + suction_drop(circuit, wanted)
    volts, slope = equations.voltage(circuit, rise)
    flow = equations.pump_flow(circuit, rise, volts, slope)[0]
    if circuit.pump.leak is not None:  # what leaks in the tank never reaches the engine
        flow = flow - equations.orifice_flow(rise, circuit.pump.leak)[0]
    return np.maximum(flow, 0.0)


def suction_drop(circuit: Circuit, flow: FloatArray) -> FloatArray:
    """Pressure lost before the pump [Pa]."""
    if circuit.suction is None:
        return np.zeros_like(flow)
    return equations.path_drop(circuit.suction, flow)[0]


def _electric(loads: Loads) -> Iterator[Need]:
    solved, draws, wiring = loads.solution, loads.draws, loads.build.wiring
    drop = loads.circuit.source_voltage - solved.pump_voltage
    yield Need(
        "wiring",
        "voltage lost between source and pump",
        "voltage",
        drop,
        np.full_like(drop, limit("wiring", "drop")),
        loads.speed,
        loads.pressure,
        ("wiring.",),
        hint=how_to_measure("wiring.contacts") or "",
    )
    if wiring.fuse is not None:
        load = solved.pump_current
        yield Need(
            "fuse",
            "continuous current against the fuse rating",
            "current",
            load,
            draws.of(wiring.fuse) * limit("fuse", "continuous_share") + 0.0 * load,
            loads.speed,
            loads.pressure,
            ("wiring.fuse", "pump.current"),
            hint=how_to_measure("pump.current") or "",
        )
        carries = limit("fuse", "one_mm2") * (draws.of(wiring.area) / 1e-6) ** limit(
            "fuse", "power"
        )
        yield Need(
            "wire under its fuse",
            "rating of the fuse against what the wire carries before it burns",
            "current",
            draws.of(wiring.fuse) + 0.0 * load,
            carries + 0.0 * load,
            loads.speed,
            loads.pressure,
            ("wiring.fuse", "wiring.size"),
            hint=how_to_measure("wiring.size") or "",
        )


def _paths(loads: Loads) -> Iterator[Need]:
    build, draws, liquid = loads.build, loads.draws, loads.liquid
    if loads.circuit.suction is not None:
        yield _drop_need(
            loads,
            "strainer",
            suction_drop(loads.circuit, loads.solution.pump_flow),
            limit("strainer", "drop"),
            tuple(part.key for part in build.suction),
            "pressure or vacuum at the pump inlet, or a look at the strainer",
        )
    drops = {
        part.key: equations.path_drop(
            parts.part_path(part, draws, liquid), _flow_through(loads, number)
        )[0]
        for number, part in enumerate(build.feed)
    }
    lines = [part.key for part in build.feed if part.kind != "filter"]
    if lines:
        yield _drop_need(
            loads,
            "feed line",
            np.asarray(sum(drops[key] for key in lines)),
            limit("feed", "drop"),
            tuple(lines),
            "pressure at the pump outlet and at the rail at the same flow",
        )
    filters = [part.key for part in build.feed if part.kind == "filter"]
    for number, key in enumerate(filters, start=1):
        yield _drop_need(
            loads,
            "filter" if number == 1 else f"filter {number}",
            drops[key],
            limit("filter", "drop"),
            (key,),
            "pressure before and after the filter at working flow",
        )


def _flow_through(loads: Loads, position: int) -> FloatArray:
    """Flow through the feed part at ``position``: behind a tank regulator only what is injected."""
    regulator = loads.build.regulator
    if regulator.place == "tank" and position >= regulator.position:
        return loads.solution.injector_flow
    return loads.solution.pump_flow


def _drop_need(
    loads: Loads, name: str, drop: FloatArray, most: float, keys: tuple[str, ...], hint: str
) -> Need:
    return Need(
        name,
        "pressure lost at full load",
        "pressure_difference",
        drop,
        np.full_like(drop, most),
        loads.speed,
        loads.pressure,
        keys,
        hint=hint,
    )


def _pressure(loads: Loads) -> Iterator[Need]:
    """The regulator at its least demand (rise above set), and the mixture that pressure gives."""
    names = [row.name for row in loads.states]
    quiet = [names.index("key-on"), names.index("idle")]
    speed = np.array([loads.states[n].engine_speed for n in quiet])
    pressure = np.array([loads.states[n].manifold_pressure for n in quiet])
    opening = parts.opening_gauge(loads.build, loads.draws, loads.states_duty)
    opening = np.broadcast_to(opening, loads.idle.node_gauge.shape)[:, quiet]
    # the slope counts as part of the set point as long as it stays small; what lies above is rise
    rise = np.maximum(loads.idle.node_gauge[:, quiet] - opening, 0.0)
    yield Need(
        "regulator",
        "rise above the set point at the least demand",
        "pressure_difference",
        rise,
        np.full_like(rise, limit("regulator", "rise")),
        speed,
        pressure,
        ("regulator.slope", "regulator.open_drop"),
        hint="rail pressure at key-on and at idle against the set point",
    )
    if loads.build.returns:
        bypass = loads.idle.bypass_flow[:, quiet]
        back = np.maximum(_return_drop(loads, bypass), 0.0)
        yield Need(
            "return line",
            "back-pressure with the whole pump flow coming back",
            "pressure_difference",
            back,
            # the regulator stays in charge while the line takes less than it holds by itself
            np.maximum(opening - _open_drop(loads, bypass), 1.0),
            speed,
            pressure,
            tuple(part.key for part in loads.build.returns),
            hint="rail pressure at idle: higher there than at a held speed is a small return",
        )


def _return_drop(loads: Loads, bypass: FloatArray) -> FloatArray:
    return equations.path_drop(loads.circuit.returns, bypass)[0]


def _open_drop(loads: Loads, bypass: FloatArray) -> FloatArray:
    return loads.circuit.regulator.open_quadratic * bypass * np.abs(bypass)


def _injection(loads: Loads) -> Iterator[Need]:
    build, draws = loads.build, loads.draws
    constant = parts.injector_constant(build, draws)
    across = np.maximum(loads.solution.across_injector, 1.0)
    dead = parts.dead_share(build, draws, loads.full)
    duty = loads.line.fuel_demand / (constant * np.sqrt(across)) + dead
    yield Need(
        "injectors",
        "duty for the wanted mixture",
        "duty",
        duty,
        draws.of(build.control.duty_ceiling) + 0.0 * duty,
        loads.speed,
        loads.pressure,
        ("injectors.",),
        hint=how_to_measure("injectors.flow") or "",
    )
    lean = loads.line.wanted_lambda * 0.0 + lambda_ratio(loads.solution, loads.line.fuel_demand)
    yield Need(
        "calibration",
        "mixture against the wanted one at full load",
        "ratio",
        lean,
        np.full_like(lean, limit("mixture", "lean")),
        loads.speed,
        loads.pressure,
        ("control.calibrated_for", "regulator.set", "injectors.flow"),
        hint="rail pressure at full load, and what the calibration was written for",
    )


def _idle(loads: Loads) -> Iterator[Need]:
    """What the set does at its least: spread between injectors, shortest pulse."""
    build, draws = loads.build, loads.draws
    match = draws.of(build.injectors.match)
    yield Need(
        "injector set",
        "spread of flow within the set",
        "ratio",
        match,
        np.full_like(match, limit("injectors", "match")),
        loads.speed[-1:],
        loads.pressure[-1:],
        ("injectors.match",),
        hint="the flow report of the set",
    )
    idle = [row.name for row in loads.states].index("idle")
    wanted = np.broadcast_to(loads.states_duty.fuel_demand, loads.idle.pump_flow.shape)[:, [idle]]
    idle_across = np.maximum(loads.idle.across_injector[:, [idle]], 1.0)
    speed = loads.states[idle].engine_speed
    constant = parts.injector_constant(build, draws)
    pulse = wanted / (constant * np.sqrt(idle_across)) * 2.0 / speed
    yield Need(
        "injectors at idle",
        "pulse at idle against the smallest steady pulse",
        "time",
        draws.of(build.injectors.smallest_pulse) + 0.0 * pulse,
        pulse,
        np.array([speed]),
        np.array([loads.states[idle].manifold_pressure]),
        ("injectors.smallest_pulse",),
        hint="dead time and shortest steady pulse from the flow report",
    )


def lambda_ratio(solution: CircuitSolution, demand: FloatArray) -> FloatArray:
    """Mixture over wanted mixture; above 1 is leaner."""
    return demand / np.maximum(solution.injector_flow, 1e-12)


def _drive(loads: Loads) -> Iterator[Need]:
    build, draws, air = loads.build, loads.draws, loads.line.air
    if build.blower is None:
        return
    if build.blower.max_speed is not None:
        yield Need(
            "blower speed",
            "speed against its limit",
            "blower_speed",
            air.blower_speed + 0.0 * air.air_flow,
            draws.of(build.blower.max_speed) + 0.0 * air.air_flow,
            loads.speed,
            loads.pressure,
            ("blower.max_speed", "blower.crank_pulley", "blower.blower_pulley"),
            hint="pulley diameters with a calliper, the limit from the unit's plate",
        )
    if build.belt is None:
        return
    part = build.belt
    step = draws.of(build.blower.step_up)
    speed = belt.belt_speed(draws.of(build.blower.blower_pulley), air.blower_speed / step)
    able = belt.belt_power_capacity(
        draws.of(part.tension),
        np.asarray(belt.wedge_friction(draws.of(part.friction))),
        draws.of(part.wrap),
        speed,
        draws.of(part.mass),
    )
    yield Need(
        "belt",
        "power it passes before it slips",
        "power",
        air.blower_power * limit("belt", "service"),
        np.maximum(np.asarray(able), 0.0),
        loads.speed,
        loads.pressure,
        ("belt.",),
        hint=how_to_measure("belt.1.tension") or "",
    )
    yield Need(
        "belt speed",
        "belt speed against its limit",
        "belt_speed",
        np.asarray(speed) + 0.0 * air.air_flow,
        draws.of(part.max_speed) + 0.0 * air.air_flow,
        loads.speed,
        loads.pressure,
        ("belt.",),
        hint="pulley diameters with a calliper",
    )


def _heat(loads: Loads) -> Iterator[Need]:
    build, draws = loads.build, loads.draws
    boosted = build.blower is not None or build.boost is not None
    if boosted:
        ambient = draws.of(build.site.air_temperature)
        rise = np.maximum(loads.line.air.inlet_temperature - ambient, 0.1)
        yield Need(
            "cooler" if build.cooler is not None else "charge temperature",
            "temperature rise of the charge against what is left to the limit",
            "temperature_difference",
            rise,
            np.maximum(limit("cooler", "temperature") - ambient, 0.1) + 0.0 * rise,
            loads.speed,
            loads.pressure,
            ("cooler.effectiveness", "cooler.coolant_temperature"),
            hint="manifold temperature in a logged pull",
        )
    ambient_pressure = draws.of(build.site.barometer)
    losses = suction_drop(loads.circuit, loads.solution.pump_flow)
    inlet = vapour.inlet_pressure(ambient_pressure, loads.liquid.density, 0.0, losses)
    yield Need(
        "vapour at the pump",
        "pressure at the pump inlet against the fuel's vapour pressure",
        "pressure",
        loads.liquid.vapour_pressure + limit("vapour", "inlet_margin") + 0.0 * losses,
        np.asarray(inlet),
        loads.speed,
        loads.pressure,
        ("fuel.vapour_pressure", "fuel.temperature"),
        hint="fuel temperature in the tank after an hour's running",
    )
    rail = loads.solution.rail_gauge + ambient_pressure
    yield Need(
        "vapour in the rail",
        "rail pressure against the hot fuel's vapour pressure",
        "pressure",
        loads.liquid.rail_vapour_pressure + limit("vapour", "rail_margin") + 0.0 * rail,
        rail,
        loads.speed,
        loads.pressure,
        ("fuel.vapour_pressure", "fuel.rail_temperature"),
        hint="rail temperature at hot idle",
    )
