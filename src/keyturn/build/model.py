"""The car as described: plain frozen data in SI, every value with its spread, grade and source."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict

Grade = Literal["measured", "datasheet", "handbook", "hearsay", "assumed"]
Law = Literal["scale", "set"]


class Plain(BaseModel):
    """Base of all build data: immutable, unknown fields refused."""

    model_config = ConfigDict(frozen=True, extra="forbid", arbitrary_types_allowed=True)


class Value(Plain):
    """One number with how well it is known.

    ``si`` is the value in the SI unit of its glossary ``quantity``. ``law`` "scale" is a positive
    scale with log-normal spread, ``spread`` relative (1 sigma); "set" is a set point with normal
    spread, ``spread`` in the SI unit (1 sigma).
    """

    si: float
    spread: float
    law: Law
    grade: Grade
    quantity: str
    key: str
    typed: str
    source: str | None = None


class Curve(Plain):
    """A table y(x), points in rising x, with one common relative spread of y (1 sigma)."""

    x: tuple[float, ...]
    y: tuple[float, ...]
    spread: float
    grade: Grade
    x_quantity: str
    y_quantity: str
    key: str
    typed: str
    source: str | None = None


class Site(Plain):
    barometer: Value  # absolute pressure; derived from altitude when only that is typed
    air_temperature: Value
    humidity: Value  # relative, 0..1


class Engine(Plain):
    displacement: Value
    cylinders: int
    idle: Value
    redline: Value
    volumetric_efficiency: Curve  # engine speed -> filling referred to manifold density
    idle_pressure: Value  # manifold absolute pressure at warm idle
    efficiency: Value  # indicated efficiency at full load, burnt fuel
    torque_speed: Value | None = None
    power_speed: Value | None = None


class Blower(Plain):
    kind: Literal["roots", "screw"]
    displacement: Value  # per revolution of the blower input shaft after step_up
    crank_pulley: Value
    blower_pulley: Value
    step_up: Value
    built_in_ratio: Value  # internal volume ratio, 1.0 for roots
    leakage: Value  # slip speed at the reference pressure difference, see physics.blower
    mechanical_efficiency: Value
    max_speed: Value | None = None


class Boost(Plain):
    curve: Curve  # engine speed -> manifold gauge pressure
    efficiency: Value  # isentropic efficiency of whatever makes it


class Cooler(Plain):
    effectiveness: Value
    coolant_temperature: Value
    drop: Value  # at ``at_flow``
    at_flow: Value  # mass flow of air


class Fuel(Plain):
    kind: str
    temperature: Value  # at the pump inlet
    rail_temperature: Value
    density: Value  # at 15 degC
    viscosity: Value  # at 20 degC
    vapour_pressure: Value  # absolute, at 37.8 degC
    stoichiometric: Value
    heating_value: Value
    ethanol: float  # volume fraction
    expansion: float  # [1/K]
    viscosity_activation: float  # [K]
    vapour_steepness: float  # [K]


class Mixture(Plain):
    curve: Curve  # manifold absolute pressure -> lambda


class Pump(Plain):
    curve: Curve  # pressure rise -> flow of ONE pump at ``at_voltage``
    pressure_scale: Value  # 1.0; spread says how well the pressure axis of the curve is known
    at_voltage: Value
    current: Curve  # pressure rise -> current of ONE pump at ``at_voltage``
    age: Value  # share of flow that is left, 1.0 = as new
    count: int
    arrangement: Literal["single", "parallel", "series"]
    single_point: bool  # True when only one flow was given and the shape is assumed


class Wiring(Plain):
    source_voltage: Value  # engine running
    resting_voltage: Value  # key on, engine off
    cranking_voltage: Value
    length: Value  # loop, there and back
    area: Value
    contacts: Value  # total resistance of contacts, relay and ground
    temperature: Value
    fuse: Value | None = None


PartKind = Literal["strainer", "hose", "tube", "fitting", "filter", "check-valve"]


class Part(Plain):
    """One part of a path. Fields that its kind does not use are None."""

    kind: PartKind
    label: str
    key: str
    count: int = 1
    diameter: Value | None = None  # inside
    length: Value | None = None
    roughness: Value | None = None
    curve_diameter: Value | None = None  # of a coiled or bent hose, centre line
    loss: Value | None = None  # fitting K on ``diameter``
    drop: Value | None = None  # at ``at_flow``
    at_flow: Value | None = None
    linear: float = 0.5  # share of ``drop`` that is linear in flow, the rest is quadratic
    opening: Value | None = None  # check valve


class Regulator(Plain):
    set: Value  # gauge, against its reference
    place: Literal["rail", "tank"]
    reference: Literal["manifold", "atmosphere"]
    ratio: Value
    slope: Value  # pressure rise per bypass flow
    open_drop: Value  # wide open, at ``open_flow``
    open_flow: Value
    position: int  # tank: number of feed parts between pump and regulator


class Injectors(Plain):
    count: int
    flow: Value  # volume flow of one, static, at ``at``
    at: Value  # pressure difference
    dead_time: Curve  # voltage -> dead time
    smallest_pulse: Value
    match: Value  # spread of flow within the set, relative


class Control(Plain):
    duty_ceiling: Value
    corrects_pressure: bool
    calibrated_pressure: Value  # pressure across the injector that the calibration assumes
    calibrated_flow: Value  # flow of one injector at that pressure


class BeltDrive(Plain):
    drives: str
    ribs: int | None
    wrap: Value  # on the driven pulley
    tension: Value  # installed, per strand
    friction: Value
    mass: Value  # per length
    max_speed: Value


class Option(Plain):
    name: str
    price: float
    hours: float
    changes: dict[str, Any]


class Prior(Plain):
    """What the user believes before any reading, in place of what the package says."""

    name: str  # of a cause, or of an unknown
    moves: Literal["cause", "spread"]
    value: float  # probability of a cause; factor on the spread of a fault
    reason: str
    key: str


class Build(Plain):
    """One car, complete: everything assumed is filled in and graded ``assumed``."""

    name: str
    version: int
    site: Site
    engine: Engine
    blower: Blower | None
    boost: Boost | None
    cooler: Cooler | None
    fuel: Fuel
    mixture: Mixture
    pump: Pump
    wiring: Wiring
    suction: tuple[Part, ...]  # feed parts before the pump
    feed: tuple[Part, ...]  # feed parts after the pump
    regulator: Regulator
    returns: tuple[Part, ...]
    injectors: Injectors
    control: Control
    belt: BeltDrive | None
    options: tuple[Option, ...]
    priors: tuple[Prior, ...] = ()
    invented: bool = False  # demo data, said on every output
    flags: tuple[str, ...] = ()  # implausible values, each with the likely slip named
    missing: tuple[str, ...] = ()  # keys that would be worth stating, each with what to measure

    def known(self) -> Iterator[Value | Curve]:
        """Every value and curve, in the order of the file."""
        yield from _walk(self)


def _walk(node: object) -> Iterator[Value | Curve]:
    if isinstance(node, (Value, Curve)):
        yield node
    elif isinstance(node, Plain):
        for name in type(node).model_fields:
            yield from _walk(getattr(node, name))
    elif isinstance(node, tuple):
        for item in node:
            yield from _walk(item)
