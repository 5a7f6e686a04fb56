"""What every gauge would read for given unknowns: the circuit of `check` at all readings."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtr

from keyturn.build.model import Build, Part
from keyturn.errors import CannotSolve
from keyturn.evidence import observe, renewed, sensors
from keyturn.evidence.observe import Column, Observation, Plan
from keyturn.evidence.unknowns import split_feed
from keyturn.physics import fuel
from keyturn.system import equations, operating, parts
from keyturn.system.circuit import Circuit, FloatArray, Path, PumpArrays
from keyturn.system.draws import BELT_SLIP, CHARGE_LEAK, Draws
from keyturn.system.headroom import lambda_ratio
from keyturn.system.solution import CircuitSolution
from keyturn.system.solve import solve

LEAK_PRESSURE = 4.0e5  # [Pa] at which the leak in the tank is stated as a share of the pump flow
RESTRICTED = 3.0e3  # factor on the return's loss while it is squeezed
LET_GO = 6.0e5  # [Pa] a squeezed return is let go here, service procedure, turbo four, 1985: 87 psi
CAN_SHARE = 0.01  # of the return's loss is left when fuel runs into a can beside the car
SEEN = 8.0e-7  # [m3/s] about 3 L/h of returning fuel is seen
SEEN_SPREAD = 4.0e-7  # [m3/s]
SLIP_OF_EYE = 0.03  # chance that yes and no are mixed up whatever comes back
HOSE_LEAK_RATE = 3.0  # [1/min] fall of a held pressure by a whole leak in the tank
NOMINAL_GROUND = 0.4  # share of the stated loop resistance on the ground side
# A worn pump loses pressure with its flow: clearances let it slip. Engineering judgement; 0 would
# leave the pressure at which it stops delivering as new.
WORN_PRESSURE = 0.5
LEAST_RESISTANCE = 0.1  # of the stated loop resistance

# How likely a needle shakes; common practice and engineering judgement, no source.
PULSATION = 0.08  # on an undamped gauge of a healthy car
AIR_SHAKES = 0.02  # share of air in the flow at which two needles in three shake
WORN_SHAKES = 0.5  # by a pump of no flow at all; half of that at SHAKY_PUMP
SHAKY_PUMP, SHAKY_SPREAD = 0.5, 0.15  # share of flow left
BOILS = 8.0e3  # [Pa] width of the border between liquid and vapour at the inlet: light fractions
VAPOUR_LOSS = 0.4  # share of the pump's flow that vapour takes when the inlet boils

Values = dict[str, FloatArray]
LOSSES = {"belt_slip": BELT_SLIP, "charge_leak": CHARGE_LEAK}
GRID = np.linspace(0.0, 0.6, 25)[:, None]  # of a loss of boost; as far as priors.toml lets it go
Car = tuple[Draws, parts.Fluid, operating.Line]  # nominal


@dataclass(frozen=True)
class Base:
    """The nominal car at the working points of a plan; arrays (1, 1) or (1, columns)."""

    build: Build
    plan: Plan
    draws: Draws
    liquid: parts.Fluid
    duty: parts.Duty
    circuit: Circuit
    boosted: FloatArray
    held_at: FloatArray  # NaN where the regulator works by itself
    restricted: FloatArray
    kept: dict[str, FloatArray]  # manifold pressure over that without a loss, (GRID, columns)
    paths: dict[str, tuple[Path, Path]]  # feed and rail: filters, others
    groups: tuple[Group, ...] = ()  # readings with the same parts renewed; empty: none is


@dataclass(frozen=True)
class Group:
    """Readings that share what was renewed, and the car at their working points."""

    fresh: tuple[str, ...]  # unknowns as good as described
    numbers: tuple[int, ...]  # of the observations
    base: Base


def nominal(build: Build) -> Car:
    """Draws without any deviation, the fuel and the full-load line of the nominal car."""
    draws = Draws(build, 0, np.random.default_rng(0))
    liquid = parts.fluid(build, draws)
    return draws, liquid, operating.full_load(build, draws, liquid)


def base(build: Build, plan: Plan, car: Car) -> Base:
    """Everything that does not change from particle to particle."""
    said = [renewed.fresh(row.source.conditions) for row in plan.observations]
    whole = _base(build, plan, car)
    if not any(said):
        return whole
    groups = []
    for fresh in sorted(set(said)):
        numbers = tuple(number for number, own in enumerate(said) if own == fresh)
        part = observe.only(plan, numbers)
        groups.append(Group(fresh, numbers, _base(build, part, car)))
    return replace(whole, groups=tuple(groups))


def _base(build: Build, plan: Plan, car: Car) -> Base:
    draws, liquid, line = car
    columns = plan.columns or (STANDING,)
    rows = tuple(column.state for column in columns)
    duty = operating.states_duty(build, draws, liquid, line, rows)
    volts = np.array(np.broadcast_to(duty.source_voltage, (1, len(columns))))
    for number, column in enumerate(columns):
        if column.supply_voltage is not None:
            volts[0, number] = column.supply_voltage
    duty = replace(duty, source_voltage=volts)
    before, after = _split(build)
    return Base(
        build=build,
        plan=plan,
        draws=draws,
        liquid=liquid,
        duty=duty,
        circuit=parts.circuit(build, draws, liquid, duty),
        boosted=np.array([[column.boosted for column in columns]]),
        held_at=np.array(
            [[np.nan if column.held_at is None else column.held_at for column in columns]]
        ),
        restricted=np.array([[column.restricted for column in columns]]),
        kept=_kept(build, liquid, columns),
        paths={
            name: (parts.path(some[0], draws, liquid), parts.path(some[1], draws, liquid))
            for name, some in (("feed", split_feed(before)), ("rail", split_feed(after)))
        },
    )


class Losing(Draws):
    """The nominal car with one loss of boost, from none to all."""

    def __init__(self, build: Build, name: str) -> None:
        super().__init__(build, 0, np.random.default_rng(0))
        self._name = name

    def fault(self, name: str) -> FloatArray | None:
        """The loss in rising size, (GRID, 1)."""
        return GRID if name == self._name else None


def _kept(build: Build, liquid: parts.Fluid, columns: tuple[Column, ...]) -> dict[str, FloatArray]:
    """What each loss of boost leaves of the manifold pressure, engine and blower matched anew."""
    if not any(column.boosted for column in columns):
        return {}
    speed = np.array([column.state.engine_speed for column in columns])
    found = {}
    for name, fault in LOSSES.items():
        line = operating.full_load(build, Losing(build, fault), liquid)
        pressure = np.broadcast_to(line.air.manifold_pressure, (GRID.size, line.engine_speed.size))
        at = np.array([np.interp(speed, line.engine_speed, row) for row in pressure])
        found[name] = at / at[:1]
    return found


STANDING = Column(operating.NamedState("key-on", 0.0, 1.0e5, "resting"))


def _split(build: Build) -> tuple[tuple[Part, ...], tuple[Part, ...]]:
    """Feed before and behind the regulator."""
    if build.regulator.place == "tank":
        return build.feed[: build.regulator.position], build.feed[build.regulator.position :]
    return build.feed, ()


def _scaled(path: Path, factor: FloatArray) -> Path:
    """The path with all its losses multiplied; what opens a check valve stays."""
    return replace(
        path,
        linear=path.linear * factor,
        quadratic=path.quadratic * factor,
        lines=tuple(
            replace(
                line,
                laminar_resistance=line.laminar_resistance * factor,
                turbulent_coefficient=line.turbulent_coefficient * factor,
            )
            for line in path.lines
        ),
    )


def _joined(base: Base, name: str, values: Values) -> Path:
    filters, others = base.paths[name]
    first, second = _scaled(filters, values["filter"]), _scaled(others, values["line"])
    return Path(
        first.linear + second.linear,
        first.quadratic + second.quadratic,
        second.opening if first.opening is None else first.opening,
        first.lines + second.lines,
    )


@dataclass(frozen=True)
class Solved:
    circuit: Circuit
    duty: parts.Duty
    solution: CircuitSolution
    good: FloatArray  # (particles,) False where the equations gave no trustworthy answer


def _duty(base: Base, values: Values) -> parts.Duty:
    duty = base.duty
    ambient = base.build.site.barometer.si
    boost = np.where(base.boosted, values["boost"], 1.0)
    nominal_pressure = duty.manifold_pressure
    pressure = ambient + (nominal_pressure - ambient) * boost
    for name, table in base.kept.items():
        for at in np.flatnonzero(base.boosted[0]):
            pressure[:, at] *= np.interp(values[name][:, 0], GRID[:, 0], table[:, at])
    more = pressure / nominal_pressure
    return replace(
        duty,
        manifold_pressure=pressure,
        fuel_demand=duty.fuel_demand * more * values["demand"],
        reference_gauge=np.where(
            base.boosted & (duty.reference_gauge != 0.0), pressure - ambient, duty.reference_gauge
        ),
    )


def pressure_factor(values: Values) -> FloatArray:
    """Factor on the pressure axis of the pump's curve."""
    return values["pump_pressure"] * np.minimum(values["pump"], 1.0) ** WORN_PRESSURE


