"""What stands before what: barriers, the longest path, and what can be done here and now."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

from keyturn.procedure.evidence import History, Standing, Timer, standing
from keyturn.procedure.limits import Limit
from keyturn.procedure.open_items import SWEEP_MINUTES, Item, bars, open_now, swept
from keyturn.procedure.stages import NEEDS, Stage, chosen

FIRST_FIRE, FIRST_DRIVE, LOAD = "first-fire", "first-roll", "load"
SWEEP = "sweep"
COUNTS = ("passed", "overridden")


@dataclass(frozen=True)
class Barrier:
    """One thing that stands before a stage."""

    kind: str  # "stage", "item" or "sweep"
    name: str  # of the stage, or number of the item
    words: str
    why: str
    minutes: float
    needs: tuple[str, ...] = ()


@dataclass(frozen=True)
class Path:
    """What stands between the car and a stage."""

    target: str
    words: str
    barriers: tuple[Barrier, ...]
    longest: tuple[Barrier, ...]  # one after the other, the target last
    longest_minutes: float
    all_minutes: float  # one person, one thing at a time, the target included


@dataclass(frozen=True)
class Task:
    """Something that could be done next."""

    kind: str  # "stage", "item" or "sweep"
    name: str
    words: str
    minutes: float
    needs: tuple[str, ...]
    lacks: tuple[str, ...]  # of what it needs, what is not at hand


@dataclass(frozen=True)
class Plan:
    """The stages of one car and all that was written down about them."""

    stages: tuple[Stage, ...]
    history: History
    limits: Mapping[str, Limit]
    now: float  # [s] since 1970

    @cached_property
    def standings(self) -> Mapping[str, Standing]:
        """How every stage stands, by name, in order."""
        return {row.name: standing(row, self.history, self.limits) for row in self.stages}

    def stage(self, name: str) -> Stage:
        return chosen(self.stages, name)

    def before(self, name: str) -> tuple[Stage, ...]:
        """Every stage that has to count before this one, in the order of the job.

        Before a start all of them, however long ago they were passed: what was opened since makes
        them old. Before work on the standing car what it rests on, and what that waits for.
        """
        target = self.stage(name)
        found: set[str] = set()
        waiting = list(target.after)
        while waiting:
            row = self.stage(waiting.pop())
            if row.name not in found:
                found.add(row.name)
                if target.starts or not self.counts(row, target):
                    waiting += row.after
        return tuple(row for row in self.stages if row.name in found)

    def counts(self, stage: Stage, target: Stage) -> bool:
        """Whether a stage is no obstacle to another. No reason replaces a test before load."""
        state = self.standings[stage.name].state
        if not stage.hold:
            return True
        return state == "passed" or (state == "overridden" and not target.load)

    def barriers(self, name: str) -> tuple[Barrier, ...]:
        """Everything that stands before a stage now; nothing: it may be begun."""
        target = self.stage(name)
        found = [
            self._stage_barrier(row) for row in self.before(name) if not self.counts(row, target)
        ]
        found += [_item_barrier(item) for item in self.history.items if bars(item, target)]
        if target.starts and not swept(self.history.items, self.history.sweeps, self.now):
            found.append(
                Barrier("sweep", SWEEP, "sweep of the open items",
                        "not made since the list last changed, or not in this session",
                        SWEEP_MINUTES)
            )  # fmt: skip
        return tuple(found)

    def _stage_barrier(self, row: Stage) -> Barrier:
        now = self.standings[row.name]
        why = f"overridden, not tested: {now.why}" if now.state == "overridden" else now.why
        why = why if now.state == "untested" else f"{now.state}: {why}"
        return Barrier("stage", row.name, row.words, why, row.minutes, row.needs)

    def path(self, name: str) -> Path:
        """What stands between the car and a stage: all of it, and the longest chain."""
        target = self.stage(name)
        chain = [row for row in self.before(name) if not self.counts(row, target)]
        whole = [*chain, target]
        found: dict[tuple[str, str], Barrier] = {}
        for row in whole:
            for barrier in self.barriers(row.name):
                found.setdefault((barrier.kind, barrier.name), barrier)
        end = Barrier("stage", name, target.words, "", target.minutes, target.needs)
        longest = self._longest(found, end)
        return Path(
            name, target.words, tuple(found.values()), longest,
            sum(row.minutes for row in longest),
            sum(row.minutes for row in found.values()) + target.minutes,
        )  # fmt: skip

    def _longest(
        self, found: Mapping[tuple[str, str], Barrier], end: Barrier
    ) -> tuple[Barrier, ...]:
        """The chain of barriers that takes longest, each waiting for the one before it."""
        known: dict[tuple[str, str], tuple[Barrier, ...]] = {}

        def chain(row: Barrier) -> tuple[Barrier, ...]:
            key = (row.kind, row.name)
            if key not in known:
                known[key] = ()  # an item that waits for itself waits for nothing
                waits = [chain(found[k]) for k in self._waits(row) if k in found and k != key]
                longest = max(waits, key=lambda one: sum(b.minutes for b in one), default=())
                known[key] = (*longest, row)
            return known[key]

        return chain(end)

    def _waits(self, row: Barrier) -> list[tuple[str, str]]:
        """What has to be done right before a barrier can be."""
        items = open_now(self.history.items)
        if row.kind == "item":
            own = next(item for item in items if str(item.at) == row.name)
            return [("item", str(number)) for number in own.after]
        if row.kind == "sweep":
            return [("item", str(item.at)) for item in items]
        stage = self.stage(row.name)
        found = [("stage", item.name) for item in self.before(row.name)]
        found += [("item", str(item.at)) for item in items if bars(item, stage)]
        return found + ([("sweep", SWEEP)] if stage.starts else [])

    def tasks(self, here: frozenset[str]) -> tuple[Task, ...]:
        """All that could be begun now; what needs nothing that is not ``here`` comes first."""
        found = []
        for row in self.stages:
            if self.standings[row.name].state in COUNTS:
                continue
            standing_before = self.barriers(row.name)
            if not standing_before:
                found.append(_task("stage", row.name, row.words, row.minutes, row.needs, here))
        open_ones = {item.at for item in open_now(self.history.items)}
        for item in open_now(self.history.items):
            if not set(item.after) & open_ones:
                where = f" ({item.where})" if item.where else ""
                found.append(
                    _task("item", str(item.at), item.what + where, item.minutes, item.needs, here)
                )
        if any(
            barrier.kind == "sweep" and len(self.barriers(row.name)) == 1
            for row in self.stages
            if self.standings[row.name].state not in COUNTS
            for barrier in self.barriers(row.name)
        ):
            words = "sweep of the open items, before the start"
            found.append(_task("sweep", SWEEP, words, SWEEP_MINUTES, (), here))
        return tuple(sorted(found, key=lambda row: len(row.lacks)))

    def running(self) -> tuple[Timer, ...]:
        """The last timer of each name whose stage has no record since."""
        last = {(row.stage, row.name): row for row in self.history.timers}
        done = {row.stage: row.at for row in self.history.records}
        return tuple(row for row in last.values() if row.at > done.get(row.stage, 0))


def _item_barrier(item: Item) -> Barrier:
    where = f" ({item.where})" if item.where else ""
    return Barrier("item", str(item.at), item.what + where, "open", item.minutes, item.needs)


def _task(
    kind: str, name: str, words: str, minutes: float, needs: tuple[str, ...], here: frozenset[str]
) -> Task:
    lacks = tuple(NEEDS[need] for need in needs if need not in here)
    return Task(kind, name, words, minutes, needs, lacks)
