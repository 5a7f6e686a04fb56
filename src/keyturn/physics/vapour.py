"""Vapour margin: how far the fuel stays above its vapour pressure at the pump and at the rail."""

from __future__ import annotations

from keyturn.physics import Array

GRAVITY = 9.80665

# 110 degF, the fuel temperature at which 14 CFR 23.961 has suction-lift systems tested.
HOT_FUEL_TEMPERATURE = 316.4833


def inlet_pressure(tank_pressure: Array, density: Array, lift: Array, losses: Array) -> Array:
    """Absolute total pressure at the pump inlet.

    Parameters
    ----------
    tank_pressure : Array
        absolute pressure on the liquid in the tank [Pa]
    density : Array
        density of the liquid [kg/m3]
    lift : Array
        height of the pump inlet above the liquid level, negative when flooded [m]
    losses : Array
        friction from the tank to the pump inlet: strainer, hose, fittings [Pa]

    Returns
    -------
    Array
        absolute pressure, velocity head included [Pa]

    Notes
    -----
    Bernoulli with losses, liquid at rest in the tank. A result below zero means that the liquid
    column would have broken; it is returned, not clipped, so that the margin stays monotone.
    """
    return tank_pressure - density * GRAVITY * lift - losses


def suction_margin(inlet_pressure: Array, vapour_pressure: Array) -> Array:
    """Pressure between the pump inlet and boiling.

    Parameters
    ----------
    inlet_pressure : Array
        absolute total pressure at the pump inlet [Pa]
    vapour_pressure : Array
        absolute true vapour pressure at the temperature of the fuel there [Pa]

    Returns
    -------
    Array
        margin; zero or below: the fuel boils before it reaches the pump [Pa]

    Notes
    -----
    Definition of net positive suction head, in pressure (Crane TP-410, example 7.32). A positive
    margin is not enough by itself: the pump needs part of it, see ``head_ratio``.
    """
    return inlet_pressure - vapour_pressure


def rail_margin(rail_pressure: Array, vapour_pressure: Array) -> Array:
    """Pressure between the rail and boiling in the hot rail.

    Parameters
    ----------
    rail_pressure : Array
        absolute pressure in the rail [Pa]
    vapour_pressure : Array
        absolute true vapour pressure at the temperature of the rail [Pa]

    Returns
    -------
    Array
        margin; zero or below: vapour in the rail [Pa]

    Notes
    -----
    Definition. With the engine off the rail loses its pressure while it soaks in heat: use the
    pressure that the check valve holds then, not the running one.
    """
    return rail_pressure - vapour_pressure


def suction_head(margin: Array, density: Array) -> Array:
    """Margin as a column of the liquid: net positive suction head available.

    Parameters
    ----------
    margin : Array
        pressure between the pump inlet and boiling [Pa]
    density : Array
        density of the liquid [kg/m3]

    Returns
    -------
    Array
        net positive suction head available [m]

    Notes
    -----
    Definition, Crane TP-410, example 7.32.
    """
    return margin / (density * GRAVITY)


def lift_allowed(
    tank_pressure: Array,
    vapour_pressure: Array,
    density: Array,
    losses: Array,
    head_required: Array,
) -> Array:
    """Greatest height of the pump inlet above the liquid level that leaves the head required.

    Parameters
    ----------
    tank_pressure : Array
        absolute pressure on the liquid in the tank [Pa]
    vapour_pressure : Array
        absolute true vapour pressure at the temperature of the fuel there [Pa]
    density : Array
        density of the liquid [kg/m3]
    losses : Array
        friction from the tank to the pump inlet: strainer, hose, fittings [Pa]
    head_required : Array
        net positive suction head that the pump requires [m]

    Returns
    -------
    Array
        height; negative: the liquid must stand above the pump by this much [m]

    Notes
    -----
    ``inlet_pressure`` and ``suction_head`` solved for the lift (Schaschke, Fluid Mechanics: Worked
    Examples, 9.6).
    """
    return (tank_pressure - vapour_pressure - losses) / (density * GRAVITY) - head_required


def head_ratio(suction_head: Array, head_required: Array) -> Array:
    """Head available over head required.

    Parameters
    ----------
    suction_head : Array
        net positive suction head available [m]
    head_required : Array
        net positive suction head that the pump requires [m]

    Returns
    -------
    Array
        ratio; Crane TP-410, example 7.32, asks for 1.3 [-]

    Notes
    -----
    Fuel pumps for road cars rarely come with a stated required head: then only ``suction_margin``
    can be given, and it says that the fuel boils or not, not that the pump is content.
    """
    return suction_head / head_required