def vapour_share(build: Build, values: Values) -> FloatArray:
    """Share of the pump's flow that is lost to vapour in fuel hotter than stated."""
    part, ambient = build.fuel, build.site.barometer.si

    def boiling(hotter: FloatArray | float) -> FloatArray:
        pressure = fuel.vapour_pressure_at(
            part.temperature.si + hotter, part.vapour_pressure.si, part.vapour_steepness
        )
        return np.asarray(ndtr((pressure - ambient) / BOILS))

    return VAPOUR_LOSS * np.maximum(boiling(values["heat"]) - boiling(0.0), 0.0)


def air_share(build: Build, values: Values) -> FloatArray:
    """Share of the pump's flow that is no liquid."""
    return 1.0 - (1.0 - values["air"]) * (1.0 - vapour_share(build, values))


def tank_leak(pump: PumpArrays, values: Values) -> FloatArray:
    """The leak inside the tank as an orifice [m3/s/Pa^0.5]; ``pump`` as the build states it."""
    whole = pump.free_flow * pump.parallel * pump.flow_scale
    return np.asarray(values["leak"] * whole / np.sqrt(LEAK_PRESSURE))


def assemble(base: Base, values: Values) -> tuple[Circuit, parts.Duty]:
    """The circuit with the unknowns put in, (particles, columns)."""
    build, plain = base.build, base.circuit
    duty = _duty(base, values)
    regulator = build.regulator
    ratio = regulator.ratio.si if regulator.reference == "manifold" else 0.0
    opening = regulator.set.si + values["set"] + ratio * values["reference"] * duty.reference_gauge
    by_hand = ~np.isnan(base.held_at)
    opening = np.where(by_hand, base.held_at, np.maximum(opening, 1.0e3))
    squeeze = np.where(base.restricted, RESTRICTED, np.where(by_hand, CAN_SHARE, 1.0))
    pump = plain.pump
    resistance = np.maximum(
        plain.wiring_resistance + values["wiring"], LEAST_RESISTANCE * plain.wiring_resistance
    )
    factor = values["current"]
    circuit = replace(
        plain,
        pump=replace(
            pump,
            flow_scale=pump.flow_scale * values["pump"] * (1.0 - air_share(build, values)),
            pressure_scale=pump.pressure_scale * pressure_factor(values),
            current_at_zero=pump.current_at_zero * factor,
            current_per_pressure=pump.current_per_pressure * factor,
            current_per_voltage=pump.current_per_voltage * factor,
            leak=tank_leak(pump, values),
        ),
        wiring_resistance=resistance,
        suction=None if plain.suction is None else _scaled(plain.suction, values["strainer"]),
        feed=_joined(base, "feed", values),
        regulator=replace(plain.regulator, opening_gauge=opening),
        returns=_scaled(plain.returns, values["return"] * squeeze),
        rail=None if plain.rail is None else _joined(base, "rail", values),
        injector=parts.injectors(build, base.draws, duty),
    )
    return circuit, duty


