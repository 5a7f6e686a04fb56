"""Air: limits, identities, shapes, refusals."""

import numpy as np
import pytest

from keyturn.errors import DomainError
from keyturn.physics import air


def test_sea_level_is_the_definition():
    temperature, pressure, density = air.standard_atmosphere(0.0)
    assert temperature == air.STANDARD_TEMPERATURE
    assert pressure == pytest.approx(air.STANDARD_PRESSURE, rel=1e-12)
    assert density == pytest.approx(air.STANDARD_DENSITY, abs=5e-5)


def test_atmosphere_is_hydrostatic():
    # dp/dz = -rho g, with g falling as the inverse square of the distance to the earth's centre
    altitude, step = np.linspace(0.0, 5000.0, 11), 1.0
    above, below = (
        air.standard_atmosphere(altitude + step),
        air.standard_atmosphere(altitude - step),
    )
    gradient = (above[1] - below[1]) / (2.0 * step)
    gravity = air.STANDARD_GRAVITY * (air.EARTH_RADIUS / (air.EARTH_RADIUS + altitude)) ** 2
    density = air.standard_atmosphere(altitude)[2]
    np.testing.assert_allclose(gradient, -density * gravity, rtol=1e-6)


def test_damp_air_is_lighter():
    humidity = np.linspace(0.0, 1.0, 11)
    density = air.humid_air_density(303.15, 95e3, humidity)
    assert np.all(np.diff(density) < 0.0)
    assert np.all(air.dry_air_density(303.15, 95e3, humidity[1:]) < density[1:])


def test_dry_limit_is_nearly_perfect():
    # Real dry air at room temperature is 0.04 % denser than a perfect gas.
    ratio = air.humid_air_density(293.15, 101325.0, 0.0) / air.perfect_gas_density(293.15, 101325.0)
    assert 1.0 < ratio < 1.001


def test_corrections_are_one_on_the_reference_day():
    assert air.engine_correction(99e3, 298.0) == pytest.approx(1.0, abs=1e-12)
    assert air.engine_correction_j1349(99e3, 298.0) == pytest.approx(1.0, abs=1e-12)


def test_broadcasts():
    temperature = np.linspace(270.0, 315.0, 4)[:, None]
    humidity = np.linspace(0.0, 1.0, 5)
    many = air.humid_air_density(temperature, 98e3, humidity)
    assert many.shape == (4, 5)
    assert many[2, 3] == air.humid_air_density(temperature[2, 0], 98e3, humidity[3])


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: air.standard_atmosphere(12000.0), "12000"),
        (lambda: air.standard_atmosphere(float("nan")), "altitude"),
        (lambda: air.saturation_pressure_water(25.0), "kelvin"),
        (lambda: air.humid_air_density(293.15, 1e5, 50.0), "50 % is 0.5"),
        (lambda: air.humid_air_density(293.15, 1e5, -0.1), "0 to 1"),
    ],
)
def test_refuses(call, words):
    with pytest.raises(DomainError, match=words):
        call()
