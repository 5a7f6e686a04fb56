"""Flat gasket: seating and operating load, squeeze, spread between bolts, creep, blow-out."""

from __future__ import annotations

import numpy as np

from keyturn.physics import Array

_NARROW = 0.00635  # 1/4 in: up to here the whole basic width counts
_INCH = 0.0254


def effective_width(contact_width: Array) -> Array:
    """Width of a flat ring that counts as sealing.

    Parameters
    ----------
    contact_width : Array
        Width of the land that is pressed [m].

    Returns
    -------
    Array
        Effective width b [m]. ASME VIII-1 appendix 2, table 2-5.2, sketch 1a: b0 = N/2, b = b0 up
        to 1/4 in, then 0.5 b0^0.5 in inches.
    """
    basic = np.asarray(contact_width) / 2.0
    wide: Array = 0.5 * np.sqrt(basic / _INCH) * _INCH
    return np.where(basic <= _NARROW, basic, wide)


def reaction_diameter(outside_diameter: Array, contact_width: Array) -> Array:
    """Diameter at which a ring gasket pushes back.

    Parameters
    ----------
    outside_diameter : Array
        Outside diameter of the ring [m].
    contact_width : Array
        Width of the ring [m].

    Returns
    -------
    Array
        Diameter G [m]. ASME VIII-1 appendix 2: mean diameter up to b0 = 1/4 in, else OD - 2 b.
    """
    outside = np.asarray(outside_diameter)
    narrow = np.asarray(contact_width) / 2.0 <= _NARROW
    return np.where(narrow, outside - contact_width, outside - 2.0 * effective_width(contact_width))


def seating_load(gasket_length: Array, effective_width: Array, seating_stress: Array) -> Array:
    """Bolt load that beds a gasket before there is pressure.

    Parameters
    ----------
    gasket_length : Array
        Length of the sealing line; pi G of a ring [m].
    effective_width : Array
        Effective width b [m].
    seating_stress : Array
        Seating stress y [Pa].

    Returns
    -------
    Array
        Load Wm2 [N]. ASME VIII-1 appendix 2 (2-5), written for any outline.
    """
    return gasket_length * effective_width * seating_stress


def operating_load(
    pressed_area: Array,
    gasket_length: Array,
    effective_width: Array,
    gasket_factor: Array,
    sealed_pressure: Array,
) -> Array:
    """Bolt load that keeps a gasket tight under pressure.

    Parameters
    ----------
    pressed_area : Array
        Area within the sealing line that the pressure lifts [m2].
    gasket_length : Array
        Length of the sealing line [m].
    effective_width : Array
        Effective width b [m].
    gasket_factor : Array
        Gasket factor m, contact stress over pressure [-].
    sealed_pressure : Array
        Pressure above ambient that is sealed [Pa].

    Returns
    -------
    Array
        Load Wm1 [N]. ASME VIII-1 appendix 2 (2-5): H + 2 b L m p.
    """
    lift = pressed_area * sealed_pressure
    return lift + 2.0 * effective_width * gasket_length * gasket_factor * sealed_pressure


def squeeze(
    gasket_stress: Array, compressibility: Array, compressibility_stress: Array, stiffening: Array
) -> Array:
    """Share of its thickness by which a sheet is pressed thinner.

    Parameters
    ----------
    gasket_stress : Array
        Contact stress [Pa].
    compressibility : Array
        Squeeze at the stress of the data sheet [-].
    compressibility_stress : Array
        Stress of the data sheet [Pa].
    stiffening : Array
        Exponent, 1 for a linear sheet, less where it stiffens [-].

    Returns
    -------
    Array
        Squeeze [-], at most 0.9. A power law through the one published point: an assumption.
    """
    raw = compressibility * np.power(
        np.maximum(gasket_stress / compressibility_stress, 0.0), stiffening
    )
    return np.minimum(raw, 0.9)


