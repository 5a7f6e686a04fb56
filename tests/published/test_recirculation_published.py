"""A pump on its recirculation branch, as printed (Schaschke, Fluid Mechanics, ex. 9.2)."""

from __future__ import annotations

import pytest

from keyturn.physics import pipe

GRAVITY = 9.81  # as the book uses


def test_orifice_that_makes_two_metres_a_second() -> None:
    """Schaschke, Fluid Mechanics: Worked Examples, 9.2: loss of 44.86 velocity heads.

    Pump head 12 - 70 Q - 4300 Q^2 [m]; 2 m of suction and 10 m of return, both 100 mm, Fanning
    factor 0.005; one velocity head is lost at the outlet. Tolerance: half the last printed digit.
    """
    bore, density, speed = 0.1, 1000.0, 2.0
    flow = speed * 0.25 * 3.141592653589793 * bore**2
    assert pipe.velocity(flow, bore) == pytest.approx(speed, rel=1e-12)
    pump_head = 12.0 - 70.0 * flow - 4300.0 * flow**2
    velocity_head = pipe.fitting_drop(flow, 1.0, bore, density) / (density * GRAVITY)
    friction = 4.0 * 0.005 * (2.0 + 10.0) / bore
    ours = pump_head / velocity_head - friction - pipe.expansion_loss(0.0)
    # the printed 44.86 carries the book's own rounding of the pump head to 0.01 m, 0.05 heads
    assert ours == pytest.approx(44.86, abs=0.05)
