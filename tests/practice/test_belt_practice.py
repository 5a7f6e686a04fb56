"""Common practice, no source: less wrap on a smaller blower pulley slips sooner."""

from __future__ import annotations

import numpy as np

from keyturn.physics import belt


def test_smaller_blower_pulley_loses_grip_twice() -> None:
    """Same crank speed, 80 down to 65 mm: less wrap, so less pull, while the blower asks more."""
    blower = np.array([0.080, 0.065])
    wrap = belt.open_belt_wrap(blower, 0.164, 0.30)
    speed = belt.belt_speed(0.164, 100.0)
    friction = belt.wedge_friction(0.3)
    capacity = np.asarray(belt.belt_power_capacity(450.0, friction, wrap, speed, 0.1))
    ratio = np.asarray(belt.speed_ratio(0.164, blower))
    assert capacity[1] < capacity[0]
    assert ratio[1] > ratio[0]
