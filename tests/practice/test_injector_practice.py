"""Common practice, no source."""

from __future__ import annotations

import pytest

from keyturn.physics import injector


def test_price_of_dead_time_grows_with_speed():
    # Dead time about 1 ms is 5 % of the window at 6000 rev/min, 0.7 % at 800.
    extra = [
        injector.duty_from_demand(1e-6, 8, 6e-6, 1e-3, rpm / 60)
        - injector.duty_from_demand(1e-6, 8, 6e-6, 0.0, rpm / 60)
        for rpm in (800, 6000)
    ]
    assert extra == pytest.approx([0.00667, 0.05], abs=5e-6)


def test_rated_at_three_bar_used_at_58_psi():
    # The trade multiplies by 1.155.
    ratio = injector.injector_flow(58 * 6894.757, 1.0, 43.5 * 6894.757)
    assert ratio == pytest.approx(1.155, abs=5e-4)
