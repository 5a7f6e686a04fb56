"""Limits of the injector laws."""

from __future__ import annotations

import numpy as np
import pytest

from keyturn.errors import DomainError
from keyturn.physics import injector

VOLTS = np.array([8.0, 10.0, 12.0, 14.0])
TIMES = np.array([2.6e-3, 1.7e-3, 1.2e-3, 0.9e-3])  # invented


def test_smooth_and_rising_through_zero():
    pressure = np.linspace(-1e3, 1e3, 4001)
    flow, slope = injector.injector_flow_and_slope(pressure, 1e-5, 3e5)
    assert np.all(np.diff(flow) > 0.0) and np.all(np.isfinite(slope)) and np.all(slope > 0.0)
    assert flow[2000] == 0.0


def test_slope_against_differences():
    pressure = np.array([0.0, 50.0, 1e3, 3e5])
    up, down = (injector.injector_flow(pressure + d, 1e-5, 3e5) for d in (0.1, -0.1))
    _, slope = injector.injector_flow_and_slope(pressure, 1e-5, 3e5)
    np.testing.assert_allclose(slope, (up - down) / 0.2, rtol=1e-5)


def test_rated_point():
    assert injector.injector_flow(3e5, 1e-5, 3e5) == pytest.approx(1e-5, rel=1e-7)


def test_dead_time_never_rises_with_voltage():
    volts = np.linspace(5.0, 17.0, 500)
    times = injector.dead_time(volts, VOLTS, TIMES)
    assert np.all(np.diff(times) <= 0.0)
    np.testing.assert_allclose(injector.dead_time(VOLTS, VOLTS, TIMES), TIMES)
    # below the table it goes on rising: holding the last value would flatter a weak supply
    assert injector.dead_time(7.0, VOLTS, TIMES) == pytest.approx(3.05e-3)
    assert injector.dead_time(16.0, VOLTS, TIMES) == pytest.approx(0.9e-3)


def test_dead_time_grows_with_pressure():
    assert injector.dead_time(12.0, VOLTS, TIMES, 4e5, 3e5) > 1.2e-3
    assert injector.dead_time(12.0, VOLTS, TIMES, 4e5, 3e5, 0.0) == pytest.approx(1.2e-3)


def test_dead_time_table_that_rises_is_refused():
    with pytest.raises(DomainError):
        injector.dead_time(12.0, VOLTS, TIMES[::-1])


def test_duty_and_flow_are_inverses():
    speed, dead = np.array([10.0, 50.0, 110.0]), 1e-3
    duty = injector.duty_from_demand(3e-5, 8, 6e-6, dead, speed)
    share = injector.flow_share_at_duty(duty, dead, speed)
    np.testing.assert_allclose(8 * 6e-6 * share, 3e-5, rtol=1e-12)
    assert injector.duty_from_demand(0.0, 8, 6e-6, dead, 110.0) == 0.0
    assert injector.flow_share_at_duty(0.02, dead, 110.0) == 0.0  # shorter than the dead time


def test_smallest_flow_is_that_of_its_pulse():
    # 1.5 ms of 40 ms open less 1.0 ms dead: 1/80 of static
    assert injector.smallest_flow(8, 6e-6, 1.5e-3, 1.0e-3, 50.0) == pytest.approx(8 * 6e-6 / 80)


def test_mixture_error_is_the_root_of_the_ratio():
    assert injector.mixture_error(3e5, 3e5) == 1.0
    assert injector.mixture_error(2.43e5, 3e5) == pytest.approx(0.9)  # 19 % less pressure
    assert injector.mixture_error(-1e4, 3e5) == 0.0


def test_match_of_a_set():
    assert injector.set_match(np.array([1.0, 1.02, 0.98, 1.0])) == pytest.approx(0.04)
    assert injector.set_match(np.ones((3, 8))).shape == (3,)
