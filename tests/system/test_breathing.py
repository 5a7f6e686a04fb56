"""The match: balance, shape, refusal."""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np
import pytest

from keyturn.errors import CannotSolve, DomainError
from keyturn.physics import blower, cooler, engine
from keyturn.system import breathing

SPEED = np.linspace(800.0, 6600.0, 40) / 60.0
ROOTS = breathing.BlowerSource(1.4e-3, 2.0, 8.0, 1.0, 0.9)
COOLER = breathing.ChargeCooler(0.7, 310.0, 8e3, 0.25)
CAR = breathing.BreathingInput(SPEED, 2.5e-3, 0.85, 1.0e5, 298.0, ROOTS, COOLER, 0.02)


def _samples(count: int) -> breathing.BreathingInput:
    rng = np.random.default_rng(7)

    def around(middle: float, spread: float) -> np.ndarray:
        return np.asarray(middle * np.exp(spread * rng.standard_normal((count, 1))))

    source = replace(ROOTS, displacement_blower=around(1.4e-3, 0.03), slip_speed=around(8.0, 0.25))
    part = replace(COOLER, effectiveness=np.minimum(around(0.7, 0.08), 0.95))
    return replace(CAR, filling=around(0.85, 0.05), source=source, cooler=part)


def test_mass_balance_through_the_public_laws() -> None:
    """Delivered and drawn, each worked out again from the answer. 1e-9: the promise."""
    given = _samples(50)
    line = breathing.match(given)
    source = given.source
    assert isinstance(source, breathing.BlowerSource)
    outlet = line.manifold_pressure + line.cooler_drop
    ratio = outlet / 0.98e5
    efficiency = blower.volumetric_efficiency(
        ratio, line.blower_speed, source.slip_speed, 0.98e5, 298.0
    )
    delivered = blower.delivered_mass_flow(
        source.displacement_blower, line.blower_speed, efficiency, 0.98e5, 298.0
    )
    density = engine.charge_density(line.manifold_pressure, line.inlet_temperature)
    drawn = engine.air_mass_flow(given.filling, 2.5e-3, SPEED, density)
    np.testing.assert_allclose(delivered, drawn, rtol=1e-9)
    np.testing.assert_allclose(line.air_flow, drawn, rtol=1e-9)
    hot = blower.outlet_temperature(298.0, ratio, 1.0, efficiency)
    np.testing.assert_allclose(line.blower_outlet_temperature, hot, rtol=1e-12)
    heavy = engine.charge_density(outlet, hot)
    drop = cooler.pressure_drop(8e3, 0.25, line.air_flow, heavy)
    np.testing.assert_allclose(line.cooler_drop, drop, rtol=1e-9)
    heat = cooler.heat_flow(line.air_flow, hot, line.inlet_temperature)
    np.testing.assert_allclose(line.cooler_heat, heat, rtol=1e-9)


def test_samples_and_single_cars_give_the_same_numbers() -> None:
    given = _samples(5)
    whole = breathing.match(given)
    assert whole.manifold_pressure.shape == (5, 40)
    assert isinstance(given.source, breathing.BlowerSource)
    assert given.cooler is not None
    third = replace(
        given,
        filling=float(np.asarray(given.filling)[2, 0]),
        source=replace(
            given.source,
            displacement_blower=float(np.asarray(given.source.displacement_blower)[2, 0]),
            slip_speed=float(np.asarray(given.source.slip_speed)[2, 0]),
        ),
        cooler=replace(
            given.cooler, effectiveness=float(np.asarray(given.cooler.effectiveness)[2, 0])
        ),
    )
    one = breathing.match(third)
    np.testing.assert_allclose(one.manifold_pressure, whole.manifold_pressure[2], rtol=1e-9)


def test_faster_blower_more_boost_more_than_in_proportion() -> None:
    """Ten per cent more drive ratio: boost rises by more than ten per cent, the air by less."""
    slow = breathing.match(CAR)
    fast = breathing.match(replace(CAR, source=replace(ROOTS, drive_ratio=2.2)))
    boost = (fast.manifold_pressure - 1e5) / (slow.manifold_pressure - 1e5)
    assert np.all(boost[5:] > 1.1)
    air = fast.air_flow / slow.air_flow
    assert np.all((air > 1.0) & (air < 1.12))


def test_leakage_and_cooler_drop_cost_air() -> None:
    """Whether the manifold pressure falls depends on the heat; the air always does."""
    tight = breathing.match(replace(CAR, source=replace(ROOTS, slip_speed=0.0)))
    leaky = breathing.match(CAR)
    assert np.all(leaky.air_flow < tight.air_flow)
    free = breathing.match(replace(CAR, cooler=replace(COOLER, reference_drop=0.0)))
    assert np.all(leaky.air_flow < free.air_flow)
    assert np.all(leaky.blower_power > free.blower_power)


