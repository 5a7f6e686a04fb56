"""Screwed joint: thread areas, torque and preload, stripping, bearing, sharing of the load."""

from __future__ import annotations

import numpy as np

from keyturn.physics import Array

_SLOPE = 3.0**0.5  # height of the thread triangle is 3**0.5 / 2 of the pitch


def stress_area(thread_diameter: Array, thread_pitch: Array) -> Array:
    """Area that carries tension in a 60 degree thread.

    Parameters
    ----------
    thread_diameter : Array
        Nominal diameter [m].
    thread_pitch : Array
        Pitch [m].

    Returns
    -------
    Array
        Tensile stress area [m2]. ISO 898-1: pi/4 (d - 0.9382 P)^2.
    """
    root = thread_diameter - 0.9382 * thread_pitch
    return np.pi / 4.0 * root * root


def flank_diameter(thread_diameter: Array, thread_pitch: Array) -> Array:
    """Pitch diameter of the basic profile.

    Parameters
    ----------
    thread_diameter : Array
        Nominal diameter [m].
    thread_pitch : Array
        Pitch [m].

    Returns
    -------
    Array
        Pitch diameter [m]. ISO 724: d - 3/4 of the height of the thread triangle.
    """
    return thread_diameter - 0.75 * _SLOPE / 2.0 * thread_pitch


def preload(tightening_torque: Array, thread_diameter: Array, nut_factor: Array) -> Array:
    """Tension that a tightening torque leaves in a bolt.

    Parameters
    ----------
    tightening_torque : Array
        Tightening torque [N m].
    thread_diameter : Array
        Nominal diameter [m].
    nut_factor : Array
        Nut factor K, friction and thread lead together [-].

    Returns
    -------
    Array
        Preload [N]. T = K d F, the definition of K. K spreads by a quarter to a third from bolt
        to bolt when tightened by hand.
    """
    return tightening_torque / (nut_factor * thread_diameter)


def preload_torque(preload: Array, thread_diameter: Array, nut_factor: Array) -> Array:
    """Torque for a wanted preload, the inverse of `preload`.

    Parameters
    ----------
    preload : Array
        Wanted tension [N].
    thread_diameter : Array
        Nominal diameter [m].
    nut_factor : Array
        Nut factor K [-].

    Returns
    -------
    Array
        Tightening torque [N m]. T = K d F.
    """
    return preload * nut_factor * thread_diameter


def friction_torque(
    preload: Array,
    thread_pitch: Array,
    flank_diameter: Array,
    bearing_diameter: Array,
    thread_friction: Array,
    bearing_friction: Array,
) -> tuple[Array, Array, Array]:
    """Torque for a preload, split into what stretches the bolt and what friction eats.

    Parameters
    ----------
    preload : Array
        Tension [N].
    thread_pitch : Array
        Pitch [m].
    flank_diameter : Array
        Pitch diameter of the thread [m].
    bearing_diameter : Array
        Mean diameter of the ring under the head [m].
    thread_friction : Array
        Friction coefficient in the thread [-].
    bearing_friction : Array
        Friction coefficient under the head [-].

    Returns
    -------
    tuple of Array
        Torque of the lead, of the thread and of the head [N m]; their sum is the tightening
        torque. VDI 2230 sheet 1: F (0.16 P + 0.58 d2 mu_G + D_Km/2 mu_K) (from memory).
    """
    lead = preload * 0.16 * thread_pitch
    thread = preload * 0.58 * flank_diameter * thread_friction
    head = preload * bearing_diameter / 2.0 * bearing_friction
    return lead, thread, head


def tapped_shear_area(thread_diameter: Array, thread_pitch: Array, engagement: Array) -> Array:
    """Area of a tapped thread that shears when the thread strips.

    Parameters
    ----------
    thread_diameter : Array
        Nominal diameter [m].
    thread_pitch : Array
        Pitch [m].
    engagement : Array
        Length of engaged full thread [m].

    Returns
    -------
    Array
        Shear area at the nominal diameter [m2]. Alexander 1977 with the basic profile:
        pi d (P/2 + (d - d2) tan 30) per pitch, which is 7/8 of the cylinder.
    """
    width = thread_pitch / 2.0
    width = width + (thread_diameter - flank_diameter(thread_diameter, thread_pitch)) / _SLOPE
    return np.pi * thread_diameter * width * engagement / thread_pitch


def strip_load(shear_area: Array, tensile_strength: Array, shear_ratio: Array) -> Array:
    """Tension at which a thread is pulled out.

    Parameters
    ----------
    shear_area : Array
        Shear area of the weaker thread [m2].
    tensile_strength : Array
        Tensile strength of its material [Pa].
    shear_ratio : Array
        Shear strength over tensile strength, 0.6 to 0.8 [-].

    Returns
    -------
    Array
        Load [N]. Alexander 1977 without his factors for bell-mouthing (they are near one where
        the bolt is the stronger part). A worn or re-cut thread holds less.
    """
    return shear_area * tensile_strength * shear_ratio


def bearing_stress(preload: Array, head_diameter: Array, hole_diameter: Array) -> Array:
    """Pressure under a head or washer.

    Parameters
    ----------
    preload : Array
        Tension [N].
    head_diameter : Array
        Outside diameter of the ring that bears [m].
    hole_diameter : Array
        Diameter of the clearance hole [m].

    Returns
    -------
    Array
        Mean pressure [Pa]. Definition; compare with the limiting surface pressure of the flange.
    """
    ring = np.pi / 4.0 * (head_diameter * head_diameter - hole_diameter * hole_diameter)
    return preload / ring


def rod_stiffness(elastic_modulus: Array, section_area: Array, rod_length: Array) -> Array:
    """Stiffness of a prism: a bolt's shank, or a gasket pressed over its face.

    Parameters
    ----------
    elastic_modulus : Array
        Modulus of elasticity [Pa].
    section_area : Array
        Section across the load [m2].
    rod_length : Array
        Length along the load [m].

    Returns
    -------
    Array
        Stiffness [N/m]. E A / L.
    """
    return elastic_modulus * section_area / rod_length


def bolt_share(bolt_stiffness: Array, clamped_stiffness: Array) -> Array:
    """Share of an outside load that the bolt feels, the rest takes load off the gasket.

    Parameters
    ----------
    bolt_stiffness : Array
        Stiffness of the bolt [N/m].
    clamped_stiffness : Array
        Stiffness of what it clamps; of the gasket where that is by far the softest [N/m].

    Returns
    -------
    Array
        Share [-]. kb / (kb + kc), load applied under the head (Jindal, Machine Design, ex. 5-5).
    """
    return bolt_stiffness / (bolt_stiffness + clamped_stiffness)


def turn_for_preload(
    preload: Array,
    thread_pitch: Array,
    section_area: Array,
    elastic_modulus: Array,
    rod_length: Array,
) -> Array:
    """Turn of the nut that stretches a bolt between stiff parts.

    Parameters
    ----------
    preload : Array
        Tension [N].
    thread_pitch : Array
        Pitch [m].
    section_area : Array
        Stress area [m2].
    elastic_modulus : Array
        Modulus of the bolt [Pa].
    rod_length : Array
        Grip [m].

    Returns
    -------
    Array
        Turn [rad]. Wentzell, Machine Design, ex. 6.2. A gasket adds its own squeeze to this.
    """
    return 2.0 * np.pi * preload * rod_length / (section_area * elastic_modulus * thread_pitch)
