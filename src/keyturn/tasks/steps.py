"""First start to first load, one hold point at a time: what is done, recorded, open and next."""

from __future__ import annotations

import time
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path

from keyturn.build.model import Build
from keyturn.build.read import load
from keyturn.build.schema import nearest
from keyturn.errors import CannotSolve, Place, ValueRefused
from keyturn.journal.store import opened
from keyturn.procedure.as_built import changed
from keyturn.procedure.evidence import (
    History,
    Record,
    Standing,
    Timer,
    judged,
    overridden,
)
from keyturn.procedure.fit import fitted, has, worked_on
from keyturn.procedure.limits import limits
from keyturn.procedure.open_items import SWEEP_LASTS
from keyturn.procedure.order import FIRST_DRIVE, FIRST_FIRE, Plan, Task
from keyturn.procedure.order import Path as Way
from keyturn.procedure.stages import AREAS, NEEDS, Stage
from keyturn.system.result import CheckResult
from keyturn.tasks.check import check
from keyturn.tasks.read import folder_of
from keyturn.tasks.steps_book import (
    STEP,
    history,
)

SAMPLES = 200  # enough for the bands that the limits are made of
MILESTONES = {"first fire": FIRST_FIRE, "first drive": FIRST_DRIVE, "load": "load"}


@dataclass(frozen=True)
class Steps:
    """The whole job of one car as it stands."""

    name: str
    invented: bool
    plan: Plan
    result: CheckResult | None  # None: the model of this build has no answer
    standings: tuple[Standing, ...]
    next: Stage | None  # the first stage that does not count yet
    overridden: tuple[str, ...]  # every override that was ever made, in words
    running: tuple[Timer, ...]


def plan_for(
    build: Build, result: CheckResult | None, written: History, now: float | None = None
) -> Plan:
    """The stages of a car with what was written down, ``now`` in seconds since 1970."""
    rows = fitted(has(build), worked_on(written))
    other = {row.at: changed(row.car, build) for row in written.records}
    written = replace(written, changed=other)
    return Plan(rows, written, limits(build, result), time.time() if now is None else now)


def steps(build: str | Path, result: CheckResult | None = None, now: float | None = None) -> Steps:
    """How every stage stands. ``result`` spares the check when the caller has it."""
    model = load(build)
    found = result or expected_of(model)
    with opened(folder_of(build)) as book:
        plan = plan_for(model, found, history(book), now)
    standings = tuple(plan.standings.values())
    waiting = [row.stage for row in standings if row.state not in ("passed", "overridden")]
    return Steps(
        model.name, model.invented, plan, found, standings,
        next((row for row in waiting if row.hold), waiting[0] if waiting else None),
        overridden(plan.history), plan.running(),
    )  # fmt: skip


def expected_of(model: Build) -> CheckResult | None:
    """What the model says; open items and hold points do not wait for a model that cannot."""
    try:
        return check(model, samples=SAMPLES)
    except CannotSolve:
        return None


def written(build: str | Path) -> History:
    """All that was recorded at the steps of a build, without working out what it means."""
    load(build)
    with opened(folder_of(build)) as book:
        return history(book)


def now_here(
    build: str | Path, here: Iterable[str], result: CheckResult | None = None
) -> tuple[Task, ...]:
    """What can be done here and now; ``here`` are the words of NEEDS that are met."""
    given = frozenset(here)
    for word in given - set(NEEDS):
        near = nearest(word, NEEDS)
        raise ValueRefused(
            "no such condition", Place(key="here"), word, ", ".join(NEEDS),
            f"did you mean {near}?" if near else None,
        )  # fmt: skip
    return steps(build, result).plan.tasks(given)


def path(build: str | Path, target: str, result: CheckResult | None = None) -> Way:
    """What stands between the car and a stage, or "first fire", "first drive", "load"."""
    return steps(build, result).plan.path(MILESTONES.get(target.strip().lower(), target))


def scope(build: str | Path, areas: Iterable[str] | None) -> tuple[Stage, ...]:
    """Say what was opened on this car, None for everything; the stages that it needs then."""
    said = None if areas is None else tuple(dict.fromkeys(areas))
    for name in said or ():
        if name not in AREAS:
            raise ValueRefused("no such area", Place(key="scope"), name, ", ".join(AREAS))
    model = load(build)
    with opened(folder_of(build), write=True) as book, book.writing():
        book.add(STEP, "scope", {"areas": None if said is None else list(said)})
        return fitted(has(model), worked_on(history(book)))


def waits(plan: Plan, row: Stage) -> tuple[tuple[Timer, float | None], ...]:
    """The waits of this session that count, each with its end; None: it still runs.

    A wait ends when the next of its stage begins.
    """
    done = max((x.at for x in plan.history.records if _whole(plan, row, x)), default=0)
    own = [x for x in plan.history.timers if x.stage == row.name and x.at > done]
    ends = [*(x.started for x in own[1:]), None]
    return tuple(
        (timer, end)
        for timer, end in zip(own, ends, strict=False)
        if plan.now - timer.started <= SWEEP_LASTS
    )


def _whole(plan: Plan, row: Stage, record: Record) -> bool:
    """Whether a record of the stage left nothing out: its waits are used up."""
    rows = judged(row, record.values, plan.limits) if record.stage == row.name else ()
    return bool(rows) and all(item.value is not None for item in rows)
