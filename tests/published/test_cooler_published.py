"""Charge cooler against printed examples."""

from __future__ import annotations

import pytest

from keyturn.physics import cooler


def test_heat_of_the_textbook_cooler() -> None:
    """H. N. Gupta, Fundamentals of IC Engines, ex. 15.5: 0.27034 kg/s, 348.92 to 330 K: 5.14 kW.

    Tolerance half the last printed digit.
    """
    assert cooler.heat_flow(0.27034, 348.92, 330.0) == pytest.approx(5140.0, abs=5.0)


def test_effectiveness_definition() -> None:
    """410 K in, 330 K out, coolant 300 K: 80 over 110, 0.727 (definition)."""
    assert cooler.effectiveness(410.0, 330.0, 300.0) == pytest.approx(0.727, abs=5e-4)
