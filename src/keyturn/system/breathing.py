"""Engine and whatever feeds it with air, matched at every speed.

All arrays broadcast to (samples, speeds): parameters (samples, 1), ``engine_speed`` (speeds,).
Full load: throttle wide open, blower bypass closed.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from keyturn.errors import CannotSolve, DomainError
from keyturn.physics import Array, blower, cooler, engine

FloatArray = NDArray[np.float64]

TOLERANCE = 1e-9  # relative mass balance; float noise is 1e-13, spread of inputs 1e-2
MOST_RATIO = 6.0  # no single-stage blower of a car reaches it: beyond, there is no match
MOST_STEPS = 60


@dataclass(frozen=True)
class BlowerSource:
    """Positive-displacement blower driven by the crankshaft."""

    displacement_blower: Array  # [m3] per blower revolution
    drive_ratio: Array  # blower speed over crankshaft speed
    slip_speed: Array  # [1/s] at the reference duty of physics.blower
    built_in_ratio: Array  # internal volume ratio, 1.0 for roots
    mechanical_efficiency: Array


@dataclass(frozen=True)
class BoostSource:
    """Only the boost is known: a measured or wanted curve; a turbocharger, for instance."""

    manifold_pressure: Array  # [Pa] absolute, behind the cooler
    isentropic_efficiency: Array
    mechanical_efficiency: Array = 1.0


@dataclass(frozen=True)
class ChargeCooler:
    effectiveness: Array
    coolant_temperature: Array  # [K]
    reference_drop: Array = 0.0  # [Pa]
    reference_mass_flow: Array = 1.0  # [kg/s]
    reference_density: Array = cooler.REFERENCE_DENSITY  # [kg/m3]


@dataclass(frozen=True)
class BreathingInput:
    engine_speed: Array  # [1/s]
    displacement_engine: Array  # [m3]
    filling: Array  # volumetric efficiency referred to manifold density
    ambient_pressure: Array  # [Pa]
    ambient_temperature: Array  # [K]
    source: BlowerSource | BoostSource | None = None
    cooler: ChargeCooler | None = None
    inlet_loss: Array = 0.0  # share of ambient pressure lost in filter and intake pipe
    gas_constant: Array = blower.GAS_CONSTANT  # [J/(kg K)]


@dataclass(frozen=True)
class BreathingLine:
    """The full-load line; every array has the common shape of the inputs."""

    manifold_pressure: FloatArray  # [Pa] absolute
    inlet_temperature: FloatArray  # [K] in the manifold
    air_flow: FloatArray  # [kg/s]
    blower_outlet_temperature: FloatArray  # [K]
    blower_power: FloatArray  # [W] at the shaft; a turbocharger takes it from the exhaust
    blower_speed: FloatArray  # [1/s], zero without a blower
    cooler_heat: FloatArray  # [W]
    cooler_drop: FloatArray  # [Pa]
    residual: FloatArray  # relative mass balance


@dataclass(frozen=True)
class _Air:
    """What the blower, the cooler and the engine do at a supposed blower outlet pressure."""

    air_flow: FloatArray
    outlet_temperature: FloatArray
    inlet_temperature: FloatArray
    power: FloatArray
    drop: FloatArray
    manifold_pressure: FloatArray
    residual: FloatArray


def match(given: BreathingInput) -> BreathingLine:
    """Match engine and air source at every speed; ``CannotSolve`` where there is no match."""
    _refuse_nonsense(given)
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        if isinstance(given.source, BlowerSource):
            return _match_blower(given, given.source)
        if isinstance(given.source, BoostSource):
            return _match_boost(given, given.source)
        return _match_atmosphere(given)


def part_load_temperature(
    manifold_pressure: Array,
    full_load_pressure: Array,
    full_load_temperature: Array,
    ambient_pressure: Array,
    ambient_temperature: Array,
) -> FloatArray:
    """Manifold temperature [K] below full load, at the same speed.

    Linear in manifold pressure between ambient and the full-load line, clipped at both ends. At
    ambient pressure the bypass is open and the blower does nearly no work; at full load the match
    is known; between, the work of back-flow is itself linear in pressure. Below ambient a
    throttle does not cool a perfect gas. Heat soak of the manifold is left out.
    """
    span = np.maximum(np.asarray(full_load_pressure - ambient_pressure), 1.0)
    share = np.clip((manifold_pressure - ambient_pressure) / span, 0.0, 1.0)
    return np.asarray(ambient_temperature + share * (full_load_temperature - ambient_temperature))


def _refuse_nonsense(given: BreathingInput) -> None:
    for name in ("engine_speed", "displacement_engine", "filling", "ambient_pressure"):
        if not np.all(np.asarray(getattr(given, name)) > 0.0):
            raise DomainError(f"{name} has to be above zero everywhere")
    if not np.all((np.asarray(given.inlet_loss) >= 0.0) & (np.asarray(given.inlet_loss) < 1.0)):
        raise DomainError("inlet_loss has to be from 0 to below 1")


def _swallowed_constant(given: BreathingInput) -> FloatArray:
    """Engine air flow per manifold pressure over temperature [kg K/(s Pa)]."""
    flow = engine.swallowed_flow(given.filling, given.displacement_engine, given.engine_speed)
    return np.asarray(flow / given.gas_constant)


def _specific_heat(given: BreathingInput) -> Array:
    """That of this gas [J/(kg K)], so that moist air keeps the same temperature rise."""
    return given.gas_constant * blower.HEAT_RATIO / (blower.HEAT_RATIO - 1.0)


def _match_blower(given: BreathingInput, source: BlowerSource) -> BreathingLine:
    inlet = given.ambient_pressure * (1.0 - given.inlet_loss)
    speed = np.asarray(blower.blower_speed(given.engine_speed, source.drive_ratio))

    def at(ratio: FloatArray) -> _Air:
        return _blower_air(given, source, inlet, speed, ratio)

    ratio = smallest_root(lambda r: at(r).residual, _ratio_without_drop(given, source, inlet))
    air = at(ratio)
    sound = (air.air_flow > 0.0) & (air.manifold_pressure > 0.0) & (ratio <= MOST_RATIO)
    _refuse_unsolved(air.residual, sound, ratio)
    return _line(given, air, np.asarray(speed))


def _blower_air(
    given: BreathingInput, source: BlowerSource, inlet: Array, speed: Array, ratio: FloatArray
) -> _Air:
    """Everything is explicit in the ratio across the blower: delivery, work, drop, what is drawn.

    The residual is delivered less drawn, times manifold temperature, so that it stays smooth
    where a slow blower delivers nothing and its outlet temperature runs away.
    """
    air_temperature = given.ambient_temperature
    efficiency = blower.volumetric_efficiency(
        ratio, speed, source.slip_speed, inlet, air_temperature
    )
    flow = np.asarray(
        blower.delivered_mass_flow(
            source.displacement_blower,
            speed,
            efficiency,
            inlet,
            air_temperature,
            given.gas_constant,
        )
    )
    power = blower.compression_power(
        source.displacement_blower, speed, inlet, ratio, source.built_in_ratio
    )
    heat = _specific_heat(given)
    carried = np.asarray(flow * air_temperature + power / heat)  # flow times outlet temperature
    cooled, drop = carried, np.zeros_like(carried)
    if given.cooler is not None:
        part = given.cooler
        cooled = carried - part.effectiveness * (carried - flow * part.coolant_temperature)
        share = flow * carried / np.square(part.reference_mass_flow)  # flow^2 times temperature
        drop = np.asarray(
            part.reference_drop
            * share
            * part.reference_density
            * (given.gas_constant / (ratio * inlet))
        )
    manifold = np.asarray(ratio * inlet - drop)
    swallowed = _swallowed_constant(given)
    return _Air(
        air_flow=flow,
        outlet_temperature=carried / flow,
        inlet_temperature=cooled / flow,
        power=np.asarray(power / source.mechanical_efficiency),
        drop=drop,
        manifold_pressure=manifold,
        residual=np.asarray(cooled / (swallowed * ratio * inlet) - manifold / (ratio * inlet)),
    )


def _ratio_without_drop(given: BreathingInput, source: BlowerSource, inlet: Array) -> FloatArray:
    """Closed form for a cooler without pressure drop: a lower bound of the ratio.

    With s the signed square root of (ratio - 1), delivery is linear and work quadratic in s, so
    the balance is a x^2 + b x + c = 0; its smaller root is the match.
    """
    speed = given.engine_speed * source.drive_ratio
    displaced = source.displacement_blower * speed
    drawn = engine.swallowed_flow(given.filling, given.displacement_engine, given.engine_speed)
    kappa = (blower.HEAT_RATIO - 1.0) / blower.HEAT_RATIO
    warm: Array = 1.0
    cold: Array = 0.0
    if given.cooler is not None:
        warm = 1.0 - given.cooler.effectiveness
        cold = (
            given.cooler.effectiveness
            * given.cooler.coolant_temperature
            / given.ambient_temperature
        )
    leak = 1.0 - blower.volumetric_efficiency(
        2.0, speed, source.slip_speed, inlet, given.ambient_temperature
    )
    idle_work = kappa * blower.cycle_work(1.0, source.built_in_ratio)
    constant = np.asarray((warm + cold) + warm * idle_work - drawn / displaced)
    linear = -(warm + cold) * leak
    square = warm * kappa / source.built_in_ratio - drawn / displaced
    # below ratio 1 s is negative and the square term changes sign
    signed = np.where(constant < 0.0, -square, square)
    root = np.sqrt(np.maximum(linear * linear - 4.0 * signed * constant, 0.0))
    s = 2.0 * constant / (-linear + root)
    return np.asarray(np.clip(1.0 + s * np.abs(s), 0.05, MOST_RATIO))


def smallest_root(function: Callable[[FloatArray], FloatArray], start: FloatArray) -> FloatArray:
    """First sign change of ``function`` at or above ``start``, element by element.

    ``start`` is a lower bound that may be the root itself. The bracket is widened upwards in
    growing steps, then closed by the Illinois form of regula falsi. An element that never changes
    sign ends at the upper limit, where its residual tells.
    """
    low = start * (1.0 - 1e-6)
    high = start * (1.0 + 1e-6)
    at_low, at_high = function(low), function(high)
    step = 0.02
    while np.any(open_ := (at_high > 0.0) & (high < MOST_RATIO)):
        low, at_low = np.where(open_, high, low), np.where(open_, at_high, at_low)
        high = np.where(open_, np.minimum(high * (1.0 + step), MOST_RATIO), high)
        at_high = function(high)
        step *= 1.6
    for _ in range(MOST_STEPS):
        flat = at_low == at_high
        point = high - at_high * (high - low) / np.where(flat, 1.0, at_high - at_low)
        value = function(point)
        crossed = (value > 0.0) != (at_high > 0.0)
        low = np.where(crossed, high, low)
        at_low = np.where(crossed, at_high, 0.5 * at_low)
        high, at_high = point, value
        if np.all(np.abs(value) <= 0.01 * TOLERANCE):
            break
    return high


def _match_boost(given: BreathingInput, source: BoostSource) -> BreathingLine:
    """The manifold pressure is given; drop and temperature follow by a strong contraction."""
    inlet = given.ambient_pressure * (1.0 - given.inlet_loss)
    swallowed = _swallowed_constant(given)
    shape = np.broadcast_shapes(
        np.shape(swallowed), np.shape(source.manifold_pressure), np.shape(inlet)
    )
    manifold = np.broadcast_to(np.asarray(source.manifold_pressure, dtype=np.float64), shape)
    drop: FloatArray = np.zeros(shape)
    change: FloatArray = np.zeros(shape)
    for _ in range(MOST_STEPS):
        outlet = blower.compressor_outlet_temperature(
            given.ambient_temperature, (manifold + drop) / inlet, source.isentropic_efficiency
        )
        cooled, flow = _cooled(given, swallowed, manifold, outlet)
        wanted = _drop(given, flow, manifold + drop, outlet)
        change, drop = np.abs(wanted - drop) / manifold, wanted
        if np.all(change <= 0.01 * TOLERANCE):
            break
    _refuse_unsolved(change, (flow > 0.0) & (drop < manifold), (manifold + drop) / inlet)
    rise = np.asarray(outlet - given.ambient_temperature)
    heat = _specific_heat(given)
    air = _Air(
        air_flow=flow,
        outlet_temperature=np.asarray(outlet),
        inlet_temperature=cooled,
        power=np.asarray(flow * heat * rise / source.mechanical_efficiency),
        drop=drop,
        manifold_pressure=manifold,
        residual=change,
    )
    return _line(given, air, np.zeros(shape))


def _cooled(
    given: BreathingInput, swallowed: FloatArray, manifold: FloatArray, outlet: Array
) -> tuple[FloatArray, FloatArray]:
    """Manifold temperature and air flow behind the cooler, if there is one."""
    cooled = outlet
    if given.cooler is not None:
        cooled = cooler.outlet_temperature(
            outlet, given.cooler.effectiveness, given.cooler.coolant_temperature
        )
    return np.asarray(cooled), np.asarray(swallowed * manifold / cooled)


def _drop(
    given: BreathingInput, flow: FloatArray, pressure: FloatArray, temperature: Array
) -> FloatArray:
    if given.cooler is None:
        return np.zeros_like(flow)
    density = engine.charge_density(pressure, temperature, given.gas_constant)
    part = given.cooler
    return np.asarray(
        cooler.pressure_drop(
            part.reference_drop, part.reference_mass_flow, flow, density, part.reference_density
        )
    )


def _match_atmosphere(given: BreathingInput) -> BreathingLine:
    """Naturally aspirated: ambient air less the intake loss, no cooler, nothing to solve."""
    swallowed = _swallowed_constant(given)
    pressure = given.ambient_pressure * (1.0 - given.inlet_loss)
    flow = np.asarray(swallowed * pressure / given.ambient_temperature)
    zero = np.zeros_like(flow)
    temperature = np.asarray(given.ambient_temperature + zero)
    air = _Air(flow, temperature, temperature, zero, zero, np.asarray(pressure + zero), zero)
    return _line(given, air, zero)


def _line(given: BreathingInput, air: _Air, speed: FloatArray) -> BreathingLine:
    heat = _specific_heat(given)
    taken = air.air_flow * heat * (air.outlet_temperature - air.inlet_temperature)
    fields = np.broadcast_arrays(
        air.manifold_pressure,
        air.inlet_temperature,
        air.air_flow,
        air.outlet_temperature,
        air.power,
        speed,
        taken,
        air.drop,
        air.residual,
    )
    return BreathingLine(*fields)


def _refuse_unsolved(residual: FloatArray, sound: NDArray[np.bool_], ratio: Array) -> None:
    """A residual above tolerance, or a match that delivers nothing, is an error."""
    worst = float(np.max(np.where(np.isnan(residual), np.inf, np.abs(residual))))
    if worst > TOLERANCE or not np.all(sound):
        raise CannotSolve(
            "engine and air source do not match: no pressure ratio between 0.05 and "
            f"{MOST_RATIO:g} passes the delivered air; check the blower displacement, drive "
            "ratio, leakage and filling",
            {
                "worst relative mass balance": worst,
                "highest pressure ratio": float(np.max(ratio)),
            },
        )