def plate_stiffness(elastic_modulus: Array, plate_thickness: Array, poisson_ratio: Array) -> Array:
    """Bending stiffness of a flange as a plate.

    Parameters
    ----------
    elastic_modulus : Array
        Modulus of the flange [Pa].
    plate_thickness : Array
        Thickness of the flange [m].
    poisson_ratio : Array
        Poisson's ratio of the flange [-].

    Returns
    -------
    Array
        Stiffness D [N m]. E h^3 / 12 (1 - nu^2), Timoshenko, Theory of Plates and Shells.
    """
    cube = plate_thickness * plate_thickness * plate_thickness
    return elastic_modulus * cube / (12.0 * (1.0 - poisson_ratio * poisson_ratio))


def foundation_root(foundation_modulus: Array, bending_stiffness: Array) -> Array:
    """How quickly a beam on a bed forgets a load.

    Parameters
    ----------
    foundation_modulus : Array
        Force per length of beam and per displacement [Pa].
    bending_stiffness : Array
        E I of the beam [N m2].

    Returns
    -------
    Array
        beta = (k / 4 E I)^(1/4) [1/m]. Hetenyi, Beams on Elastic Foundation, 1946.
    """
    return np.power(foundation_modulus / (4.0 * bending_stiffness), 0.25)


def row_of_bolts(
    bolt_pull: Array, bolt_spacing: Array, foundation_root: Array
) -> tuple[Array, Array]:
    """Load per length under a bolt and midway in an endless row of equal bolts.

    Parameters
    ----------
    bolt_pull : Array
        Pull of one bolt [N].
    bolt_spacing : Array
        Distance from bolt to bolt [m].
    foundation_root : Array
        beta of flange and gasket [1/m].

    Returns
    -------
    tuple of Array
        Line load at a bolt and midway [N/m]. Hetenyi's endless beam, sum over all bolts in closed
        form. Midway turns negative above beta spacing = 4.73: the flange lifts there. A linear
        gasket that also pulls: below zero only the sign is meant.
    """
    turn = np.asarray(foundation_root * bolt_spacing)
    scale = bolt_pull * foundation_root / 2.0
    below = np.cosh(turn) - np.cos(turn)
    half = turn / 2.0
    at_bolt = scale * (np.sinh(turn) + np.sin(turn)) / below
    midway = np.sinh(half) * np.cos(half) + np.cosh(half) * np.sin(half)
    return at_bolt, scale * 2.0 * midway / below


def retained_share(creep: Array, heat_cycles: Array, loss_per_decade: Array) -> Array:
    """Share of the tightening stress that is left after creep relaxation.

    Parameters
    ----------
    creep : Array
        Share lost in the first heat cycle [-].
    heat_cycles : Array
        Number of heat cycles; below one counts in proportion [-].
    loss_per_decade : Array
        Share of the rest that is lost for every tenfold number of cycles [-].

    Returns
    -------
    Array
        Share left [-]. First loss as in a creep relaxation test (ASTM F38), further loss straight
        against the logarithm of the cycles, the usual shape for rubber: an assumption here.
    """
    cycles = np.asarray(heat_cycles)
    first: Array = 1.0 - creep * np.minimum(cycles, 1.0)
    decades = np.log10(np.maximum(cycles, 1.0))
    left: Array = first * np.power(1.0 - loss_per_decade, decades)
    return left


def blow_out_pressure(
    gasket_stress: Array, land_width: Array, sheet_thickness: Array, friction: Array
) -> Array:
    """Pressure that pushes a land sideways out of the joint.

    Parameters
    ----------
    gasket_stress : Array
        Contact stress on the land [Pa].
    land_width : Array
        Width of the land [m].
    sheet_thickness : Array
        Thickness of the pressed sheet [m].
    friction : Array
        Friction coefficient on each face; far less with grease or wet silicone [-].

    Returns
    -------
    Array
        Pressure across the land [Pa]. Balance of p t against 2 mu sigma w on a straight land, the
        strength of the sheet left out.
    """
    return 2.0 * friction * gasket_stress * land_width / sheet_thickness
