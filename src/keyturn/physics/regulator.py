"""Bypass pressure regulator: controlling, wide open, and both together with its return line.

Pressures here are gauge: above ambient.
"""

from __future__ import annotations

import numpy as np

from keyturn.physics import Array


def controlled_pressure(
    set_pressure: Array,
    reference_ratio: Array,
    reference_gauge: Array,
    regulator_slope: Array,
    bypass_flow: Array,
) -> Array:
    """Pressure that a regulator holds while it controls.

    Parameters
    ----------
    set_pressure : Array
        Pressure above its reference at the crack of opening [Pa]
    reference_ratio : Array
        Change of rail pressure per change of reference, 1 for 1:1, 0 for none [-]
    reference_gauge : Array
        Pressure at the reference port above ambient [Pa]
    regulator_slope : Array
        Rise of pressure per bypass flow [Pa s/m3]
    bypass_flow : Array
        Flow through the regulator [m3/s]

    Returns
    -------
    Array
        Pressure before the regulator, above ambient [Pa].

    Notes
    -----
    Force balance of spring and diaphragm, straight line in flow. No hysteresis, no seat effect
    of the return pressure (see `relief_and_slope`).
    """
    return set_pressure + reference_ratio * reference_gauge + regulator_slope * bypass_flow


def wide_open_coefficient(open_drop: Array, open_flow: Array) -> Array:
    """Quadratic coefficient of a regulator that is fully open.

    Parameters
    ----------
    open_drop : Array
        Drop through the fully open regulator at ``open_flow`` [Pa]
    open_flow : Array
        Flow of that drop, above 0 [m3/s]

    Returns
    -------
    Array
        Drop over flow squared [Pa s2/m6].

    Notes
    -----
    Fixed orifice.
    """
    return open_drop / (open_flow * open_flow)


def relief_and_slope(
    bypass_flow: Array,
    cracking_gauge: Array,
    regulator_slope: Array,
    open_coefficient: Array,
    seat_share: Array,
    return_drop: Array,
    return_slope: Array,
) -> tuple[Array, Array]:
    """Pressure before a regulator with its return line, and its slope by bypass flow.

    Parameters
    ----------
    bypass_flow : Array
        Flow through the regulator; below zero only on the way to a solution [m3/s]
    cracking_gauge : Array
        Controlled pressure at no flow: set + ratio * reference [Pa]
    regulator_slope : Array
        Rise of controlled pressure per bypass flow [Pa s/m3]
    open_coefficient : Array
        Drop over flow squared when fully open [Pa s2/m6]
    seat_share : Array
        Share of the return pressure that adds to the controlled pressure [-]
    return_drop : Array
        Drop of the return line at max(bypass flow, 0) [Pa]
    return_slope : Array
        Slope of that drop by flow, there [Pa s/m3]

    Returns
    -------
    tuple of Array
        Pressure before the regulator, above ambient [Pa], and its slope [Pa s/m3].

    Notes
    -----
    The larger of controlled + seat share * return drop and wide-open + return drop: the second
    one is overrun. Below zero flow it goes on as a straight line with the slope at zero, so that
    a Newton step taken there still points to the solution. Never falling in flow.
    """
    positive = np.maximum(bypass_flow, 0.0)
    opened = open_coefficient * positive
    controlled = cracking_gauge + regulator_slope * positive + seat_share * return_drop
    wide_open = opened * positive + return_drop
    slope = np.where(
        wide_open > controlled,
        2.0 * opened + return_slope,
        regulator_slope + seat_share * return_slope,
    )
    return np.maximum(controlled, wide_open) + slope * (bypass_flow - positive), slope
