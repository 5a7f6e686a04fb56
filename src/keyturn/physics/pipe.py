"""Pressure drop in pipes, hoses and fittings for one liquid at a time.

Darcy friction factor throughout (not Fanning). A drop has the sign of its flow.
"""

from __future__ import annotations

import numpy as np

from keyturn.physics import Array

LAMINAR_LIMIT = 2000.0  # [-] below: Hagen-Poiseuille
TURBULENT_LIMIT = 4000.0  # [-] above: Colebrook-White
_LOG_SHARE = 0.8685972  # near 2 / ln(10), as fitted by Praks and Brkic
# Theirs is 8.0878, for a Colebrook equation written with 3.71; 3.7 is what most references use.
_ROUGH_SHARE = 1.0 / (8.0878 * 3.7 / 3.71)


def turbulent_friction_and_slope(reynolds: Array, relative_roughness: Array) -> tuple[Array, Array]:
    """Darcy friction factor of turbulent flow and its logarithmic slope.

    Parameters
    ----------
    reynolds : Array
        Reynolds number [-]
    relative_roughness : Array
        Wall roughness over inside diameter [-]

    Returns
    -------
    tuple of Array
        Friction factor [-] and df/d(ln Re) [-].

    Notes
    -----
    Praks and Brkic (2020), explicit form of Colebrook and White (1939) with 3.7 as its rough
    constant; relative error at most 1e-4 for Reynolds 4e3..1e8 and relative roughness 0..0.05.
    """
    rough = reynolds * (relative_roughness * _ROUGH_SHARE)
    log_reynolds = np.log(reynolds) - 0.779397488
    inner = rough + log_reynolds
    log_inner = np.log(inner)
    reciprocal = 1.0 / (inner - 0.5588 * log_inner + 1.2079)
    share = log_inner * reciprocal
    root = log_reynolds - log_inner + share  # 1 / sqrt(friction), over _LOG_SHARE
    friction: Array = (1.0 / _LOG_SHARE**2) / (root * root)
    # by d(ln Re): d(rough) = rough, d(log_reynolds) = 1
    inner_slope = rough + 1.0
    log_slope = inner_slope / inner
    share_slope = (log_slope - share * (inner_slope - 0.5588 * log_slope)) * reciprocal
    return friction, -2.0 * friction / root * (1.0 - log_slope + share_slope)


def friction_factor(reynolds: Array, relative_roughness: Array) -> Array:
    """Darcy friction factor, laminar, turbulent and the convention between.

    Parameters
    ----------
    reynolds : Array
        Reynolds number, above 0 [-]
    relative_roughness : Array
        Wall roughness over inside diameter [-]

    Returns
    -------
    Array
        Friction factor [-].

    Notes
    -----
    64/Re (Hagen-Poiseuille) below 2000, Colebrook-White above 4000. Between them the pressure
    drop is blended by a smooth step: a convention, no law holds there.
    """
    turbulent, _ = turbulent_friction_and_slope(
        np.maximum(reynolds, LAMINAR_LIMIT), relative_roughness
    )
    laminar = 64.0 / np.maximum(reynolds, 1e-12)
    step = np.clip((reynolds - LAMINAR_LIMIT) / (TURBULENT_LIMIT - LAMINAR_LIMIT), 0.0, 1.0)
    weight = step * step * (3.0 - 2.0 * step)
    friction: Array = laminar + weight * (turbulent - laminar)
    return friction


def line_coefficients(
    diameter: Array, length: Array, roughness: Array, density: Array, viscosity: Array
) -> tuple[Array, Array, Array, Array]:
    """What a straight line needs for `drop_and_slope`, once per line and liquid.

    Parameters
    ----------
    diameter : Array
        Inside diameter [m]
    length : Array
        Length [m]
    roughness : Array
        Equivalent sand roughness of the wall [m]
    density : Array
        Density of the liquid [kg/m3]
    viscosity : Array
        Dynamic viscosity of the liquid [Pa s]

    Returns
    -------
    tuple of Array
        Laminar resistance [Pa s/m3], turbulent coefficient [Pa s2/m6] (drop = coefficient * f *
        flow * abs(flow)), Reynolds number per flow [s/m3], relative roughness [-].

    Notes
    -----
    Hagen-Poiseuille and Darcy-Weisbach, round pipe running full.
    """
    square = diameter * diameter
    laminar_resistance = 128.0 / np.pi * viscosity * length / (square * square)
    turbulent_coefficient = 8.0 / np.pi**2 * density * length / (square * square * diameter)
    reynolds_per_flow = 4.0 / np.pi * density / (viscosity * diameter)
    return laminar_resistance, turbulent_coefficient, reynolds_per_flow, roughness / diameter


