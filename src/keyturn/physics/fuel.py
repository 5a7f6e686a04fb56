"""Fuel: temperature laws, composition, blends of petrol with ethanol, heating value."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from keyturn.errors import DomainError
from keyturn.physics import Array

DENSITY_TEMPERATURE = 288.15  # 15 degC, where fuel density is stated
VISCOSITY_TEMPERATURE = 293.15  # 20 degC
VAPOUR_TEMPERATURE = 310.95  # 37.8 degC (100 degF), where vapour pressure is stated

# Dry air, US Standard Atmosphere 1976.
AIR_MOLAR_MASS = 28.9644
AIR_OXYGEN = 0.209476
# Atomic masses, IUPAC, rounded.
CARBON_MASS = 12.011
HYDROGEN_MASS = 1.008
OXYGEN_MASS = 15.999
# Enthalpies of formation at 25 degC in joule per mole, CODATA key values (Cox et al. 1989).
CARBON_DIOXIDE_FORMATION = -393.51e3
WATER_VAPOUR_FORMATION = -241.826e3

# Pure ethanol, the partner in every blend here (data/fuels.toml holds the sources).
ETHANOL_DENSITY = 793.7
ETHANOL_VISCOSITY = 1.194e-3
ETHANOL_STOICHIOMETRIC = 9.003
ETHANOL_HEATING_VALUE = 26.8e6
ETHANOL_LATENT_HEAT = 921.0e3

# Temperature laws. Petrol: n-heptane to toluene for expansion and viscosity, n-pentane for the
# light end that boils first. Ethanol: fits to the pure liquid, 0 to 60 degC.
PETROL_EXPANSION = 1.15e-3
ETHANOL_EXPANSION = 1.08e-3
PETROL_ACTIVATION = 1000.0
ETHANOL_ACTIVATION = 1726.0
PETROL_STEEPNESS = 3258.0
ETHANOL_STEEPNESS = 5065.0
# Ethanol by volume -> its share in the vapour pressure of the blend at 37.8 degC; see theory page.
_VAPOUR_SHARE = ((0.0, 0.10, 0.85, 1.0), (0.0, 0.13, 0.27, 1.0))

# One offset for all fuels in the three-constant vapour-pressure law: the optimum for n-pentane is
# 40 K, for ethanol 38 K, methanol 31 K; with 40 K all stay within 1 % from 0 to 60 degC.
VAPOUR_OFFSET = 40.0
# True vapour pressure over the pressure read in the Reid-type test, which lets some of the light
# end escape into four volumes of vapour space.
REID_RISE = 1.07


class Blend(NamedTuple):
    """Petrol with ethanol: density [kg/m3], mass share [-], ratio [-], heats [J/kg]."""

    density: Array
    ethanol_mass_fraction: Array
    stoichiometric_ratio: Array
    heating_value: Array
    latent_heat: Array


def stoichiometric_ratio(carbon: Array, hydrogen: Array, oxygen: Array) -> Array:
    """Mass of dry air per mass of fuel for complete burning.

    Parameters
    ----------
    carbon : Array
        carbon atoms in the fuel formula [-]
    hydrogen : Array
        hydrogen atoms in the fuel formula [-]
    oxygen : Array
        oxygen atoms in the fuel formula [-]

    Returns
    -------
    Array
        stoichiometric air-fuel ratio by mass [-]

    Notes
    -----
    Heywood, Internal Combustion Engine Fundamentals (1988), section 3.4, with real dry air
    (20.95 % oxygen). Air simplified to O2 + 3.76 N2 gives numbers 0.7 % lower.
    """
    fuel_mass = _molar_mass(carbon, hydrogen, oxygen)
    needed = carbon + np.asarray(hydrogen) / 4.0 - np.asarray(oxygen) / 2.0
    if not np.all(needed > 0.0):
        raise DomainError(
            "the formula holds as much oxygen as it can burn: not a fuel; give the atoms of "
            "carbon, hydrogen and oxygen in one molecule, for ethanol 2, 6, 1"
        )
    return needed * AIR_MOLAR_MASS / AIR_OXYGEN / fuel_mass


def density_at(temperature: Array, density_reference: Array, expansion: Array) -> Array:
    """Density of the liquid at another temperature.

    Parameters
    ----------
    temperature : Array
        fuel temperature [K]
    density_reference : Array
        density at 15 degC [kg/m3]
    expansion : Array
        thermal expansion of volume near 15 degC [1/K]

    Returns
    -------
    Array
        density [kg/m3]

    Notes
    -----
    Straight line from 15 degC, as the tables for trade do over short spans. Within 0.3 % of the
    reference equations of ethanol, methanol and n-heptane from 0 to 60 degC. Pressure is left out:
    1 MPa changes the density by 0.1 %.
    """
    return density_reference * (1.0 - expansion * (temperature - DENSITY_TEMPERATURE))


def viscosity_at(
    temperature: Array, viscosity_reference: Array, viscosity_activation: Array = PETROL_ACTIVATION
) -> Array:
    """Dynamic viscosity of the liquid at another temperature.

    Parameters
    ----------
    temperature : Array
        fuel temperature [K]
    viscosity_reference : Array
        dynamic viscosity at 20 degC [Pa s]
    viscosity_activation : Array
        activation temperature of the exponential law [K]

    Returns
    -------
    Array
        dynamic viscosity [Pa s]

    Notes
    -----
    Andrade (1934), mu = A exp(B / T). The default 1000 K lies between n-heptane (970) and toluene
    (1070); ethanol 1726, methanol 1293. Within 3 % of n-heptane, n-octane and toluene at 1000 K and
    within 1.1 % of the alcohols at their own, from 0 to 60 degC.
    """
    inverse = 1.0 / np.asarray(temperature, dtype=np.float64) - 1.0 / VISCOSITY_TEMPERATURE
    return viscosity_reference * np.exp(viscosity_activation * inverse)


def vapour_pressure_at(
    temperature: Array,
    vapour_pressure_reference: Array,
    vapour_steepness: Array = PETROL_STEEPNESS,
) -> Array:
    """Absolute true vapour pressure at another temperature.

    Parameters
    ----------
    temperature : Array
        fuel temperature [K]
    vapour_pressure_reference : Array
        absolute true vapour pressure at 37.8 degC [Pa]
    vapour_steepness : Array
        slope -d ln(p) / d(1/T) at 37.8 degC, heat of vaporisation over gas constant [K]

    Returns
    -------
    Array
        absolute vapour pressure [Pa]

    Notes
    -----
    Antoine's three-constant form (1888) with a fixed offset of 40 K, through the reference point
    with the stated slope. The default is n-pentane, the light end of petrol: steeper than whole
    petrol, so it errs high above 37.8 degC and low below. Compared from 0 to 60 degC.
    """
    kelvin = np.asarray(temperature, dtype=np.float64)
    span = VAPOUR_TEMPERATURE - VAPOUR_OFFSET
    slope = vapour_steepness * (span / VAPOUR_TEMPERATURE) ** 2
    return vapour_pressure_reference * np.exp(slope * (1.0 / span - 1.0 / (kelvin - VAPOUR_OFFSET)))


def true_vapour_pressure(reid_pressure: Array) -> Array:
    """True vapour pressure at 37.8 degC of petrol from the pressure of the standard test.

    Parameters
    ----------
    reid_pressure : Array
        absolute vapour pressure of the standard test (four volumes of vapour to one) [Pa]

    Returns
    -------
    Array
        absolute true vapour pressure at 37.8 degC [Pa]

    Notes
    -----
    Fixed rise of 7 %: the petrol equation of US EPA AP-42 section 7.1 (constants from memory) gives
    6.2 % at 48 kPa, 6.6 % at 62 kPa, 7.3 % at 103 kPa. Plain equilibrium of ideal
    mixtures gives 2 to 4 %, so the rule errs high. Not for pure liquids: there the rise is nil.
    """
    return REID_RISE * np.asarray(reid_pressure, dtype=np.float64)


def blend_by_volume(
    ethanol_fraction: Array,
    density_reference: Array,
    stoichiometric_ratio: Array,
    heating_value: Array,
    latent_heat: Array,
) -> Blend:
    """Petrol blended with ethanol, from the values of the petrol alone.

    Parameters
    ----------
    ethanol_fraction : Array
        ethanol by volume at 15 degC, 0 to 1 [-]
    density_reference : Array
        density of the petrol at 15 degC [kg/m3]
    stoichiometric_ratio : Array
        air-fuel ratio by mass of the petrol [-]
    heating_value : Array
        lower heating value of the petrol [J/kg]
    latent_heat : Array
        heat of vaporisation of the petrol [J/kg]

    Returns
    -------
    Blend
        density [kg/m3], ethanol_mass_fraction [-], stoichiometric_ratio [-], heating_value [J/kg],
        latent_heat [J/kg]

    Notes
    -----
    Volumes add (they grow by less than 0.3 %); the rest adds by mass, which is exact for the ratio
    and the heating value. Vapour pressure does NOT blend this way, see the theory page.
    """
    fraction = _fraction(ethanol_fraction)
    density = (1.0 - fraction) * density_reference + fraction * ETHANOL_DENSITY
    mass = fraction * ETHANOL_DENSITY / density
    rest = 1.0 - mass
    return Blend(
        density,
        mass,
        rest * stoichiometric_ratio + mass * ETHANOL_STOICHIOMETRIC,
        rest * heating_value + mass * ETHANOL_HEATING_VALUE,
        rest * latent_heat + mass * ETHANOL_LATENT_HEAT,
    )


def blend_viscosity(ethanol_fraction: Array, viscosity_reference: Array) -> Array:
    """Viscosity at 20 degC of petrol blended with ethanol.

    Parameters
    ----------
    ethanol_fraction : Array
        ethanol by volume at 15 degC, 0 to 1 [-]
    viscosity_reference : Array
        dynamic viscosity of the petrol at 20 degC [Pa s]

    Returns
    -------
    Array
        dynamic viscosity of the blend at 20 degC [Pa s]

    Notes
    -----
    Logarithms add by volume (Arrhenius 1887); about 10 % for hydrogen-bonding partners.
    """
    fraction = _fraction(ethanol_fraction)
    return viscosity_reference ** (1.0 - fraction) * ETHANOL_VISCOSITY**fraction


def blend_laws(ethanol_fraction: Array) -> tuple[Array, Array, Array]:
    """Temperature laws of petrol blended with ethanol.

    Parameters
    ----------
    ethanol_fraction : Array
        ethanol by volume at 15 degC, 0 to 1 [-]

    Returns
    -------
    tuple[Array, Array, Array]
        expansion [1/K], viscosity_activation [K], vapour_steepness [K]

    Notes
    -----
    Expansion and activation by volume; steepness by the share of ethanol in the vapour, because
    slopes of ln(p) add by partial pressure. Not for methanol: its row in data/fuels.toml has its
    own.
    """
    fraction = _fraction(ethanol_fraction)
    share = np.interp(fraction, *_VAPOUR_SHARE)
    return (
        PETROL_EXPANSION + fraction * (ETHANOL_EXPANSION - PETROL_EXPANSION),
        PETROL_ACTIVATION + fraction * (ETHANOL_ACTIVATION - PETROL_ACTIVATION),
        PETROL_STEEPNESS + share * (ETHANOL_STEEPNESS - PETROL_STEEPNESS),
    )


def lower_heating_value_from_formation(
    carbon: Array, hydrogen: Array, oxygen: Array, formation_enthalpy: Array
) -> Array:
    """Lower heating value of a pure fuel from its enthalpy of formation.

    Parameters
    ----------
    carbon : Array
        carbon atoms in the fuel formula [-]
    hydrogen : Array
        hydrogen atoms in the fuel formula [-]
    oxygen : Array
        oxygen atoms in the fuel formula [-]
    formation_enthalpy : Array
        enthalpy of formation at 25 degC, of the liquid for the liquid's value [J/kg]

    Returns
    -------
    Array
        lower heating value, water leaves as vapour [J/kg]

    Notes
    -----
    Hess's law with the CODATA enthalpies of carbon dioxide and water vapour; exact at 25 degC.
    """
    water = np.asarray(hydrogen, dtype=np.float64) / 2.0
    products = carbon * CARBON_DIOXIDE_FORMATION + water * WATER_VAPOUR_FORMATION
    return formation_enthalpy - products / (_molar_mass(carbon, hydrogen, oxygen) * 1.0e-3)


def lower_from_higher(
    higher_heating_value: Array, hydrogen_mass_fraction: Array, water_latent_heat: Array = 2.442e6
) -> Array:
    """Lower heating value from the higher one.

    Parameters
    ----------
    higher_heating_value : Array
        heating value with the water condensed [J/kg]
    hydrogen_mass_fraction : Array
        hydrogen by mass in the fuel [-]
    water_latent_heat : Array
        heat of vaporisation of water at the reference temperature [J/kg]

    Returns
    -------
    Array
        lower heating value [J/kg]

    Notes
    -----
    One mass of hydrogen makes 8.94 of water. Default heat at 25 degC and constant pressure.
    """
    water = (2.0 * HYDROGEN_MASS + OXYGEN_MASS) / (2.0 * HYDROGEN_MASS) * hydrogen_mass_fraction
    return higher_heating_value - water * water_latent_heat


def _molar_mass(carbon: Array, hydrogen: Array, oxygen: Array) -> Array:
    return carbon * CARBON_MASS + hydrogen * HYDROGEN_MASS + oxygen * OXYGEN_MASS


def _fraction(ethanol_fraction: Array) -> Array:
    fraction = np.asarray(ethanol_fraction, dtype=np.float64)
    if not np.all((fraction >= 0.0) & (fraction <= 1.0)):
        raise DomainError("ethanol by volume is accepted from 0 to 1 (E85 is 0.85)")
    return fraction
