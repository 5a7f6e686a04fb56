"""Blower thermodynamics against real air (CoolProp, Lemmon equation of state)."""

from __future__ import annotations

import numpy as np
import pytest

from keyturn.physics import blower

coolprop = pytest.importorskip("CoolProp.CoolProp")

RATIOS = (1.2, 1.5, 1.8, 2.0, 2.5, 3.0)


def _air(output: str, **state: float) -> float:
    (first, second) = state.items()
    return float(coolprop.PropsSI(output, *first, *second, "Air"))


@pytest.mark.parametrize("ratio", RATIOS)
def test_isentropic_outlet_in_real_air(ratio: float) -> None:
    """1e-3, work 2e-3: the heat ratio of real air falls from 1.402 to 1.396 on the way."""
    entropy = _air("S", T=298.15, P=1e5)
    outlet = _air("T", P=ratio * 1e5, S=entropy)
    ours = blower.compressor_outlet_temperature(298.15, ratio, 1.0)
    assert ours == pytest.approx(outlet, rel=1e-3)
    work = _air("H", P=ratio * 1e5, S=entropy) - _air("H", T=298.15, P=1e5)
    assert blower.heating_power(1.0, ours - 298.15) == pytest.approx(work, rel=2e-3)


@pytest.mark.parametrize("ratio", RATIOS)
def test_roots_outlet_by_enthalpy_of_real_air(ratio: float) -> None:
    """Roots: h2 = h1 + v1 (p2 - p1), outlet from real-air enthalpy.

    1 % of the rise: the mean specific heat of real air up to 470 K is 0.8 % above our constant.
    """
    enthalpy = _air("H", T=298.15, P=1e5) + (ratio - 1.0) * 1e5 / _air("D", T=298.15, P=1e5)
    outlet = _air("T", P=ratio * 1e5, H=enthalpy)
    rise = blower.outlet_temperature(298.15, ratio, 1.0, 1.0) - 298.15
    assert rise == pytest.approx(outlet - 298.15, rel=1e-2)


@pytest.mark.parametrize(("ratio", "built_in"), [(1.8, 1.3), (1.3, 1.5), (2.2, 1.2)])
def test_screw_cycle_by_integrated_indicator_diagram(ratio: float, built_in: float) -> None:
    """Shaft work as the area of p dV summed numerically along the chamber volume.

    Intake at p1 (0 to 1), compression to 1/v by small steps, back-flow at constant volume (no
    area), discharge at p2. 1e-6: trapezoid rule with 20000 steps.
    """
    volume = np.linspace(1.0, 1.0 / built_in, 20001)
    pressure = volume**-1.4
    squeeze = -np.trapezoid(pressure, volume)
    area = squeeze + ratio / built_in - 1.0
    assert blower.cycle_work(ratio, built_in) == pytest.approx(area, rel=1e-6)