def drop_and_slope(
    flow: Array,
    laminar_resistance: Array,
    turbulent_coefficient: Array,
    reynolds_per_flow: Array,
    relative_roughness: Array,
) -> tuple[Array, Array]:
    """Pressure drop along a line and its slope by flow; odd and strictly rising in flow.

    Parameters
    ----------
    flow : Array
        Volume flow, negative when it runs backwards [m3/s]
    laminar_resistance : Array
        Drop per flow when laminar [Pa s/m3]
    turbulent_coefficient : Array
        Drop over friction factor and flow squared [Pa s2/m6]
    reynolds_per_flow : Array
        Reynolds number over flow [s/m3]
    relative_roughness : Array
        Wall roughness over inside diameter [-]

    Returns
    -------
    tuple of Array
        Pressure drop [Pa] and its slope by flow [Pa s/m3].

    Notes
    -----
    Same laws as `friction_factor`. The blend keeps the drop rising because the turbulent drop is
    above the laminar one everywhere between Reynolds 2000 and 4000.
    """
    size = np.abs(flow)
    reynolds = size * reynolds_per_flow
    friction, friction_slope = turbulent_friction_and_slope(
        np.maximum(reynolds, LAMINAR_LIMIT), relative_roughness
    )
    span = TURBULENT_LIMIT - LAMINAR_LIMIT
    step = np.clip(reynolds * (1.0 / span) - LAMINAR_LIMIT / span, 0.0, 1.0)
    square = step * step
    weight = square * (3.0 - 2.0 * step)
    # d(weight)/d(ln Re); inside the blend Re / span is step + LAMINAR_LIMIT / span
    weight_slope = 6.0 * (step - square) * (step + LAMINAR_LIMIT / span)
    scaled = turbulent_coefficient * size
    excess = scaled * friction - laminar_resistance  # turbulent less laminar, per flow
    resistance = laminar_resistance + weight * excess
    slope = resistance + weight * (scaled * (friction + friction_slope)) + weight_slope * excess
    return resistance * flow, slope


def line_drop(
    flow: Array,
    diameter: Array,
    length: Array,
    roughness: Array,
    density: Array,
    viscosity: Array,
) -> Array:
    """Pressure drop along a straight line.

    Parameters
    ----------
    flow : Array
        Volume flow [m3/s]
    diameter : Array
        Inside diameter [m]
    length : Array
        Length [m]
    roughness : Array
        Equivalent sand roughness of the wall [m]
    density : Array
        Density of the liquid [kg/m3]
    viscosity : Array
        Dynamic viscosity of the liquid [Pa s]

    Returns
    -------
    Array
        Pressure drop, with the sign of the flow [Pa].

    Notes
    -----
    Darcy-Weisbach with `friction_factor`; no rise in height, no acceleration at the ends.
    """
    return drop_and_slope(
        flow, *line_coefficients(diameter, length, roughness, density, viscosity)
    )[0]


def velocity(flow: Array, diameter: Array) -> Array:
    """Mean velocity in a round pipe, for the suction rule and for loss coefficients.

    Parameters
    ----------
    flow : Array
        Volume flow [m3/s]
    diameter : Array
        Inside diameter [m]

    Returns
    -------
    Array
        Mean velocity [m/s].

    Notes
    -----
    Continuity.
    """
    return flow * (4.0 / np.pi) / (diameter * diameter)


def fitting_coefficient(loss: Array, diameter: Array, density: Array) -> Array:
    """Quadratic coefficient of a fitting: drop = coefficient * flow * abs(flow).

    Parameters
    ----------
    loss : Array
        Loss coefficient K on the velocity in ``diameter`` [-]
    diameter : Array
        Inside diameter to which the loss refers [m]
    density : Array
        Density of the liquid [kg/m3]

    Returns
    -------
    Array
        Quadratic coefficient [Pa s2/m6].

    Notes
    -----
    Drop = K rho v^2 / 2; K taken as constant, which holds well inside turbulent flow.
    """
    square = diameter * diameter
    return loss * density * (8.0 / np.pi**2) / (square * square)


def fitting_drop(flow: Array, loss: Array, diameter: Array, density: Array) -> Array:
    """Pressure drop of a fitting with a loss coefficient; odd in flow.

    Parameters
    ----------
    flow : Array
        Volume flow [m3/s]
    loss : Array
        Loss coefficient K on the velocity in ``diameter`` [-]
    diameter : Array
        Inside diameter to which the loss refers [m]
    density : Array
        Density of the liquid [kg/m3]

    Returns
    -------
    Array
        Pressure drop, with the sign of the flow [Pa].

    Notes
    -----
    K rho v^2 / 2.
    """
    return fitting_coefficient(loss, diameter, density) * flow * np.abs(flow)


def expansion_loss(diameter_ratio: Array) -> Array:
    """Loss coefficient of a sudden expansion on the velocity in the small side.

    Parameters
    ----------
    diameter_ratio : Array
        Small over large inside diameter, 0 for an outlet into a tank [-]

    Returns
    -------
    Array
        Loss coefficient [-].

    Notes
    -----
    Borda-Carnot, (1 - ratio^2)^2.
    """
    return (1.0 - diameter_ratio * diameter_ratio) ** 2


