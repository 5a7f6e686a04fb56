"""Over random cars and random histories: no way to a start with an open fuel joint, none to load
past a hold point that was not tested. Judged by rules of its own, from the history alone."""

from __future__ import annotations

import random
from collections.abc import Iterator

import pytest

from keyturn.procedure import order
from keyturn.procedure.evidence import History, Override, Record
from keyturn.procedure.fit import fitted
from keyturn.procedure.limits import Limit
from keyturn.procedure.open_items import STANDS_BEFORE, SWEEP_LASTS, Item, Sweep
from keyturn.procedure.order import Plan
from keyturn.procedure.stages import AREAS, Stage, stages

NAMES = {item.limit: item.quantity for row in stages() for item in row.record if item.limit}
LIMITS = {n: Limit(n, "", quantity, 1.0, 2.0, "test") for n, quantity in NAMES.items()}
NOW = 1e6
FUEL = ("fuel", "fuel-parts")
KINDS = ("returns", "tank"), ("referenced", "fixed"), ("boosted", ""), ("blower", ""), ("belt", "")


def good_values(stage: Stage, rng: random.Random) -> dict[str, object]:
    """A record that passes."""
    values: dict[str, object] = {}
    for item in stage.record:
        numbers = {"number": 1.5, "timer": 1e5}
        values[item.name] = numbers.get(item.kind, True)
    if stage.hold_rule:
        values |= {"hold-start": 1.5, "hold-end": 1.5, "hold-seconds": 400.0}
    return values


def spoilt(stage: Stage, rng: random.Random) -> dict[str, object]:
    """The same with one thing wrong or missing."""
    values = good_values(stage, rng)
    name = rng.choice([item.name for item in stage.record])
    wrong = {"number": 9.0, "timer": 1.0}.get(
        next(item.kind for item in stage.record if item.name == name), False
    )
    if rng.random() < 0.5:
        values[name] = wrong
    else:
        del values[name]
    return values


def a_history(rows: tuple[Stage, ...], rng: random.Random) -> History:
    """Things done in any order, most of them well, so that the gates do open now and then."""
    records, items, sweeps, overrides = [], [], [], []
    at = 0
    care = rng.choice((0.6, 0.95, 1.0, 1.0))
    for stage in rows if rng.random() < 0.8 else rng.sample(rows, len(rows)):
        at += 1
        if rng.random() < 0.1:
            closed = at + rng.choice((1, 30)) if rng.random() < 0.7 else None
            areas = [*FUEL, *AREAS]
            items.append(Item(at, "x", rng.choice(areas), closed=closed,
                              stands_before=rng.choice(STANDS_BEFORE)))  # fmt: skip
            at += 2
        if rng.random() < 0.1:
            overrides.append(Override(at, stage.name, "because I say so", 0.0, rng.random() < 0.3))
            at += 1
            if rng.random() < 0.6:
                continue
        values = good_values(stage, rng) if rng.random() < care else spoilt(stage, rng)
        if rng.random() < 0.97:
            records.append(Record(at, stage.name, NOW - 100.0, values))
    if rng.random() < 0.8:
        at += 1
        again = next(row for row in rows if row.name == "fuel-static")
        records.append(Record(at, again.name, NOW - 50.0, good_values(again, rng)))
    if rng.random() < 0.9:
        old = rng.random() < 0.1
        recorded = NOW - (2 * SWEEP_LASTS if old else 10.0)
        sweeps.append(Sweep(at + rng.choice((-5, 40)), recorded, ()))
    return History(tuple(records), (), tuple(items), tuple(sweeps), tuple(overrides))


def plans(count: int, seed: int = 0) -> Iterator[Plan]:
    rng = random.Random(seed)
    for _ in range(count):
        owned = frozenset(rng.choice(pair) for pair in KINDS) - {""}
        opened = None
        if rng.random() < 0.3:
            opened = tuple(rng.sample(list(AREAS), rng.randrange(len(AREAS))))
        rows = fitted(owned, opened)
        yield Plan(rows, a_history(rows, rng), LIMITS, NOW)


def was_tested(plan: Plan, stage: Stage) -> bool:
    """Told from the history alone: the last record is whole and good, and nothing of what it is
    about was open then or since."""
    own = [row for row in plan.history.records if row.stage == stage.name]
    if not own:
        return False
    last = own[-1]
    for item in stage.record:
        value = last.values.get(item.name)
        if item.kind in ("yes-no", "ladder") and value is not True:
            return False
        if item.kind == "number" and (not isinstance(value, float) or value > 2.0) and item.limit:
            return False
        if item.kind == "number" and value is None:
            return False
        if item.kind == "timer" and not (isinstance(value, float) and value > 60.0):
            return False
    # to time the pump its return is opened
    if stage.name == "fuel-static" and any(
        row.stage == "flow" and row.at > last.at for row in plan.history.records
    ):
        return False
    return not any(
        item.area in stage.areas and (item.closed is None or item.closed > last.at)
        for item in plan.history.items
    )


