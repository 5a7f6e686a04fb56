"""Air against libraries that know nothing of this project: ambiance, fluids, CoolProp."""

import numpy as np
import pytest

from keyturn.physics import air

ambiance = pytest.importorskip("ambiance")
fluids = pytest.importorskip("fluids")
CoolProp = pytest.importorskip("CoolProp.CoolProp")


def test_atmosphere_against_ambiance():
    altitude = np.linspace(-1000.0, 10500.0, 47)
    theirs = ambiance.Atmosphere(altitude)
    temperature, pressure, density = air.standard_atmosphere(altitude)
    # 1e-5: the same standard; only the constants' last digits differ
    np.testing.assert_allclose(temperature, theirs.temperature, rtol=1e-5)
    np.testing.assert_allclose(pressure, theirs.pressure, rtol=1e-5)
    np.testing.assert_allclose(density, theirs.density, rtol=1e-5)


def test_atmosphere_against_fluids():
    for altitude in (0.0, 250.0, 1609.0, 4300.0):
        theirs = fluids.ATMOSPHERE_1976(altitude)
        temperature, pressure, density = air.standard_atmosphere(altitude)
        assert temperature == pytest.approx(theirs.T, rel=1e-5)
        assert pressure == pytest.approx(theirs.P, rel=1e-5)
        assert density == pytest.approx(theirs.rho, rel=1e-5)


def test_saturation_against_coolprop():
    kelvin = np.linspace(274.0, 373.0, 34)
    theirs = CoolProp.PropsSI("P", "T", kelvin, "Q", 0, "Water")
    # 1e-4: the auxiliary equation is stated to follow IAPWS-95 to a few parts in 1e5
    np.testing.assert_allclose(air.saturation_pressure_water(kelvin), theirs, rtol=1e-4)


# H1-H6: degC, Pa, relative humidity; tolerances as the two routes (CIPM-2007, ASHRAE real gas)
# are known to agree.
STATES = [
    (20.0, 101325.0, 0.5, 1e-4),
    (25.0, 101325.0, 0.5, 2e-4),
    (25.0, 101325.0, 0.0, 1e-4),
    (40.0, 101325.0, 0.6, 2e-4),
    (35.0, 95000.0, 0.8, 3e-4),
    (30.0, 84000.0, 0.4, 3e-4),
]


@pytest.mark.parametrize("state", STATES, ids=lambda state: f"{state[0]:g}C-{state[2]:g}")
def test_humid_air_against_coolprop(state):
    celsius, pressure, humidity, tolerance = state
    kelvin = celsius + 273.15
    given = ("T", kelvin, "P", pressure, "R", humidity)
    ratio = CoolProp.HAPropsSI("W", *given)
    volume = CoolProp.HAPropsSI("Vha", *given)  # of humid air
    dry_volume = CoolProp.HAPropsSI("Vda", *given)  # a mass of dry air
    water = CoolProp.HAPropsSI("P_w", *given)
    assert air.humid_air_density(kelvin, pressure, humidity) == pytest.approx(
        1.0 / volume, rel=tolerance
    )
    assert air.dry_air_density(kelvin, pressure, humidity) == pytest.approx(
        1.0 / dry_volume, rel=tolerance
    )
    # 1e-3: the enhancement factor alone differs by 2e-4 between the two
    assert air.humidity_ratio(kelvin, pressure, humidity) == pytest.approx(ratio, rel=1e-3)
    assert air.water_partial_pressure(kelvin, pressure, humidity) == pytest.approx(water, rel=1e-3)


@pytest.mark.parametrize(("kelvin", "pressure"), [(298.15, 1e5), (350.0, 1.8e5), (400.0, 3e5)])
def test_perfect_gas_against_real_air(kelvin, pressure):
    theirs = CoolProp.PropsSI("D", "T", kelvin, "P", pressure, "Air")
    assert air.perfect_gas_density(kelvin, pressure) == pytest.approx(theirs, rel=1e-3)


def test_air_constants_against_real_air():
    heat = CoolProp.PropsSI("CPMASS", "T", 298.15, "P", 1e5, "Air")
    at_volume = CoolProp.PropsSI("CVMASS", "T", 298.15, "P", 1e5, "Air")
    assert heat == pytest.approx(air.CP, rel=2e-3)
    assert heat / at_volume == pytest.approx(air.GAMMA, rel=2e-3)
    # 5e-4: R, cp and gamma are each rounded by custom
    assert air.CP * (1.0 - 1.0 / air.GAMMA) == pytest.approx(air.R, rel=5e-4)