def test_blower_too_small_sucks_the_manifold_below_ambient() -> None:
    """The bypass counts as closed: the blower is then a motor, and the match is still exact."""
    line = breathing.match(replace(CAR, source=replace(ROOTS, displacement_blower=0.4e-3)))
    assert np.all(line.manifold_pressure < 0.98e5)
    assert np.max(np.abs(line.residual)) <= breathing.TOLERANCE


def test_blower_too_large_is_refused() -> None:
    """Eight litres a turn into 2.5 litres: no ratio passes it, so no answer, not a warning."""
    with pytest.raises(CannotSolve, match="do not match") as caught:
        breathing.match(replace(CAR, source=replace(ROOTS, displacement_blower=8e-3)))
    assert caught.value.residuals["worst relative mass balance"] > breathing.TOLERANCE


def test_one_bad_sample_among_good_ones_is_refused() -> None:
    """Never hidden in the crowd; NaN likewise."""
    sizes = np.array([[1.4e-3], [1.4e-3], [8e-3]])
    with pytest.raises(CannotSolve):
        breathing.match(replace(CAR, source=replace(ROOTS, displacement_blower=sizes)))
    with pytest.raises(CannotSolve):
        breathing.match(replace(CAR, source=replace(ROOTS, slip_speed=np.nan)))


def test_blower_that_leaks_without_limit_is_an_open_passage() -> None:
    """The rise stays below the one at which the slip law leaks all that is displaced."""
    source = replace(ROOTS, slip_speed=1e3)
    line = breathing.match(replace(CAR, source=source, cooler=None))
    all_leaks = (line.blower_speed / 1e3) ** 2 / (14.7 * 298.0 * 1.8 / 528.0)
    rise = line.manifold_pressure / 0.98e5 - 1.0
    assert np.all(rise > 0.0)
    assert np.all(rise < all_leaks)


@pytest.mark.parametrize("name", ["engine_speed", "filling", "ambient_pressure"])
def test_zero_input_is_refused(name: str) -> None:
    with pytest.raises(DomainError, match=name):
        breathing.match(replace(CAR, **{name: 0.0}))  # type: ignore[arg-type]


def test_atmospheric_engine_breathes_ambient_air() -> None:
    line = breathing.match(replace(CAR, source=None, cooler=None))
    np.testing.assert_allclose(line.manifold_pressure, 0.98e5)
    drawn = engine.air_mass_flow(0.85, 2.5e-3, SPEED, engine.charge_density(0.98e5, 298.0))
    np.testing.assert_allclose(line.air_flow, drawn, rtol=1e-12)
    assert np.all(line.blower_power == 0.0)


def test_boost_curve_with_drop() -> None:
    """The compressor works against manifold pressure plus drop; 1e-9: the promise."""
    boost = breathing.BoostSource(np.linspace(1.1e5, 1.9e5, 40), 0.7)
    line = breathing.match(replace(CAR, source=boost))
    outlet = line.manifold_pressure + line.cooler_drop
    hot = blower.compressor_outlet_temperature(298.0, outlet / 0.98e5, 0.7)
    np.testing.assert_allclose(line.blower_outlet_temperature, hot, rtol=1e-9)
    drop = cooler.pressure_drop(8e3, 0.25, line.air_flow, engine.charge_density(outlet, hot))
    np.testing.assert_allclose(line.cooler_drop, drop, rtol=1e-8)
    bare = breathing.match(replace(CAR, source=boost, cooler=replace(COOLER, reference_drop=0.0)))
    assert np.all(line.blower_power > bare.blower_power)


def test_part_load_temperature() -> None:
    """Half way up in pressure is half way up in temperature; flat outside."""
    pressure = np.array([0.3e5, 1.0e5, 1.4e5, 1.8e5, 2.0e5])
    ours = breathing.part_load_temperature(pressure, 1.8e5, 340.0, 1.0e5, 300.0)
    np.testing.assert_allclose(ours, [300.0, 300.0, 320.0, 340.0, 340.0], rtol=1e-12)


def test_map_of_samples_is_quick() -> None:
    """401 samples x 40 speeds within 40 ms on an idle core; 4 times that here, cores are shared."""
    given = _samples(401)
    breathing.match(given)
    best = min(_timed(given) for _ in range(5))
    assert best < 0.16


def _timed(given: breathing.BreathingInput) -> float:
    start = time.process_time()
    breathing.match(given)
    return time.process_time() - start
