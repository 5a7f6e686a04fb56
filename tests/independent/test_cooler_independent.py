"""Pressure drop against the fluids library."""

from __future__ import annotations

import pytest

from keyturn.physics import cooler

fluids = pytest.importorskip("fluids")


@pytest.mark.parametrize(("flow", "density"), [(0.1, 1.2), (0.3, 1.9), (0.45, 2.4)])
def test_drop_is_that_of_one_loss_coefficient(flow: float, density: float) -> None:
    """K = 6 on a 60 mm bore, known at 0.25 kg/s and 1.2 kg/m3. 1e-9: same law, float noise."""
    area = 3.141592653589793 * 0.06**2 / 4.0
    known = fluids.dP_from_K(6.0, 1.2, 0.25 / (1.2 * area))
    theirs = fluids.dP_from_K(6.0, density, flow / (density * area))
    assert cooler.pressure_drop(known, 0.25, flow, density, 1.2) == pytest.approx(theirs, rel=1e-9)
