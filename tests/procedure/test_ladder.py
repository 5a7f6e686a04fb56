"""The ladder: which steps count, what a clean record is, and when the next one opens."""

from __future__ import annotations

import math

import numpy as np
import pytest

from keyturn.errors import ValueRefused
from keyturn.procedure.ladder import (
    AT_LEAST,
    Climb,
    asked_chance,
    clean,
    climbed,
    inside,
    judged,
    measures,
    opening,
    rungs,
)

ROWS = rungs(frozenset(("boosted",)))
NAMES = [row.name for row in ROWS]


def drive(*steps: str) -> tuple[Climb, ...]:
    """Climbs in order; a minus sign behind a name: not clean."""
    return tuple(
        Climb(number, step.rstrip("-"), 0.0, not step.endswith("-"), {})
        for number, step in enumerate(steps, start=1)
    )


@pytest.mark.parametrize(
    ("driven", "level"),
    [
        ((), 0),
        (("L0", "L1", "L2"), 3),
        (("L0", "L2", "L1"), 2),  # a step that was left out does not count
        (("L10",), 0),
        (("L0", "L1", "L1-"), 1),  # what was clean once and then not is not clean
        (("L0", "L1", "L2", "L0-"), 0),
        (("L0", "L1-", "L1"), 2),
        (("L0", "L0", "L0"), 1),
        (NAMES, 11),
    ],
)
def test_steps_count_one_after_the_other(driven: tuple[str, ...], level: int) -> None:
    assert climbed(ROWS, drive(*driven)) == level


def test_load_is_climbed_anew_once_something_was_opened() -> None:
    whole = drive(*NAMES)
    assert climbed(ROWS, whole, since=len(NAMES)) == NAMES.index("L6")
    assert climbed(ROWS, whole, since=8) == NAMES.index("L6")
    again = whole + tuple(Climb(20 + n, name, 0.0, True, {}) for n, name in enumerate(NAMES[6:]))
    assert climbed(ROWS, again, since=15) == len(NAMES)


def test_the_chance_that_is_asked_moves_upwards_only() -> None:
    assert asked_chance(None) == AT_LEAST == 0.95
    assert asked_chance(0.99) == 0.99
    for wanted in (0.9, 0.0, -1.0, 1.0, 1.5, math.nan):
        with pytest.raises(ValueRefused, match="upwards only"):
            asked_chance(wanted)


GOOD = {"rail-pressure": 300e3, "pump-voltage": 13.4, "coolant": 360.0, "nothing-new": 1.0}
BOUNDS = {"rail-pressure": 280e3, "pump-voltage": 12.8, "coolant": 378.15}
ROLL = ROWS[NAMES.index("L4")]


def test_a_clean_record_has_everything_and_nothing_past_its_number() -> None:
    assert clean(ROLL, GOOD, BOUNDS) == ""
    for name in ROLL.record:
        assert clean(ROLL, {k: v for k, v in GOOD.items() if k != name}, BOUNDS)
    for change in (
        {"rail-pressure": 279e3}, {"pump-voltage": 12.7}, {"coolant": 379.0},
        {"nothing-new": 0.0}, {"rail-pressure": math.nan}, {"coolant": math.inf},
    ):  # fmt: skip
        assert clean(ROLL, GOOD | change, BOUNDS), change


def test_nothing_is_clean_without_an_abort_number_stated_before() -> None:
    for name in BOUNDS:
        left = {key: value for key, value in BOUNDS.items() if key != name}
        assert "no abort number" in clean(ROLL, GOOD, left)
    assert "no abort number" in clean(ROLL, GOOD, BOUNDS | {"coolant": math.nan})


def worst(fall: np.ndarray) -> dict[str, np.ndarray]:
    size = fall.size
    return {
        "rail-pressure": fall,
        "pump-voltage": np.full(size, 13.5),
        "lambda": np.zeros(size),
        "duty": np.full(size, 0.4),
        "inlet": np.full(size, 310.0),
    }


TOP = ROWS[-1]


def test_a_step_opens_at_the_chance_that_is_asked_and_not_below() -> None:
    for bad, is_open in ((4, True), (5, True), (6, False)):
        fall = np.where(np.arange(100) < bad, 30e3, 1e3).astype(float)
        found = opening(TOP, judged(TOP, ROWS, worst(fall), np.full(100, 0.01)), 0.0, 0.95)
        assert found.open is is_open, bad
        assert found.open or any("rail pressure" in why for why in found.why)


def test_a_model_that_explains_nothing_opens_nothing() -> None:
    fine = judged(TOP, ROWS, worst(np.zeros(50)), np.full(50, 0.02))
    assert opening(TOP, fine, 0.04, 0.95).open
    found = opening(TOP, fine, 0.06, 0.95)
    assert not found.open and "no cause" in found.why[0]


def test_limits_that_fail_in_different_cars_add_up() -> None:
    every = worst(np.where(np.arange(100) < 4, 30e3, 0.0))
    every["duty"] = np.where(np.arange(100) > 95, 0.9, 0.4)
    found = opening(TOP, judged(TOP, ROWS, every, np.full(100, 0.01)), 0.0, 0.95)
    assert not found.open and "not all of them together" in found.why[0]
    assert found.holds == pytest.approx(0.92)


def test_what_is_no_number_never_holds() -> None:
    row = measures()["duty"]
    assert list(inside(row, np.array([0.4, math.nan, math.inf]))) == [True, False, False]


def test_likely_broken_says_change_and_unknown_says_measure() -> None:
    for share, word in ((0.8, "change something"), (0.2, "measure")):
        fall = np.where(np.arange(100) < 100 * share, 30e3, 0.0)
        found = opening(TOP, judged(TOP, ROWS, worst(fall), np.full(100, 0.01)), 0.0, 0.95)
        assert word in found.why[0]


def test_a_barred_or_unreached_step_is_not_open_however_sure_the_model_is() -> None:
    fine = judged(TOP, ROWS, worst(np.zeros(50)), np.full(50, 0.02))
    assert not opening(TOP, fine, 0.0, 0.95, ("brakes not tested",)).open
    assert not opening(TOP, fine, 0.0, 0.95, reached=False).open
