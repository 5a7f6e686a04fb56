"""Derived channels against arithmetic done here by hand, and the lag against planted ones."""

from __future__ import annotations

import numpy as np
import pytest

from keyturn.build.model import Build
from keyturn.logs.derive import derive, lag_of, reduced
from keyturn.logs.frame import Frame
from keyturn.system.result import CheckResult


def steady(rate: float, seconds: float, **channels: float) -> Frame:
    time = np.arange(0.0, seconds, 1.0 / rate)
    return Frame(time, {name: np.full_like(time, value) for name, value in channels.items()})


def test_pressure_across_is_rail_less_manifold_gauge(build: Build, check: CheckResult) -> None:
    # definition: rail gauge less (manifold absolute less barometer)
    frame = steady(20, 5, engine_speed=50.0, manifold_pressure=1.5e5, rail_gauge=4.0e5)
    found = derive(build, check, *reduced(frame)).frame["across_injector"]
    assert found == pytest.approx(4.0e5 - (1.5e5 - build.site.barometer.si), rel=1e-12)


def test_duty_from_the_pulse(build: Build, check: CheckResult) -> None:
    # one injection in two revolutions: 10 ms at 6,000 rev/min (100 a second) is 0.010 x 50 = 50 %
    frame = steady(20, 5, engine_speed=100.0, injector_pulse=0.010)
    assert derive(build, check, *reduced(frame)).frame["duty"] == pytest.approx(0.5, rel=1e-12)


def test_fuel_flow_from_air_and_lambda(build: Build, check: CheckResult) -> None:
    frame = steady(20, 5, engine_speed=50.0, air_flow=0.1, **{"lambda": 0.8})
    log = derive(build, check, *reduced(frame))
    wanted = 0.1 / (0.8 * build.fuel.stoichiometric.si) / build.fuel.density.si
    assert log.frame["fuel_flow"] == pytest.approx(wanted, rel=1e-12)
    assert log.fuel_from == "air flow and lambda"


def test_fuel_flow_of_injectors_held_open_is_their_rating(build: Build, check: CheckResult) -> None:
    # at the pressure of their rating, driven for their dead time more than a whole window, the
    # injectors give what is printed on them
    part, speed, volts = build.injectors, 100.0, 13.0
    dead = float(np.interp(volts, part.dead_time.x, part.dead_time.y)) * speed / 2.0
    frame = steady(
        20, 5, engine_speed=speed, across_injector=part.at.si, duty=1.0 + dead, voltage=volts
    )
    found = derive(build, check, *reduced(frame)).frame["fuel_flow"]
    assert found == pytest.approx(part.count * part.flow.si, rel=1e-12)


def test_expected_pressure_at_a_node_of_the_map_is_the_map(
    build: Build, check: CheckResult
) -> None:
    over = check.envelope
    frame = steady(
        20, 5, engine_speed=over.engine_speed[7], manifold_pressure=over.manifold_pressure[11]
    )
    log = derive(build, check, *reduced(frame))
    assert log.frame["across_expected"] == pytest.approx(over.across_injector[7, 11], rel=1e-9)


def test_a_fast_log_is_judged_by_means_and_knock_by_its_greatest(
    build: Build, check: CheckResult
) -> None:
    frame = steady(100, 10, engine_speed=50.0, knock_retard=0.0, throttle=0.0)
    frame["knock_retard"][503] = 0.1
    frame["throttle"][503] = 1.0
    log = derive(build, check, *reduced(frame))
    assert (log.step, round(log.rate, 6)) == (5, 20.0)
    row = int(np.argmax(log.frame["knock_retard"]))
    assert log.rows[row] <= 503 < log.rows[row] + log.step
    assert log.frame["knock_retard"].max() == 0.1
    assert log.frame["throttle"].max() == pytest.approx(0.2)


def test_an_empty_cell_spoils_no_block(build: Build, check: CheckResult) -> None:
    frame = steady(100, 10, engine_speed=50.0, throttle=0.5)
    frame["throttle"][200:203] = np.nan
    frame["throttle"][300:310] = np.nan
    found = derive(build, check, *reduced(frame)).frame["throttle"]
    assert found[40] == 0.5
    assert np.isnan(found[60:62]).all()
    assert np.isfinite(np.delete(found, [60, 61])).all()


@pytest.mark.parametrize("lag", [0.10, 0.23, 0.40])
def test_the_planted_lag_is_found(lag: float) -> None:
    rng = np.random.default_rng(1)
    time = np.arange(0.0, 120.0, 0.05)
    cause = np.interp(time, np.arange(0.0, 121.0, 3.0), rng.uniform(0.8, 1.0, 41))
    answer = np.interp(time - lag, time, cause) + rng.normal(0.0, 0.004, time.size)
    found, likeness = lag_of(cause, answer, 20.0)
    # a fifth of a row of 0.05 s: the noise leaves that much
    assert found == pytest.approx(lag, abs=0.01)
    assert likeness > 0.8


def test_no_lag_is_stated_where_nothing_follows() -> None:
    rng = np.random.default_rng(2)
    assert lag_of(rng.normal(0.9, 0.05, 2400), rng.normal(0.9, 0.05, 2400), 20.0)[0] is None
    assert lag_of(np.full(2400, 0.9), np.full(2400, 0.9), 20.0)[0] is None
