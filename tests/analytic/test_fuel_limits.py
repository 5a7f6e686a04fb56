"""Fuel: reference points, monotone laws, closed balances, consistency of the rows."""

import tomllib
from importlib.resources import files

import numpy as np
import pytest

from keyturn.errors import DomainError
from keyturn.physics import fuel

FUELS = tomllib.loads((files("keyturn") / "data" / "fuels.toml").read_text(encoding="utf-8"))
KELVIN = np.linspace(263.15, 353.15, 19)


def test_reference_points_return_the_reference():
    assert fuel.density_at(288.15, 745.0, 1.15e-3) == pytest.approx(745.0, rel=1e-15)
    assert fuel.viscosity_at(293.15, 4.5e-4) == pytest.approx(4.5e-4, rel=1e-15)
    assert fuel.vapour_pressure_at(310.95, 64e3) == pytest.approx(64e3, rel=1e-15)


def test_steepness_is_the_slope_at_the_reference():
    # Clausius-Clapeyron: -d ln p / d(1/T) at 37.8 degC is the number that was put in.
    step = 1e-3
    low, high = fuel.vapour_pressure_at(np.array([310.95 - step, 310.95 + step]), 1.0, 3300.0)
    slope = np.log(high / low) / (1.0 / (310.95 - step) - 1.0 / (310.95 + step))
    assert slope == pytest.approx(3300.0, rel=1e-6)


def test_laws_are_monotone():
    assert np.all(np.diff(fuel.density_at(KELVIN, 745.0, 1.15e-3)) < 0.0)
    assert np.all(np.diff(fuel.viscosity_at(KELVIN, 4.5e-4)) < 0.0)
    assert np.all(np.diff(fuel.vapour_pressure_at(KELVIN, 64e3)) > 0.0)


def test_hydrogen_and_carbon_alone():
    # Pure carbon C + O2 and pure hydrogen H2 + O2/2: the two ends of every hydrocarbon.
    air_per_oxygen = 28.9644 / 0.209476
    assert fuel.stoichiometric_ratio(1, 0, 0) == pytest.approx(air_per_oxygen / 12.011)
    assert fuel.stoichiometric_ratio(0, 2, 0) == pytest.approx(air_per_oxygen / 2 / 2.016)


def test_ratio_does_not_depend_on_formula_scale():
    assert fuel.stoichiometric_ratio(2, 6, 1) == pytest.approx(fuel.stoichiometric_ratio(4, 12, 2))


def test_blend_ends_and_mass_balance():
    ends = fuel.blend_by_volume(np.array([0.0, 1.0]), 745.0, 14.6, 43.0e6, 350.0e3)
    np.testing.assert_allclose(ends.density, [745.0, fuel.ETHANOL_DENSITY])
    np.testing.assert_allclose(ends.stoichiometric_ratio, [14.6, fuel.ETHANOL_STOICHIOMETRIC])
    np.testing.assert_allclose(ends.heating_value, [43.0e6, fuel.ETHANOL_HEATING_VALUE])
    np.testing.assert_allclose(ends.latent_heat, [350.0e3, fuel.ETHANOL_LATENT_HEAT])
    part = fuel.blend_by_volume(0.3, 745.0, 14.6, 43.0e6, 350.0e3)
    petrol = (1.0 - part.ethanol_mass_fraction) * part.density / 0.7
    assert petrol == pytest.approx(745.0)


def test_blend_of_two_compositions_is_composition_of_the_blend():
    # One mole of octane with one of ethanol burns the air that the two burn apart.
    masses = np.array([8 * 12.011 + 18 * 1.008, 2 * 12.011 + 6 * 1.008 + 15.999])
    apart = (
        masses
        / masses.sum()
        @ np.array([fuel.stoichiometric_ratio(8, 18, 0), fuel.stoichiometric_ratio(2, 6, 1)])
    )
    assert fuel.stoichiometric_ratio(10, 24, 1) == pytest.approx(apart)


def test_higher_and_lower_value_of_hydrogen():
    # Pure hydrogen: the two differ by the water of 18.015 / 2.016 masses.
    assert fuel.lower_from_higher(141.8e6, 1.0, 2.442e6) == pytest.approx(
        141.8e6 - 18.015 / 2.016 * 2.442e6
    )


@pytest.mark.parametrize("name", ["petrol-e10", "e85"])
def test_blend_rows_follow_from_the_pure_rows(name):
    row, base = FUELS[name], FUELS["petrol"]
    share = row["ethanol"]
    blend = fuel.blend_by_volume(
        share,
        base["density_15"],
        base["stoichiometric"],
        base["heating_value"],
        base["latent_heat"],
    )
    expansion, activation, steepness = fuel.blend_laws(share)
    # 1e-3: the rows are rounded to three or four digits
    assert row["density_15"] == pytest.approx(blend.density, rel=1e-3)
    assert row["stoichiometric"] == pytest.approx(blend.stoichiometric_ratio, rel=1e-3)
    assert row["heating_value"] == pytest.approx(blend.heating_value, rel=1e-3)
    assert row["latent_heat"] == pytest.approx(blend.latent_heat, rel=2e-3)
    assert row["viscosity_20"] == pytest.approx(
        fuel.blend_viscosity(share, base["viscosity_20"]), rel=3e-3
    )
    assert row["expansion"] == pytest.approx(expansion, rel=1e-3)
    assert row["viscosity_activation"] == pytest.approx(activation, rel=1e-3)
    assert row["vapour_steepness"] == pytest.approx(steepness, rel=1e-3)


def test_module_constants_are_the_ethanol_row():
    row = FUELS["ethanol"]
    assert fuel.ETHANOL_DENSITY == row["density_15"]
    assert fuel.ETHANOL_VISCOSITY == row["viscosity_20"]
    assert fuel.ETHANOL_STOICHIOMETRIC == row["stoichiometric"]
    assert fuel.ETHANOL_HEATING_VALUE == row["heating_value"]
    assert fuel.ETHANOL_LATENT_HEAT == row["latent_heat"]
    assert (fuel.ETHANOL_EXPANSION, fuel.ETHANOL_ACTIVATION, fuel.ETHANOL_STEEPNESS) == (
        row["expansion"],
        row["viscosity_activation"],
        row["vapour_steepness"],
    )


@pytest.mark.parametrize("name", sorted(FUELS))
def test_every_value_has_a_source_and_a_spread(name):
    row = FUELS[name]
    values = {key for key, value in row.items() if isinstance(value, float)}
    assert row["source"]
    assert row["grade"] == "handbook"
    assert set(row["sources"]) == values
    assert set(row["spread"]) == values - {"ethanol"}


@pytest.mark.parametrize(
    "call",
    [
        lambda: fuel.stoichiometric_ratio(1, 0, 2),
        lambda: fuel.stoichiometric_ratio(0, 0, 0),
        lambda: fuel.blend_by_volume(85.0, 745.0, 14.6, 43e6, 350e3),
        lambda: fuel.blend_viscosity(float("nan"), 4.5e-4),
        lambda: fuel.blend_laws(-0.1),
    ],
)
def test_refuses(call):
    with pytest.raises(DomainError):
        call()
