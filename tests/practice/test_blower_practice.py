"""Common practice, no source: handbook ranges of blower efficiency, from memory.

The slip speed (9 1/s at 1 psi, the same for both kinds) is invented, of usual size.
"""

from __future__ import annotations

import pytest

from keyturn.physics import blower


@pytest.mark.parametrize(
    ("built_in", "slip", "ratio", "low", "high"),
    [(1.0, 9.0, 1.8, 0.45, 0.65), (1.3, 9.0, 1.7, 0.65, 0.80)],
    ids=["roots", "screw"],
)
def test_overall_efficiency_in_the_handbook_range(
    built_in: float, slip: float, ratio: float, low: float, high: float
) -> None:
    """Roots 0.45 to 0.65, twin screw 0.65 to 0.80; at 12 000 rev/min, mechanical 0.92."""
    volumetric = blower.volumetric_efficiency(ratio, 200.0, slip, 1e5, 298.0)
    outlet = blower.outlet_temperature(298.0, ratio, built_in, volumetric)
    isentropic = 298.0 * (ratio ** (0.4 / 1.4) - 1.0)
    overall = 0.92 * isentropic / (outlet - 298.0)
    assert low <= overall <= high


def test_roots_volumetric_range() -> None:
    """0.75 to 0.95 in the working range of speed and ratio."""
    slow = blower.volumetric_efficiency(1.5, 130.0, 9.0, 1e5, 298.0)
    quick = blower.volumetric_efficiency(1.5, 230.0, 9.0, 1e5, 298.0)
    assert 0.75 <= slow < quick <= 0.95


def test_ten_per_cent_more_crank_pulley_is_ten_per_cent_more_blower_speed() -> None:
    assert blower.blower_speed(100.0, 2.2) / blower.blower_speed(100.0, 2.0) == pytest.approx(1.1)