def solved(base: Base, values: Values) -> Solved:
    """Solve all particles; those without a trustworthy answer are marked, not hidden."""
    circuit, duty = assemble(base, values)
    rows = next(iter(values.values())).shape[0]
    try:
        return Solved(circuit, duty, solve(circuit), np.ones(rows, dtype=bool))
    except CannotSolve:
        if rows == 1:
            easy = {name: np.median(value, keepdims=True) for name, value in values.items()}
            easy |= {name: np.ones((1, 1)) for name in ("filter", "line", "strainer", "return")}
            easy |= {"wiring": np.zeros((1, 1)), "leak": np.full((1, 1), 1e-3)}
            circuit, duty = assemble(base, easy)
            return Solved(circuit, duty, solve(circuit), np.zeros(1, dtype=bool))
    half = rows // 2
    first = solved(base, {name: value[:half] for name, value in values.items()})
    second = solved(base, {name: value[half:] for name, value in values.items()})
    names = CircuitSolution.__dataclass_fields__
    joined = CircuitSolution(
        **{
            name: np.vstack([getattr(first.solution, name), getattr(second.solution, name)])
            for name in names
        }
    )
    return Solved(circuit, _duty(base, values), joined, np.concatenate([first.good, second.good]))


def predict(base: Base, values: Values) -> FloatArray:
    """What each observation would read, (particles, observations); NaN where unsolved.

    For a yes or no it is the chance of a yes.
    """
    if base.groups:
        whole = np.empty((next(iter(values.values())).shape[0], len(base.plan.observations)))
        for group in base.groups:
            own = renewed.current(values, group.fresh)
            whole[:, list(group.numbers)] = predict(group.base, own)
        return whole
    state = solved(base, values)
    rows = next(iter(values.values())).shape[0]
    out = np.empty((rows, len(base.plan.observations)))
    for number, row in enumerate(base.plan.observations):
        out[:, number] = np.broadcast_to(_one(base, state, values, row), (rows,))
    out[~np.asarray(state.good, dtype=bool)] = np.nan
    return out


