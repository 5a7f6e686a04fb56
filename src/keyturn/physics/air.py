"""Air: the standard atmosphere, humid air, and the power correction that goes with them."""

from __future__ import annotations

import numpy as np

from keyturn.errors import DomainError
from keyturn.physics import Array

# US Standard Atmosphere 1976 (same numbers as ISO 2533), sea level.
STANDARD_TEMPERATURE = 288.15
STANDARD_PRESSURE = 101325.0
STANDARD_DENSITY = 1.2250
STANDARD_GRAVITY = 9.80665
LAPSE_RATE = 0.0065
EARTH_RADIUS = 6356766.0

# Dry air as a perfect gas: R from 8.31446 / 0.0289652, cp and gamma the usual room values.
R = 287.055
GAMMA = 1.4
CP = 1005.0

OXYGEN_SHARE = 0.20946  # mole fraction in dry air
MOLAR_MASS_DRY = 0.02896546  # Picard et al. 2008, 400 ppm carbon dioxide
MOLAR_MASS_WATER = 0.01801528
GAS_CONSTANT = 8.314472  # the value that belongs to the CIPM-2007 constants below

CORRECTION_PRESSURE = 99.0e3
CORRECTION_TEMPERATURE = 298.0

_GRADIENT_EXPONENT = STANDARD_GRAVITY * 0.0289644 / (8.31432 * LAPSE_RATE)
_WATER_CRITICAL_TEMPERATURE = 647.096
_WATER_CRITICAL_PRESSURE = 22.064e6


def standard_atmosphere(altitude: Array) -> tuple[Array, Array, Array]:
    """Temperature, pressure and density of the standard atmosphere.

    Parameters
    ----------
    altitude : Array
        geometric altitude above sea level [m]

    Returns
    -------
    tuple[Array, Array, Array]
        temperature [K], pressure [Pa], density [kg/m3]

    Notes
    -----
    US Standard Atmosphere 1976, equations 18, 23, 33a and 42 (lowest layer); holds from -5 km to
    11 km. Weather moves the pressure of a real day by about 3 %: a barometer is better.
    """
    height = np.asarray(altitude, dtype=np.float64)
    if not np.all((height >= -5000.0) & (height <= 11000.0)):
        raise DomainError(
            f"altitude {_offender(height, -5000.0, 11000.0):g} m: the standard atmosphere is used "
            "from -5000 to 11000 m; check the unit (feet typed as metres?)"
        )
    geopotential = EARTH_RADIUS * height / (EARTH_RADIUS + height)
    temperature = STANDARD_TEMPERATURE - LAPSE_RATE * geopotential
    pressure = STANDARD_PRESSURE * (temperature / STANDARD_TEMPERATURE) ** _GRADIENT_EXPONENT
    density = pressure * 0.0289644 / (8.31432 * temperature)
    return temperature, pressure, density


def saturation_pressure_water(temperature: Array) -> Array:
    """Vapour pressure of water over liquid.

    Parameters
    ----------
    temperature : Array
        air temperature [K]

    Returns
    -------
    Array
        saturation pressure [Pa]

    Notes
    -----
    Wagner and Pruss, J. Phys. Chem. Ref. Data 22 (1993) 783, equation 1. Fitted from the triple
    point to the critical point; used for supercooled water (not ice) down to 240 K.
    """
    kelvin = np.asarray(temperature, dtype=np.float64)
    if not np.all((kelvin >= 220.0) & (kelvin <= _WATER_CRITICAL_TEMPERATURE)):
        raise DomainError(
            f"air temperature {_offender(kelvin, 220.0, _WATER_CRITICAL_TEMPERATURE):g} K: the "
            "vapour pressure of water is defined from 220 to 647 K; temperatures inside are kelvin"
        )
    theta = 1.0 - kelvin / _WATER_CRITICAL_TEMPERATURE
    series = (
        -7.85951783 * theta
        + 1.84408259 * theta**1.5
        - 11.7866497 * theta**3
        + 22.6807411 * theta**3.5
        - 15.9618719 * theta**4
        + 1.80122502 * theta**7.5
    )
    return _WATER_CRITICAL_PRESSURE * np.exp(_WATER_CRITICAL_TEMPERATURE / kelvin * series)


def water_partial_pressure(temperature: Array, pressure: Array, relative_humidity: Array) -> Array:
    """Partial pressure of the water vapour in air.

    Parameters
    ----------
    temperature : Array
        air temperature [K]
    pressure : Array
        absolute pressure of the humid air [Pa]
    relative_humidity : Array
        relative humidity, 0 to 1 [-]

    Returns
    -------
    Array
        water vapour pressure [Pa]

    Notes
    -----
    Relative humidity times saturation pressure times the enhancement factor of air, Picard et al.,
    Metrologia 45 (2008) 149, equation A1.2; below 0.5 % correction.
    """
    humidity = np.asarray(relative_humidity, dtype=np.float64)
    if not np.all((humidity >= 0.0) & (humidity <= 1.0)):
        raise DomainError(
            f"relative humidity {_offender(humidity, 0.0, 1.0):g}: accepted is 0 to 1 (50 % is 0.5)"
        )
    celsius = np.asarray(temperature, dtype=np.float64) - 273.15
    enhancement = 1.00062 + 3.14e-8 * np.asarray(pressure) + 5.6e-7 * celsius**2
    return humidity * enhancement * saturation_pressure_water(temperature)


