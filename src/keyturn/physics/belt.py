"""Belt drive: ratio, length and wrap, and the power it carries before it slips."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from keyturn.errors import DomainError
from keyturn.physics import Array

RIB_GROOVE_ANGLE = np.radians(40.0)  # PK rib, ISO 9981 table 1 (from memory)


def speed_ratio(driver_diameter: Array, driven_diameter: Array, slip: Array = 0.0) -> Array:
    """Driven speed over driving speed.

    Parameters
    ----------
    driver_diameter : Array
        Pitch diameter of the driving pulley [m].
    driven_diameter : Array
        Pitch diameter of the driven pulley [m].
    slip : Array
        Share of the speed lost by creep and slip [-].

    Returns
    -------
    Array
        Speed ratio [-]. Khurmi & Gupta, Machine Design, ex. 11.1. Pitch, not outside, diameters.
    """
    return driver_diameter / driven_diameter * (1.0 - slip)


def belt_speed(pitch_diameter: Array, pulley_speed: Array) -> Array:
    """Speed of the belt.

    Parameters
    ----------
    pitch_diameter : Array
        Pitch diameter of a pulley [m].
    pulley_speed : Array
        Speed of that pulley [1/s].

    Returns
    -------
    Array
        Belt speed [m/s]. Definition. Catalogues end near 33 m/s for plain cast pulleys and near
        50 m/s for ribbed belts (from memory).
    """
    return np.pi * pitch_diameter * pulley_speed


def open_belt_wrap(pitch_diameter: Array, other_diameter: Array, centre_distance: Array) -> Array:
    """Wrap of an open belt on the first of two pulleys.

    Parameters
    ----------
    pitch_diameter : Array
        Pitch diameter of the pulley that is asked for [m].
    other_diameter : Array
        Pitch diameter of the other pulley [m].
    centre_distance : Array
        Distance of the shafts, more than half the difference of diameters [m].

    Returns
    -------
    Array
        Wrap angle [rad]. Exact geometry.
    """
    return np.pi + 2.0 * np.arcsin((pitch_diameter - other_diameter) / (2.0 * centre_distance))


def open_belt_length(pitch_diameter: Array, other_diameter: Array, centre_distance: Array) -> Array:
    """Length of an open belt around two pulleys.

    Parameters
    ----------
    pitch_diameter : Array
        Pitch diameter of one pulley [m].
    other_diameter : Array
        Pitch diameter of the other pulley [m].
    centre_distance : Array
        Distance of the shafts, more than half the difference of diameters [m].

    Returns
    -------
    Array
        Pitch length [m]. Exact geometry, both straights and both arcs.
    """
    difference = (pitch_diameter - other_diameter) / 2.0
    straight = np.sqrt(centre_distance * centre_distance - difference * difference)
    first = open_belt_wrap(pitch_diameter, other_diameter, centre_distance)
    arcs = first * pitch_diameter / 2.0 + (2.0 * np.pi - first) * other_diameter / 2.0
    return 2.0 * straight + arcs


def belt_route(
    centre_x: NDArray[np.float64],
    centre_y: NDArray[np.float64],
    pitch_diameter: NDArray[np.float64],
    turn: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Length and wraps of a belt over any number of pulleys, in the order the belt meets them.

    Parameters
    ----------
    centre_x : Array
        Centres of the pulleys, last axis along the belt [m].
    centre_y : Array
        Centres of the pulleys, last axis along the belt [m].
    pitch_diameter : Array
        Pitch diameters of the pulleys, on the side that touches [m].
    turn : Array
        1 where the belt bends counter-clockwise, -1 where clockwise (back-side idler) [-].

    Returns
    -------
    tuple of Array
        Pitch length [m] and wrap of every pulley [rad], without sign. Exact common tangents.
        Pulleys out of order, on the wrong side or overlapping raise ``DomainError``; a straight
        that runs through a third pulley is not noticed.
    """
    signed = np.asarray(turn) * np.asarray(pitch_diameter) / 2.0
    step_x = np.roll(centre_x, -1, axis=-1) - centre_x
    step_y = np.roll(centre_y, -1, axis=-1) - centre_y
    distance = np.hypot(step_x, step_y)
    difference = np.roll(signed, -1, axis=-1) - signed
    if np.any(np.abs(difference) >= distance):
        raise DomainError("two neighbouring pulleys overlap: no belt can run between them")
    heading = np.arctan2(step_y, step_x) - np.arcsin(difference / distance)
    wrap = np.mod(turn * (heading - np.roll(heading, 1, axis=-1)), 2.0 * np.pi)
    # a belt that closes turns once; only the crossed belt of two pulleys turns not at all
    turns = np.abs(np.rint(np.sum(turn * wrap, axis=-1) / (2.0 * np.pi)))
    crossed_pair = (np.shape(turn)[-1] == 2) & (turns == 0.0)
    if not np.all((turns == 1.0) | crossed_pair):
        raise DomainError("the belt does not close: check the order and the side of the pulleys")
    straight = np.sqrt(distance * distance - difference * difference)
    length = np.sum(straight + wrap * np.abs(signed), axis=-1)
    return length, wrap


