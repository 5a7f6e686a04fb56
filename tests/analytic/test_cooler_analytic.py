"""Limits of the charge cooler."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from keyturn.physics import cooler


@given(st.floats(320.0, 480.0), st.floats(0.01, 1.0), st.floats(270.0, 318.0))
def test_there_and_back(inlet: float, share: float, coolant: float) -> None:
    """1e-9: float noise of a difference of a few kelvin."""
    outlet = cooler.outlet_temperature(inlet, share, coolant)
    assert coolant - 1e-9 <= outlet <= inlet
    assert cooler.effectiveness(inlet, outlet, coolant) == pytest.approx(share, rel=1e-9)


def test_hot_coolant_heats_the_charge() -> None:
    """Heat soak: the sign of the heat flow turns."""
    outlet = cooler.outlet_temperature(310.0, 0.7, 350.0)
    assert outlet == pytest.approx(338.0, abs=1e-9)
    assert cooler.heat_flow(0.2, 310.0, outlet) < 0.0