def contraction_loss(diameter_ratio: Array) -> Array:
    """Loss coefficient of a sudden contraction on the velocity in the small side.

    Parameters
    ----------
    diameter_ratio : Array
        Small over large inside diameter, 0 for a sharp inlet from a tank [-]

    Returns
    -------
    Array
        Loss coefficient [-].

    Notes
    -----
    Idelchik, 0.5 (1 - ratio^2)^0.75; lies between the forms of Crane TP-410 and Rennels.
    """
    return 0.5 * (1.0 - diameter_ratio * diameter_ratio) ** 0.75


def elbow_loss(
    reynolds: Array, diameter: Array, laminar_loss: Array = 800.0, turbulent_loss: Array = 0.40
) -> Array:
    """Loss coefficient of an elbow or tee by the two-K method.

    Parameters
    ----------
    reynolds : Array
        Reynolds number in the fitting, above 0 [-]
    diameter : Array
        Inside diameter [m]
    laminar_loss : Array
        K1 of the method; 800 for a standard screwed 90 degree elbow [-]
    turbulent_loss : Array
        K infinity of the method; 0.40 for a standard screwed 90 degree elbow [-]

    Returns
    -------
    Array
        Loss coefficient [-].

    Notes
    -----
    Hooper (1981): K1/Re + Kinf (1 + 25.4 mm / diameter). Made for process pipe; below 15 mm it
    is an extrapolation.
    """
    return laminar_loss / reynolds + turbulent_loss * (1.0 + 0.0254 / diameter)


def tee_loss(branch_share: Array) -> Array:
    """Loss coefficient of the branch of an equal 90 degree tee that divides the flow.

    Parameters
    ----------
    branch_share : Array
        Branch flow over incoming flow [-]

    Returns
    -------
    Array
        Loss coefficient on the velocity of the incoming flow [-].

    Notes
    -----
    Crane TP-410 (2009 and later), diverging flow: G (1 + 0.3 share^2), with G = 1 + 0.3 share^2
    where branch and run are of one size.
    """
    square = branch_share * branch_share
    return (1.0 + 0.3 * square) * (1.0 + 0.3 * square)


def curved_friction_ratio(
    reynolds: Array, curvature: Array, relative_roughness: Array = 0.0
) -> Array:
    """Friction in a coiled or bent hose over that in a straight one at the same Reynolds number.

    Parameters
    ----------
    reynolds : Array
        Reynolds number, above 0 [-]
    curvature : Array
        Inside diameter over centre-line diameter of the curve, 0 for straight [-]
    relative_roughness : Array
        Wall roughness over inside diameter [-]

    Returns
    -------
    Array
        Multiplier on the straight friction factor, at least 1 [-].

    Notes
    -----
    Laminar: White (1929). Turbulent: Schmidt (1967), switched at its Reynolds 2.2e4, with its
    critical Reynolds number 2300 (1 + 8.6 curvature^0.45); blended over the next 30 %. For full
    turns; one bend of a hose has less than this. Methods differ by about 15 %.
    """
    dean = np.maximum(reynolds * np.sqrt(curvature), 11.6)
    white = 1.0 / (1.0 - (1.0 - (11.6 / dean) ** 0.45) ** (1.0 / 0.45))
    straight = friction_factor(reynolds, relative_roughness)
    laminar = white * 64.0 / np.maximum(reynolds, 1e-12) / straight
    low = 1.0 + 2.88e4 / np.maximum(reynolds, 1e-12) * curvature**0.62
    high = 1.0 + 0.0823 * (1.0 + curvature) * curvature**0.53 * reynolds**0.25
    turbulent = np.where(reynolds < 2.2e4, low, high)
    critical = 2300.0 * (1.0 + 8.6 * curvature**0.45)
    step = np.clip((reynolds / critical - 1.0) / 0.3, 0.0, 1.0)
    weight = step * step * (3.0 - 2.0 * step)
    return np.maximum(laminar + weight * (turbulent - laminar), 1.0)


def part_drop_coefficients(
    pressure_drop: Array, flow: Array, linear_share: Array
) -> tuple[Array, Array]:
    """Coefficients of a part known by one drop at one flow, such as a filter.

    Parameters
    ----------
    pressure_drop : Array
        Pressure drop at ``flow`` [Pa]
    flow : Array
        Volume flow at which the drop was stated, above 0 [m3/s]
    linear_share : Array
        Share of the drop that grows with flow; the rest grows with its square [-]

    Returns
    -------
    tuple of Array
        Linear [Pa s/m3] and quadratic [Pa s2/m6] coefficient.

    Notes
    -----
    Darcy-Forchheimer form. Filter media are mostly linear, cases and ports mostly quadratic.
    """
    return (
        linear_share * pressure_drop / flow,
        (1.0 - linear_share) * pressure_drop / (flow * flow),
    )