def faults(plan: Plan) -> list[str]:
    """What an open gate must never be open with."""
    found = []
    by_name = {row.name: row for row in plan.stages}
    if not plan.barriers("first-fire"):
        if any(item.area in FUEL and item.closed is None for item in plan.history.items):
            found.append("a start with an open fuel joint")
        if not was_tested(plan, by_name["fuel-static"]):
            found.append("a start past fuel that was never under pressure")
        if not plan.history.sweeps:
            found.append("a start without a sweep")
    if not plan.barriers("load"):
        before = plan.stages[: [row.name for row in plan.stages].index("load")]
        untested = [row.name for row in before if row.hold and not was_tested(plan, row)]
        # what no chain of prerequisites leads to does not exist before load
        found += [f"load past {name}" for name in untested]
        if any(item.closed is None and item.area in FUEL for item in plan.history.items):
            found.append("load with an open fuel joint")
    return found


def test_no_way_to_a_start_or_to_load_round_the_evidence() -> None:
    opened = {"first-fire": 0, "load": 0}
    for plan in plans(4000):
        assert faults(plan) == []
        for name in opened:
            opened[name] += not plan.barriers(name)
    # a gate that never opens would pass too
    assert min(opened.values()) > 100, opened


@pytest.mark.parametrize(
    ("name", "broken"),
    [
        ("bars", lambda item, stage: False),
        ("swept", lambda items, sweeps, now: True),
    ],
)
def test_a_broken_gate_is_found(monkeypatch, name: str, broken) -> None:
    monkeypatch.setattr(order, name, broken)
    if name == "bars":
        monkeypatch.setattr(Plan, "counts", lambda self, stage, target: True)
    assert any(faults(plan) for plan in plans(4000))


def test_a_gate_that_takes_reasons_for_tests_is_found(monkeypatch) -> None:
    def lenient(self: Plan, stage: Stage, target: Stage) -> bool:
        return not stage.hold or self.standings[stage.name].state in order.COUNTS

    monkeypatch.setattr(Plan, "counts", lenient)
    assert any("load past" in " ".join(faults(plan)) for plan in plans(4000))


def test_the_longest_chain_is_a_chain_and_no_longer_than_everything() -> None:
    for plan in plans(400, seed=5):
        for target in ("first-fire", "first-roll", "load"):
            way = plan.path(target)
            assert way.longest[-1].name == target
            assert way.longest_minutes <= way.all_minutes + 1e-9
            assert {row.name for row in way.longest[:-1]} <= {row.name for row in way.barriers}
            # no other order of the stages alone takes longer
            assert way.longest_minutes >= brute(plan, target) - 1e-9


def brute(plan: Plan, target: str) -> float:
    """Minutes of the longest chain of stages that are in the way, by trying all of them."""
    goal = plan.stage(target)
    waiting = {row.name: row for row in plan.before(target) if not plan.counts(row, goal)}
    waiting[target] = goal

    def longest(name: str) -> float:
        inner = [longest(item) for item in reach(name, plan.stage(name).starts)]
        return waiting[name].minutes + max(inner, default=0.0)

    def reach(name: str, start: bool) -> list[str]:
        """The nearest waiting stages below: a start looks through stages that were passed."""
        found: list[str] = []
        for item in plan.stage(name).after:
            counts = plan.counts(plan.stage(item), plan.stage(name))
            if item in waiting:
                found.append(item)
            elif start or not counts:
                found += reach(item, start)
        return found

    return longest(target)


def test_what_can_be_done_here_needs_nothing_else() -> None:
    here = frozenset(("engine-cold", "level-floor"))
    for plan in plans(300, seed=9):
        for task in plan.tasks(here):
            assert bool(task.lacks) == bool(set(task.needs) - here)
            if task.kind == "stage":
                assert not plan.barriers(task.name)


def test_an_item_that_waits_for_another_is_not_offered_before_it() -> None:
    items = (Item(1, "hose", "belt"), Item(2, "clip", "boost", after=(1,)))
    plan = Plan(fitted(frozenset(("returns",))), History(items=items), LIMITS, NOW)
    assert [row.name for row in plan.tasks(frozenset()) if row.kind == "item"] == ["1"]
    longest = [row.name for row in plan.path("first-fire").longest]
    assert longest.index("1") < longest.index("2") < longest.index("assembly")
