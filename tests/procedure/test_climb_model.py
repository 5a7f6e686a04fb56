"""The ladder's working points against the same car solved by `check`: two ways, one circuit."""

from __future__ import annotations

import numpy as np
import pytest

from keyturn.procedure.climb_model import table
from keyturn.procedure.fit import has
from keyturn.procedure.ladder import rungs
from keyturn.system.draws import Draws
from keyturn.tasks.check import middle


def nominal(build):
    """The ladder of the car with the middle of every value, as two equal samples."""
    draws = Draws(build, 2, np.random.default_rng(0))
    draws.deviation[:] = 0.0
    return table(build, draws, rungs(has(build)))


def test_full_load_points_are_those_of_check(builds) -> None:
    for name, build in builds.items():
        ours, theirs = nominal(build), middle(build)
        at = ours.of("L10")
        speed = np.array([ours.points[number].engine_speed for number in at])
        full = theirs.full_load
        for mine, line in (
            (ours.manifold_pressure, full.manifold_pressure[1]),
            (ours.inlet_temperature, full.inlet_temperature[1]),
        ):
            # both lie on the same 40 speeds, read between them in a straight line
            wanted = np.interp(speed, full.engine_speed, line)
            assert mine[0, at] == pytest.approx(wanted, rel=1e-6), name


def test_rail_pressure_at_the_states_is_that_of_check(builds) -> None:
    for name, build in builds.items():
        ours, states = nominal(build), {row.name: row for row in middle(build).states}
        for rung, state in (("L0", "key-on"), ("L1", "idle"), ("L3", "2500 rev/min no load")):
            at = ours.of(rung)
            assert ours.rail_gauge[0, at] == pytest.approx(states[state].rail_gauge.p50, rel=1e-6)
            assert ours.pump_voltage[0, at] == pytest.approx(
                states[state].pump_voltage.p50, rel=1e-6
            ), name


def test_at_the_redline_rail_and_duty_are_those_of_the_map(builds) -> None:
    for name, build in builds.items():
        ours, theirs = nominal(build), middle(build).envelope
        at = ours.of("L10")[-1]
        pressure = ours.manifold_pressure[0, at]
        wanted = np.interp(pressure, theirs.manifold_pressure, theirs.rail_gauge[-1])
        # the map is read between points 2 kPa or more apart
        assert ours.rail_gauge[0, at] == pytest.approx(wanted, rel=5e-3), name
        duty = np.interp(pressure, theirs.manifold_pressure, theirs.duty[-1])
        assert ours.duty[0, at] == pytest.approx(duty, rel=2e-2), name


def test_a_regulator_that_holds_has_no_fall(builds) -> None:
    """With no loss from its slope a regulator keeps its pressure: what is left is its slope."""
    for build in builds.values():
        ours = nominal(build)
        at = ours.of("L4")
        slope = build.regulator.slope.si * 1e-4  # [Pa] over 360 L/h of return
        assert np.all(np.abs(ours.fall[0, at]) <= slope + 2e3)
        assert ours.fall[0, 0] == 0.0


def test_load_only_grows_from_step_to_step(builds) -> None:
    for build in builds.values():
        ours = nominal(build)
        # half boost and 2 to 3 psi may change places on a car with little boost; a pull to the
        # redline may see less boost than one to the middle, never at the same speed
        names = [row.name for row in rungs(has(build)) if row.name not in ("L7", "L10")][4:]
        top = [ours.manifold_pressure[0, ours.of(name)].max() for name in names]
        assert top == sorted(top)
