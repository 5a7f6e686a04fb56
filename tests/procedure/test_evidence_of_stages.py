"""What a record passes and what it does not: every hold point needs all of its evidence."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from keyturn.procedure.evidence import (
    FAILS,
    MISSING,
    PASSES,
    UNJUDGED,
    History,
    Override,
    Record,
    Timer,
    judged,
    overridden,
    passes,
    standing,
)
from keyturn.procedure.limits import CEILING, Limit
from keyturn.procedure.open_items import SWEEP_LASTS, Item, Sweep, swept
from keyturn.procedure.stages import chosen, stages

PSI = 6894.757293168361
LIMITS = {
    "proving-pressure": Limit("proving-pressure", "", "pressure_gauge", 250e3, CEILING, "test"),
    "oil-seconds": Limit("oil-seconds", "", "time", None, 10.0, "test"),
}
FUEL = chosen(stages(), "fuel-static")
FIRE = chosen(stages(), "first-fire")
GOOD = {
    "joints-dry": True, "no-smell": True, "return-joined": True, "key-on-pressure": 300e3,
    "hold-start": 300e3, "hold-end": 300e3 - 4 * PSI, "hold-seconds": 61.0,
}  # fmt: skip


def record(values, at: int = 1) -> Record:
    return Record(at, FUEL.name, 0.0, values)


def test_a_whole_record_passes() -> None:
    assert passes(judged(FUEL, GOOD, LIMITS))
    assert standing(FUEL, History(records=(record(GOOD),)), LIMITS).state == "passed"


@pytest.mark.parametrize("left_out", GOOD)
def test_a_record_without_one_of_its_fields_does_not(left_out: str) -> None:
    values = {name: value for name, value in GOOD.items() if name != left_out}
    rows = judged(FUEL, values, LIMITS)
    assert not passes(rows) and any(row.verdict == MISSING for row in rows)
    assert standing(FUEL, History(records=(record(values),)), LIMITS).state == "failed"


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"joints-dry": False}, "a weep"),
        ({"no-smell": False}, "smell"),
        ({"joints-dry": 1.0}, "a number is no yes"),
        ({"joints-dry": "yes"}, "a word is no yes"),
        ({"key-on-pressure": 100e3}, "joints that never saw working pressure"),
        ({"key-on-pressure": 700e3}, "above 87 psi"),
        ({"key-on-pressure": math.nan}, "no number"),
        ({"key-on-pressure": math.inf}, "no number"),
        ({"hold-end": math.nan}, "no number"),
        ({"hold-seconds": 59.0}, "too short"),
        ({"hold-end": 300e3 - 6 * PSI}, "falls by 6 psi in a minute, 5 are allowed"),
        ({"hold-end": 400e3}, "rose: the pump ran"),
        ({"hold-start": 0.0, "hold-end": 0.0}, "nothing was held"),
        ({"hold-start": 30e3, "hold-end": 29e3}, "a tenth of it held: the point slipped"),
        ({"hold-rule": "none"}, "no such rule"),
        ({"hold-rule": "3-minute"}, "4 psi in 3 min asked, and one minute only"),
        ({"hold-rule": "3-minute", "hold-seconds": 181.0}, "falls by 4 psi, 2 are allowed"),
    ],
)
def test_a_record_with_one_thing_wrong_does_not_pass(change, why: str) -> None:
    assert not passes(judged(FUEL, GOOD | change, LIMITS)), why


def test_the_chosen_hold_rule_counts_and_travels_with_its_source() -> None:
    values = GOOD | {"hold-rule": "3-minute", "hold-seconds": 180.0, "hold-end": 300e3 - 1.9 * PSI}
    rows = judged(FUEL, values, LIMITS)
    assert passes(rows)
    assert "V6 3.0 L 1988" in rows[-1].why


def test_nothing_is_judged_by_a_limit_that_leans_on_a_guess() -> None:
    weak = {"proving-pressure": replace(LIMITS["proving-pressure"], leans="set is hearsay")}
    rows = judged(FUEL, GOOD, weak)
    assert [row.verdict for row in rows if row.limit] == [UNJUDGED, UNJUDGED]
    assert not passes(rows)
    assert not passes(judged(FUEL, GOOD, {})), "no limit at all is no pass either"


def test_the_last_record_counts_also_when_it_is_the_worse_one() -> None:
    bad = GOOD | {"joints-dry": False}
    history = History(records=(record(GOOD, 1), record(bad, 2)))
    assert standing(FUEL, history, LIMITS).state == "failed"


@pytest.mark.parametrize(
    ("item", "state"),
    [
        (Item(2, "filter off", "fuel"), "outdated"),
        (Item(2, "filter off", "fuel", closed=3), "outdated"),
        (Item(0, "still loose", "fuel"), "outdated"),
        (Item(0, "closed after the record", "fuel", closed=2), "outdated"),
        (Item(-1, "closed before it", "fuel", closed=0), "passed"),
        (Item(2, "belt off", "belt"), "passed"),
    ],
)
def test_evidence_is_old_once_its_area_was_opened(item: Item, state: str) -> None:
    found = standing(FUEL, History(records=(record(GOOD),), items=(item,)), LIMITS)
    assert found.state == state


def test_an_override_opens_a_hold_point_but_never_fuel() -> None:
    reason = (Override(1, FIRE.name, "started on a bench yesterday", 0.0),)
    assert standing(FIRE, History(overrides=reason), LIMITS).state == "overridden"
    fuel = (Override(1, FUEL.name, "it looked dry to me", 0.0),)
    assert standing(FUEL, History(overrides=fuel), LIMITS).state == "untested"


def test_an_override_ends_with_a_record_an_opening_or_when_it_is_taken_back() -> None:
    own = Override(1, FIRE.name, "started on a bench yesterday", 0.0)
    failed = Record(2, FIRE.name, 0.0, {"kill-plan": False})
    opened = Item(2, "oil filter off", "oil")
    for history in (
        History(overrides=(own,), records=(failed,)),
        History(overrides=(own,), items=(opened,)),
        History(overrides=(replace(own, withdrawn=True),)),
    ):
        assert standing(FIRE, history, LIMITS).state != "overridden"


def test_an_override_is_said_for_ever() -> None:
    own = Override(1, FIRE.name, "started on a bench yesterday", 0.0)
    values = {"kill-plan": True, "oil-seconds": 3.0, "dry": True, "no-noise": True}
    history = History(overrides=(own,), records=(Record(2, FIRE.name, 0.0, values),))
    found = standing(FIRE, history, LIMITS)
    assert found.state == "passed" and found.override == own
    assert "on a word" in overridden(history)[0] and own.reason in overridden(history)[0]
    back = History(overrides=(replace(own, withdrawn=True),))
    assert own.reason in overridden(back)[0] and "taken back" in overridden(back)[0]


def test_a_wait_has_to_be_waited_out() -> None:
    soak = chosen(stages(), "idle-soak")
    for seconds, verdict in ((14.9 * 60, FAILS), (15 * 60.0, PASSES)):
        rows = judged(soak, {"idle": seconds}, LIMITS)
        assert next(row for row in rows if row.field.name == "idle").verdict == verdict


def test_a_timer_runs_on_by_itself() -> None:
    timer = Timer(1, "idle-soak", "idle", 15.0, started=1000.0)
    assert timer.left(1000.0 + 600.0) == 300.0
    assert timer.left(1000.0 + 1000.0) == 0.0
    assert timer.elapsed(900.0) == 0.0, "a clock that was put back"


def test_a_sweep_is_of_the_list_as_it_is_and_of_one_session() -> None:
    item = Item(1, "x", "fuel", closed=2)
    assert swept((item,), (Sweep(3, 0.0, ()),), 60.0)
    assert not swept((item,), (), 60.0)
    assert not swept((item,), (Sweep(3, 0.0, ()),), SWEEP_LASTS + 1.0), "another day"
    assert not swept((item,), (Sweep(3, 100.0, ()),), 0.0), "a clock that was put back"
    assert not swept((replace(item, closed=4),), (Sweep(3, 0.0, ()),), 60.0)
    assert not swept((item, Item(4, "y", "belt")), (Sweep(3, 0.0, ()),), 60.0)
