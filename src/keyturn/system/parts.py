"""From the build as described, and samples of it, to the arrays of the fuel circuit."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from keyturn.build.model import Build, Part
from keyturn.physics import fuel, injector, pipe, pump, wire
from keyturn.system.circuit import (
    Circuit,
    FloatArray,
    InjectorArrays,
    Line,
    Path,
    PumpArrays,
    RegulatorArrays,
)
from keyturn.system.draws import AIR_DRAWN, TANK_LEAK, Draws
from keyturn.system.solve import UNLIMITED

SMOOTH_ROUGHNESS = 1.5e-6  # [m] drawn tube and rubber-lined hose, handbook value


@dataclass(frozen=True)
class Fluid:
    """Fuel as it stands at the pump, samples (samples, 1)."""

    density: FloatArray  # [kg/m3]
    viscosity: FloatArray  # [Pa s]
    vapour_pressure: FloatArray  # [Pa] absolute, at the pump inlet
    rail_vapour_pressure: FloatArray  # [Pa] absolute, at the hot rail


@dataclass(frozen=True)
class Duty:
    """Working points of the circuit; arrays broadcast to (samples, points)."""

    engine_speed: FloatArray  # [1/s]
    manifold_pressure: FloatArray  # [Pa]
    fuel_demand: FloatArray  # [m3/s] for the wanted mixture
    wanted_lambda: FloatArray  # [-] NaN where nothing is injected
    source_voltage: FloatArray  # [V]
    reference_gauge: FloatArray  # [Pa] pressure on the regulator's reference, above ambient


def fluid(build: Build, draws: Draws) -> Fluid:
    """Fuel properties at the pump inlet and at the rail."""
    expansion, activation = build.fuel.expansion, build.fuel.viscosity_activation
    steepness = build.fuel.vapour_steepness
    temperature = draws.of(build.fuel.temperature)
    vapour = draws.of(build.fuel.vapour_pressure)
    return Fluid(
        np.asarray(fuel.density_at(temperature, draws.of(build.fuel.density), expansion)),
        np.asarray(fuel.viscosity_at(temperature, draws.of(build.fuel.viscosity), activation)),
        np.asarray(fuel.vapour_pressure_at(temperature, vapour, steepness)),
        np.asarray(
            fuel.vapour_pressure_at(draws.of(build.fuel.rail_temperature), vapour, steepness)
        ),
    )


def path(parts: tuple[Part, ...], draws: Draws, liquid: Fluid) -> Path:
    """Losses of parts in series."""
    zero = np.zeros((draws.samples + 1, 1))
    total = Path(zero, zero)
    for part in parts:
        one = part_path(part, draws, liquid)
        total = Path(
            total.linear + one.linear,
            total.quadratic + one.quadratic,
            _sum(total.opening, one.opening),
            total.lines + one.lines,
        )
    return replace(total, lines=_merged(parts, total.lines))


def _sum(first: FloatArray | None, second: FloatArray | None) -> FloatArray | None:
    if first is None or second is None:
        return second if first is None else first
    return first + second


def _merged(parts: tuple[Part, ...], lines: tuple[Line, ...]) -> tuple[Line, ...]:
    """Lines of the same bore and roughness as one longer line: the same drop for less work."""
    merged: list[Line] = []
    for line in lines:
        for number, other in enumerate(merged):
            if np.array_equal(line.reynolds_per_flow, other.reynolds_per_flow) and np.array_equal(
                line.relative_roughness, other.relative_roughness
            ):
                merged[number] = replace(
                    other,
                    laminar_resistance=other.laminar_resistance + line.laminar_resistance,
                    turbulent_coefficient=other.turbulent_coefficient + line.turbulent_coefficient,
                )
                break
        else:
            merged.append(line)
    return tuple(merged)


def part_path(part: Part, draws: Draws, liquid: Fluid) -> Path:
    """Losses of one part, ``count`` of them in series."""
    zero = np.zeros((draws.samples + 1, 1))
    linear, quadratic = zero, zero
    lines: tuple[Line, ...] = ()
    if part.drop is not None and part.at_flow is not None:
        linear, quadratic = (
            np.asarray(item)
            for item in pipe.part_drop_coefficients(
                draws.of(part.drop), draws.of(part.at_flow), part.linear
            )
        )
    if part.loss is not None and part.diameter is not None:
        area = 0.25 * np.pi * draws.of(part.diameter) ** 2
        quadratic = quadratic + draws.of(part.loss) * liquid.density / (2.0 * area**2)
    if part.length is not None and part.diameter is not None:
        roughness = SMOOTH_ROUGHNESS if part.roughness is None else draws.of(part.roughness)
        diameter = draws.of(part.diameter)
        length = draws.of(part.length)
        if part.curve_diameter is not None:
            ratio = pipe.curved_friction_ratio(
                CURVE_REYNOLDS, diameter / draws.of(part.curve_diameter)
            )
            length = length * np.asarray(ratio)
        lines = (
            Line(
                *(
                    np.asarray(item)
                    for item in pipe.line_coefficients(
                        diameter, length, roughness, liquid.density, liquid.viscosity
                    )
                )
            ),
        )
    count = float(part.count)
    opening = None if part.opening is None else draws.of(part.opening) * count
    lines = tuple(
        replace(
            line,
            laminar_resistance=line.laminar_resistance * count,
            turbulent_coefficient=line.turbulent_coefficient * count,
        )
        for line in lines
    )
    return Path(linear * count, quadratic * count, opening, lines)


# A curved hose's extra friction depends weakly on the flow once turbulent; fuel lines at the
# flows that matter run near this Reynolds number.
CURVE_REYNOLDS = 1.2e4


def pump_arrays(build: Build, draws: Draws) -> PumpArrays:
    """The pump of a build with samples of its scales."""
    part = build.pump
    knots = np.asarray(part.curve.x)
    coefficients = pump.monotone_curve(knots, np.asarray(part.curve.y))
    at_zero, per_pressure, per_voltage = pump.current_coefficients(
        np.asarray(part.current.x), np.asarray(part.current.y), part.at_voltage.si
    )
    amps = draws.scale(part.current)
    air = draws.fault(AIR_DRAWN)
    whole = np.asarray(pump.aged_flow(draws.scale(part.curve), draws.of(part.age)))
    return PumpArrays(
        knots=knots,
        coefficients=coefficients,
        free_flow=float(
            np.asarray(pump.curve_value_and_slope(np.zeros(1), knots, coefficients)[0])[0]
        ),
        flow_scale=whole if air is None else whole * (1.0 - air),
        pressure_scale=draws.of(part.pressure_scale),
        reference_voltage=draws.of(part.at_voltage),
        parallel=part.count if part.arrangement == "parallel" else 1,
        series=part.count if part.arrangement == "series" else 1,
        current_at_zero=amps * float(at_zero),
        current_per_pressure=amps * float(per_pressure),
        current_per_voltage=amps * float(per_voltage),
        leak=draws.fault(TANK_LEAK),
    )


def wiring_resistance(build: Build, draws: Draws) -> FloatArray:
    """Loop resistance from source to pump and back [ohm], contacts included."""
    part = build.wiring
    copper = wire.resistance(draws.of(part.length), draws.of(part.area), draws.of(part.temperature))
    return np.asarray(copper) + draws.of(part.contacts)


def opening_gauge(build: Build, draws: Draws, duty: Duty) -> FloatArray:
    """Gauge pressure at which the regulator opens [Pa]."""
    part = build.regulator
    ratio = draws.of(part.ratio) if part.reference == "manifold" else 0.0
    return draws.of(part.set) + ratio * duty.reference_gauge


def injector_constant(build: Build, draws: Draws) -> FloatArray:
    """Flow of the whole set held open, per root of pressure [m3/s/Pa^0.5]."""
    part = build.injectors
    return part.count * draws.of(part.flow) / np.sqrt(draws.of(part.at))


def dead_share(build: Build, draws: Draws, duty: Duty) -> FloatArray:
    """Dead time as a share of the injection window [-]; zero when the engine stands."""
    curve = build.injectors.dead_time
    dead = injector.dead_time(duty.source_voltage, np.asarray(curve.x), np.asarray(curve.y))
    # one injection every two revolutions
    return np.asarray(dead) * draws.scale(curve) * duty.engine_speed / 2.0


def injectors(build: Build, draws: Draws, duty: Duty) -> InjectorArrays:
    """What the control unit lets the injectors take.

    A unit that corrects for pressure opens until the wanted flow is met, as its calibration
    believes; one that does not opens for a fixed time, so that flow follows the root of pressure.
    Both stop at the duty ceiling.
    """
    constant = injector_constant(build, draws)
    control, part = build.control, build.injectors
    believed = control.calibrated_flow.si / np.sqrt(control.calibrated_pressure.si)
    # Nominal values on both sides: how far the set's true flow lies from its rating is trimmed out
    # with a mixture sensor at low load (a stated assumption); a calibration for other injectors is
    # not.
    slip = part.flow.si / np.sqrt(part.at.si) / believed
    open_share = draws.of(control.duty_ceiling) - dead_share(build, draws, duty)
    ceiling = constant * np.maximum(open_share, LEAST_OPEN)
    wanted = duty.fuel_demand * slip
    ambient = draws.of(build.site.barometer)
    manifold = duty.manifold_pressure - ambient
    if control.corrects_pressure:
        return InjectorArrays(wanted, ceiling, manifold)
    commanded = wanted / np.sqrt(draws.of(control.calibrated_pressure))
    orifice = np.maximum(np.minimum(commanded, ceiling), constant * LEAST_OPEN**2)
    return InjectorArrays(np.full((1, 1), UNLIMITED), orifice, manifold)


LEAST_OPEN = 1.0e-4  # [-] keeps the orifice positive where nothing is injected


def circuit(build: Build, draws: Draws, liquid: Fluid, duty: Duty) -> Circuit:
    """The fuel circuit of a build at its working points."""
    regulator = build.regulator
    before: tuple[Part, ...] = build.feed
    after: tuple[Part, ...] = ()
    if regulator.place == "tank":
        before, after = build.feed[: regulator.position], build.feed[regulator.position :]
    return Circuit(
        pump=pump_arrays(build, draws),
        source_voltage=duty.source_voltage,
        wiring_resistance=wiring_resistance(build, draws),
        suction=path(build.suction, draws, liquid) if build.suction else None,
        feed=path(before, draws, liquid),
        regulator=RegulatorArrays(
            opening_gauge=opening_gauge(build, draws, duty),
            slope=draws.of(regulator.slope),
            seat=np.full((1, 1), SEAT_SHARE),
            open_quadratic=draws.of(regulator.open_drop) / draws.of(regulator.open_flow) ** 2,
        ),
        returns=path(build.returns, draws, liquid),
        rail=path(after, draws, liquid) if after else None,
        injector=injectors(build, draws, duty),
    )


# Share of the return line's back-pressure that acts on the valve: the seat is small against the
# diaphragm of common pressure regulators (engineering judgement; 0 would be a balanced valve).
SEAT_SHARE = 0.1