def _one(base: Base, state: Solved, values: Values, row: Observation) -> FloatArray:
    if row.kind == "gauge-zero":
        return values["gauge_offset"][:, 0]
    if row.kind == "pressure-held":
        return _held(values, row)
    assert row.column is not None
    at = row.column
    solution = state.solution

    def column(array: FloatArray) -> FloatArray:
        return np.broadcast_to(array, solution.pump_flow.shape)[:, at]

    def shown(pressure: FloatArray) -> FloatArray:
        return sensors.at_rail(values, row.source, pressure)

    found: FloatArray
    if row.kind == "rail-pressure":
        found = shown(column(solution.rail_gauge))
    elif row.kind == "return-restricted":
        found = shown(np.minimum(column(solution.rail_gauge), LET_GO))
    elif row.kind == "second-gauge":
        found = column(solution.rail_gauge)
    elif row.kind in ("before-filter", "after-filter"):
        found = shown(_at_filter(base, state, values, at, behind=row.kind == "after-filter"))
    elif row.kind == "timed-volume":
        caught = np.maximum(column(solution.bypass_flow), 0.0)
        found = caught * (row.source.conditions.duration or 30.0)
    elif row.kind == "return-flow":
        chance = ndtr((column(solution.bypass_flow) - SEEN) / SEEN_SPREAD)
        found = SLIP_OF_EYE + (1.0 - 2.0 * SLIP_OF_EYE) * chance
    elif row.kind == "needle-steady":
        found = 1.0 - _shakes(base, state, values, at)
    elif row.kind == "pump-voltage":
        found = column(solution.pump_voltage)
    elif row.kind == "pump-current":
        found = column(solution.pump_current)
    elif row.kind == "ground-drop":
        stated = base.circuit.wiring_resistance[:, 0] * NOMINAL_GROUND
        extra = values["wiring"][:, 0] * values["ground_share"][:, 0]
        found = column(solution.pump_current) * np.maximum(stated + extra, 0.0)
    elif row.kind == "manifold-pressure":
        found = column(state.duty.manifold_pressure)
    elif row.kind == "lambda":
        lean = lambda_ratio(solution, state.duty.fuel_demand) * state.duty.wanted_lambda
        found = np.minimum(column(lean), 3.0)
    else:
        raise KeyError(row.kind)
    return sensors.shifted(values, row.source, found)


def _shakes(base: Base, state: Solved, values: Values, at: int) -> FloatArray:
    """Chance that the needle shakes: any one of its causes is enough."""
    circuit, build = state.circuit, base.build
    flow = np.broadcast_to(state.solution.pump_flow, state.solution.rail_gauge.shape)[:, at]
    inlet = np.full_like(flow, build.site.barometer.si)
    if circuit.suction is not None:
        inlet = inlet - equations.path_drop(circuit.suction, flow[:, None])[0][:, 0]
    vapour = fuel.vapour_pressure_at(
        build.fuel.temperature.si + values["heat"][:, 0],
        build.fuel.vapour_pressure.si,
        build.fuel.vapour_steepness,
    )
    steady = (
        (1.0 - PULSATION)
        * np.exp(-values["air"][:, 0] / AIR_SHAKES)
        * (1.0 - values["flutter"][:, 0])
        * (1.0 - WORN_SHAKES * ndtr((SHAKY_PUMP - values["pump"][:, 0]) / SHAKY_SPREAD))
        * ndtr((inlet - vapour) / BOILS)
    )
    return np.asarray(1.0 - steady)


def _held(values: Values, row: Observation) -> FloatArray:
    """A held pressure falls at a rate that the isolated side does not share."""
    said = row.source.conditions
    rate = values["injector_leak"][:, 0]
    if said.isolated not in ("feed", "both"):
        rate = rate + values["check_leak"][:, 0] + HOSE_LEAK_RATE * values["leak"][:, 0]
    start = said.pressure_gauge or 0.0
    return np.asarray(start * np.exp(-np.minimum(rate * (said.duration or 60.0) / 60.0, 50.0)))


def _at_filter(base: Base, state: Solved, values: Values, at: int, *, behind: bool) -> FloatArray:
    """Pressure at the filter: the rail's, and back upstream over what lies between."""
    build, solution = base.build, state.solution
    kinds = [part.kind for part in build.feed]
    place = kinds.index("filter") if "filter" in kinds else len(kinds) - 1
    tank = build.regulator.place == "tank"
    pressure = solution.rail_gauge[:, at : at + 1]
    for number in range(len(kinds) - 1, place - (0 if behind else 1), -1):
        part = build.feed[number]
        flow = solution.injector_flow
        if not tank or number < build.regulator.position:
            # what leaks in the tank has left before
            flow = flow + solution.bypass_flow
        factor = values["filter"] if part.kind == "filter" else values["line"]
        path = _scaled(parts.part_path(part, base.draws, base.liquid), factor)
        pressure = pressure + equations.path_drop(path, flow[:, at : at + 1])[0]
    return np.asarray(pressure[:, 0])