def humid_air_density(temperature: Array, pressure: Array, relative_humidity: Array) -> Array:
    """Density of humid air, water vapour included.

    Parameters
    ----------
    temperature : Array
        air temperature [K]
    pressure : Array
        absolute pressure of the humid air [Pa]
    relative_humidity : Array
        relative humidity, 0 to 1 [-]

    Returns
    -------
    Array
        density [kg/m3]

    Notes
    -----
    CIPM-2007: Picard et al., Metrologia 45 (2008) 149, equations 1, A1.1 and A1.4. Stated for
    15-27 degC and 60-110 kPa with 22 parts per million; compared here up to 40 degC.
    """
    kelvin = np.asarray(temperature, dtype=np.float64)
    celsius = kelvin - 273.15
    absolute = np.asarray(pressure, dtype=np.float64)
    vapour = water_partial_pressure(temperature, pressure, relative_humidity) / absolute
    ratio = absolute / kelvin
    compressibility = (
        1.0
        - ratio
        * (
            1.58123e-6
            - 2.9331e-8 * celsius
            + 1.1043e-10 * celsius**2
            + (5.707e-6 - 2.051e-8 * celsius) * vapour
            + (1.9898e-4 - 2.376e-6 * celsius) * vapour**2
        )
        + ratio**2 * (1.83e-11 - 0.765e-8 * vapour**2)
    )
    dry = absolute * MOLAR_MASS_DRY / (compressibility * GAS_CONSTANT * kelvin)
    return dry * (1.0 - vapour * (1.0 - MOLAR_MASS_WATER / MOLAR_MASS_DRY))


def humidity_ratio(temperature: Array, pressure: Array, relative_humidity: Array) -> Array:
    """Mass of water vapour per mass of dry air.

    Parameters
    ----------
    temperature : Array
        air temperature [K]
    pressure : Array
        absolute pressure of the humid air [Pa]
    relative_humidity : Array
        relative humidity, 0 to 1 [-]

    Returns
    -------
    Array
        humidity ratio [-]

    Notes
    -----
    Perfect-gas mixture, ASHRAE Handbook Fundamentals (2017) chapter 1, equation 20.
    """
    water = water_partial_pressure(temperature, pressure, relative_humidity)
    return MOLAR_MASS_WATER / MOLAR_MASS_DRY * water / (pressure - water)


def dry_air_density(temperature: Array, pressure: Array, relative_humidity: Array) -> Array:
    """Mass of dry air per volume of humid air: the share that carries the oxygen.

    Parameters
    ----------
    temperature : Array
        air temperature [K]
    pressure : Array
        absolute pressure of the humid air [Pa]
    relative_humidity : Array
        relative humidity, 0 to 1 [-]

    Returns
    -------
    Array
        density of the dry part [kg/m3]

    Notes
    -----
    ``humid_air_density`` divided by one plus ``humidity_ratio``.
    """
    wet = humid_air_density(temperature, pressure, relative_humidity)
    return wet / (1.0 + humidity_ratio(temperature, pressure, relative_humidity))


def perfect_gas_density(temperature: Array, pressure: Array) -> Array:
    """Density of dry air as a perfect gas, for manifold and blower states.

    Parameters
    ----------
    temperature : Array
        air temperature [K]
    pressure : Array
        absolute pressure [Pa]

    Returns
    -------
    Array
        density [kg/m3]

    Notes
    -----
    p / (R T) with R = 287.055 J/(kg K); within 0.1 % of real dry air below 300 kPa and 450 K.
    """
    return pressure / (R * np.asarray(temperature, dtype=np.float64))


def engine_correction(dry_pressure: Array, temperature: Array) -> Array:
    """Factor that takes measured power of a spark-ignition engine to the reference day.

    Parameters
    ----------
    dry_pressure : Array
        barometer less the water vapour pressure [Pa]
    temperature : Array
        air temperature at the engine inlet [K]

    Returns
    -------
    Array
        factor, measured power times this is reference power [-]

    Notes
    -----
    ISO 1585 form: (99 kPa / p)^1.2 (T / 298 K)^0.6. Written for unboosted engines; the regulation
    that uses it takes results only between 0.93 and 1.07.
    """
    kelvin = np.asarray(temperature, dtype=np.float64)
    return (CORRECTION_PRESSURE / dry_pressure) ** 1.2 * (kelvin / CORRECTION_TEMPERATURE) ** 0.6


def engine_correction_j1349(dry_pressure: Array, temperature: Array) -> Array:
    """Second form of the power correction, with 85 % mechanical efficiency built in.

    Parameters
    ----------
    dry_pressure : Array
        barometer less the water vapour pressure [Pa]
    temperature : Array
        air temperature at the engine inlet [K]

    Returns
    -------
    Array
        factor, measured power times this is reference power [-]

    Notes
    -----
    SAE J1349 (spark ignition): 1.18 (99 kPa / p) sqrt(T / 298 K) - 0.18, unboosted engines.
    """
    kelvin = np.asarray(temperature, dtype=np.float64)
    indicated = CORRECTION_PRESSURE / dry_pressure * np.sqrt(kelvin / CORRECTION_TEMPERATURE)
    return 1.18 * indicated - 0.18


def _offender(values: np.ndarray, low: float, high: float) -> float:
    """First value outside the range (or not a number), for the error message."""
    outside = ~((values >= low) & (values <= high))
    return float(values[outside].flat[0])
