"""Common practice, no source."""

from __future__ import annotations

import pytest

from keyturn.physics import regulator

PSI = 6894.757


def test_base_45_with_20_of_boost_is_65():
    rail = regulator.controlled_pressure(45 * PSI, 1.0, 20 * PSI, 0.0, 1e-5)
    assert rail / PSI == pytest.approx(65.0)


def test_hose_off_raises_idle_pressure_by_the_vacuum():
    # Published workshop examples: 7 to 12 psi; 18 inHg of vacuum is 8.8 psi.
    vacuum = -18 * 3386.389
    off = regulator.controlled_pressure(45 * PSI, 1.0, 0.0, 0.0, 1e-5)
    on = regulator.controlled_pressure(45 * PSI, 1.0, vacuum, 0.0, 1e-5)
    assert 7.0 < (off - on) / PSI < 12.0
