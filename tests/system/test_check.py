"""The whole answer: balance, monotony, same seed, and no false green."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import keyturn
from keyturn.system.check import load_up
from keyturn.system.draws import Draws
from keyturn.system.result import VERDICTS, CheckResult

EXAMPLES = ("pickup-screw", "kitcar-boost", "van-roots")
FOLDER = Path(keyturn.__file__).parent / "examples"


@pytest.fixture(scope="module")
def answers() -> dict[str, CheckResult]:
    return {name: keyturn.check(keyturn.load(FOLDER / name), samples=100) for name in EXAMPLES}


def test_the_van_by_hearsay_is_not_proven_and_says_what_to_measure(
    answers: dict[str, CheckResult],
) -> None:
    van = answers["van-roots"]
    assert van.verdict == "not proven"
    assert van.limiting.settles
    assert any("pump.flow" in sentence for sentence in van.missing)


@pytest.mark.parametrize("name", EXAMPLES)
def test_overall_is_the_worst_word(answers: dict[str, CheckResult], name: str) -> None:
    answer = answers[name]
    assert answer.verdict == max((row.verdict for row in answer.headroom), key=VERDICTS.index)
    assert answer.invented


@pytest.mark.parametrize("name", EXAMPLES)
def test_path_adds_up_to_the_rail(answers: dict[str, CheckResult], name: str) -> None:
    build = keyturn.load(FOLDER / name)
    for state in answers[name].states:
        assert state.stations[0].pressure_gauge == 0.0
        assert state.stations[-1].after == "rail"
        after_pump = [s for s in state.stations if s.after == "pump"]
        assert len(after_pump) == 1
    loads = load_up(build, Draws(build, 100, np.random.default_rng(0)))
    # parts one by one against the solver's lumped path, nominal car; the solver stops at 1e-3 Pa
    for number, state in enumerate(answers[name].states):
        lumped = float(loads.idle.rail_gauge[0, number])
        assert state.stations[-1].pressure_gauge == pytest.approx(lumped, abs=0.5)


def test_same_seed_same_answer() -> None:
    build = keyturn.load(FOLDER / "van-roots")
    first, second = (keyturn.check(build, samples=60, seed=7) for _ in range(2))
    assert first.limiting == second.limiting
    assert np.array_equal(first.envelope.p_holds, second.envelope.p_holds)


def test_a_larger_pump_never_lowers_the_rail() -> None:
    rails = []
    for flow in ("120 L/h", "180 L/h", "260 L/h"):
        build = keyturn.load(FOLDER / "van-roots", changes={"pump.flow": flow})
        states = keyturn.check(build, samples=60).states
        rails.append(next(s for s in states if "power" in s.name).rail_gauge.p50)
    assert rails == sorted(rails)


def test_map_agrees_with_the_full_load_line(answers: dict[str, CheckResult]) -> None:
    """The map is solved apart from the line; along the line both must say the same."""
    answer = answers["pickup-screw"]
    envelope, full = answer.envelope, answer.full_load
    for number in (10, 25, 39):
        pressure = full.manifold_pressure[1][number]
        flow = np.interp(pressure, envelope.manifold_pressure, envelope.fuel_flow[number])
        # medians of two populations of 100 and a linear look-up between map rows
        assert flow == pytest.approx(full.fuel_demand[1][number], rel=0.02)


def test_few_samples_still_answer() -> None:
    assert keyturn.check(keyturn.load(FOLDER / "van-roots"), samples=2).verdict in VERDICTS


@pytest.mark.parametrize("samples", [1, 5, 49])
def test_nothing_is_said_to_hold_from_a_handful_of_draws(samples: int) -> None:
    """One draw holds or does not: all of it would be certain, and none of it evidence."""
    rows = keyturn.check(keyturn.load(FOLDER / "pickup-screw"), samples=samples).headroom
    assert "holds" not in {row.verdict for row in rows}
    assert any(row.p_holds == 1.0 for row in rows), "or this test would say nothing"
