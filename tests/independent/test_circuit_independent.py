"""The array solver against a second one that tries regime after regime with Brent's method."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parents[1] / "bench")]

from circuit_reference import solve_point  # noqa: E402

from keyturn.system.result import REGIMES  # noqa: E402
from keyturn.system.solve import solve  # noqa: E402
from random_circuits import random_circuit  # noqa: E402

NUMBER = 2000
# Brent stops at 1e-10 Pa and ours at 1e-6 of the floors or better; the goal is one part in a
# million of every pressure and flow, with 10 kPa and 1 L/h as the least that it is taken of.
TOLERANCE = 1.0e-6
PRESSURE_FLOOR = 1.0e4
FLOW_FLOOR = 1.0 / 3.6e6
SEEN: dict[str, set[str]] = {}


@pytest.mark.slow
@pytest.mark.parametrize("place", ["rail", "tank"])
@pytest.mark.parametrize("corrects", [True, False])
def test_agrees_with_regime_by_regime_solution(place: str, corrects: bool) -> None:
    circuit = random_circuit(NUMBER, place, np.random.default_rng(20), corrects)
    ours = solve(circuit)
    theirs = [solve_point(circuit, index) for index in range(NUMBER)]
    for name, key, floor in (
        ("pump_rise", "rise", PRESSURE_FLOOR),
        ("node_gauge", "node", PRESSURE_FLOOR),
        ("rail_gauge", "rail", PRESSURE_FLOOR),
        ("pump_flow", "pump_flow", FLOW_FLOOR),
        ("injector_flow", "injector_flow", FLOW_FLOOR),
        ("bypass_flow", "bypass_flow", FLOW_FLOOR),
    ):
        wanted = np.array([getattr(item, key) for item in theirs])
        error = np.abs(getattr(ours, name)[0] - wanted) / np.maximum(np.abs(wanted), floor)
        assert error.max() < TOLERANCE, (name, int(error.argmax()), float(error.max()))
    for index, item in enumerate(theirs):
        # within 2e-5 (2 Pa, 0.0007 L/h) of a boundary either name is right: the array solver
        # calls a valve shut from 1 Pa below its set point
        if item.boundary > 2.0e-5:
            assert REGIMES[ours.regime[0, index]] == item.regime, (index, item)
    seen = {item.regime for item in theirs}
    without_limit = {"regulating", "starved", "overrun", "dead-head", "no-flow"}
    assert seen == (without_limit | {"injector-limited"} if corrects else without_limit)