def wedge_friction(friction: Array, groove_angle: Array = RIB_GROOVE_ANGLE) -> Array:
    """Friction coefficient of a ribbed or V belt as if it were flat.

    Parameters
    ----------
    friction : Array
        Friction coefficient of the material pair; of the flanks [-].
    groove_angle : Array
        Full angle of the groove [rad].

    Returns
    -------
    Array
        Effective friction coefficient [-]. Euler-Eytelwein with wedge. Only while the belt rides
        on its flanks: a worn belt that bottoms has the flat value.
    """
    return friction / np.sin(groove_angle / 2.0)


def tension_ratio(friction: Array, wrap: Array) -> Array:
    """Tight over slack tension at the edge of slip, centrifugal part taken off.

    Parameters
    ----------
    friction : Array
        Friction coefficient; the wedged one for ribs [-].
    wrap : Array
        Wrap angle [rad].

    Returns
    -------
    Array
        Tension ratio [-]. Euler-Eytelwein.
    """
    return np.exp(friction * wrap)


def centrifugal_tension(mass_per_length: Array, belt_speed: Array) -> Array:
    """Tension that only holds the belt on its curve and presses on no pulley.

    Parameters
    ----------
    mass_per_length : Array
        Belt mass per length [kg/m].
    belt_speed : Array
        Belt speed [m/s].

    Returns
    -------
    Array
        Tension [N]. Momentum balance.
    """
    return mass_per_length * belt_speed * belt_speed


def belt_pull(power: Array, belt_speed: Array) -> Array:
    """Difference of tight and slack tension that carries a power.

    Parameters
    ----------
    power : Array
        Power carried [W].
    belt_speed : Array
        Belt speed [m/s].

    Returns
    -------
    Array
        Tension difference [N]. Definition.
    """
    return power / belt_speed


def tight_tension_needed(
    power: Array, friction: Array, wrap: Array, belt_speed: Array, mass_per_length: Array = 0.0
) -> Array:
    """Least tension of the tight strand that carries a power without slip.

    Parameters
    ----------
    power : Array
        Power carried [W].
    friction : Array
        Friction coefficient; the wedged one for ribs [-].
    wrap : Array
        Wrap angle [rad].
    belt_speed : Array
        Belt speed [m/s].
    mass_per_length : Array
        Belt mass per length [kg/m].

    Returns
    -------
    Array
        Tension [N], centrifugal part included. Euler-Eytelwein.
    """
    ratio = tension_ratio(friction, wrap)
    pulled = belt_pull(power, belt_speed) * ratio / (ratio - 1.0)
    return pulled + centrifugal_tension(mass_per_length, belt_speed)


def power_at_tight_tension(
    tight_tension: Array,
    friction: Array,
    wrap: Array,
    belt_speed: Array,
    mass_per_length: Array = 0.0,
) -> Array:
    """Power carried at the edge of slip when the tight strand is at a known tension.

    Parameters
    ----------
    tight_tension : Array
        Tension of the tight strand [N].
    friction : Array
        Friction coefficient; the wedged one for ribs [-].
    wrap : Array
        Wrap angle [rad].
    belt_speed : Array
        Belt speed [m/s].
    mass_per_length : Array
        Belt mass per length [kg/m].

    Returns
    -------
    Array
        Power [W], zero where the belt lifts off. Khurmi & Gupta ex. 11.4 and 11.6.
    """
    working = np.maximum(tight_tension - centrifugal_tension(mass_per_length, belt_speed), 0.0)
    return working * (1.0 - 1.0 / tension_ratio(friction, wrap)) * belt_speed


def belt_power_capacity(
    tension: Array, friction: Array, wrap: Array, belt_speed: Array, mass_per_length: Array = 0.0
) -> Array:
    """Power carried at the edge of slip by a belt of known installed tension.

    Parameters
    ----------
    tension : Array
        Tension per strand at rest [N].
    friction : Array
        Friction coefficient; the wedged one for ribs [-].
    wrap : Array
        Wrap angle on the pulley that slips first [rad].
    belt_speed : Array
        Belt speed [m/s].
    mass_per_length : Array
        Belt mass per length [kg/m].

    Returns
    -------
    Array
        Power [W], zero where the belt lifts off. Euler-Eytelwein with the mean of tight and
        slack tension equal to the one at rest (fixed centres, linear stretch). A sprung
        tensioner on the slack strand carries more, so this errs low for it.
    """
    working = np.maximum(tension - centrifugal_tension(mass_per_length, belt_speed), 0.0)
    # (ratio - 1) / (ratio + 1) written so that a large exponent cannot overflow
    return 2.0 * working * np.tanh(friction * wrap / 2.0) * belt_speed
