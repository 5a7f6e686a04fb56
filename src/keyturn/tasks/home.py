"""The build at a glance: the verdict, what stands before the next hold point, what to do next."""

from __future__ import annotations

from dataclasses import dataclass

from keyturn.build.model import Build
from keyturn.procedure.evidence import History, overridden
from keyturn.procedure.order import FIRST_DRIVE, FIRST_FIRE, LOAD, Plan
from keyturn.report import phrases
from keyturn.report.headroom_figure import ranked
from keyturn.system.result import CheckResult, Headroom
from keyturn.tasks.steps import plan_for

# hold points that Home counts towards, and their stages
HOLD_POINTS = {"first fire": FIRST_FIRE, "first drive": FIRST_DRIVE, "load": LOAD}
SHOWN = 3  # stages in the way that are named; the others are counted


@dataclass(frozen=True)
class Barrier:
    """One thing in the way; ``page`` and ``base`` say where it is dealt with."""

    what: str
    words: str  # what would settle it
    page: str  # "find", "parts", "check", or empty where no page deals with it
    base: str = ""  # table of build.toml on the Parts page
    caution: str = ""


@dataclass(frozen=True)
class Glance:
    """Everything that Home says of one build."""

    hold_point: str
    barriers: tuple[Barrier, ...]
    steps: tuple[str, ...]
    overridden: tuple[str, ...] = ()  # hold points that were passed on a word


# word in the name of a part of the headroom -> table of build.toml, first match counts
TABLES = (
    ("wiring", "wiring"), ("fuse", "wiring"), ("regulator", "regulator"),
    ("injector", "injectors"), ("vapour", "fuel"), ("pump", "pump"), ("belt", "belt.1"),
    ("blower", "blower"), ("charge", "cooler"), ("mixture", "control"), ("calibration", "control"),
    ("return", "return.1"),
)  # fmt: skip
# what the pump needs before the engine turns
AT_REST = ("pump", "regulator", "wiring", "fuse", "wire under its fuse")


def glance(
    build: Build,
    result: CheckResult,
    written: History | None = None,
    now: float | None = None,
) -> Glance:
    """What Home says: passes over no part that does not hold, and no hold point without evidence.

    ``written`` is what was recorded at the steps, ``now`` in seconds since 1970.
    """
    plan = plan_for(build, result, written or History(), now)
    point = next(
        (name for name, stage in HOLD_POINTS.items() if plan.standings[stage].state != "passed"),
        "sign-off",
    )
    barriers = _stages(plan, HOLD_POINTS.get(point, point))
    doubtful = [row for row in ranked(result.headroom) if row.verdict != "holds"]
    loaded = point not in ("first fire", "first drive")
    here = [row for row in doubtful if loaded or row.part in AT_REST]
    barriers += [_barrier(row, build) for row in here]
    later = [row.part for row in doubtful if row not in here]
    if later:
        what = f"Before load, {len(later)} more part" + "s" * (len(later) > 1)
        more = phrases.tidy(f"{', '.join(later)}: short, tight or not proven")
        barriers.append(Barrier(what, more, "check"))
    told = " ".join(barrier.words for barrier in barriers)
    steps = [step for step in phrases.next_steps(result) if step not in told]
    return Glance(point, tuple(barriers), tuple(steps), overridden(plan.history))


def _stages(plan: Plan, target: str) -> list[Barrier]:
    """Open items and hold points before a stage, the first ones by name."""
    found = plan.path(target).barriers
    loose = [row for row in found if row.kind == "item"]
    rows = [row for row in found if row.kind != "item"]
    barriers = [Barrier(f"Open: {row.words}", phrases.tidy(row.why), "") for row in loose]
    barriers += [
        Barrier(row.words, phrases.tidy(row.why), "", caution=_caution(plan, row.name))
        for row in rows[:SHOWN]
    ]
    if rows[SHOWN:]:
        names = ", ".join(row.words.lower() for row in rows[SHOWN:])
        left = len(rows) - SHOWN
        barriers.append(Barrier(f"{left} more step" + "s" * (left > 1), phrases.tidy(names), ""))
    return barriers


def _caution(plan: Plan, name: str) -> str:
    found = [row.cautions for row in plan.stages if row.name == name and row.cautions]
    return phrases.tidy(found[0][0]) if found else ""


def _barrier(row: Headroom, build: Build) -> Barrier:
    """A part in the way: what is wrong with it and what would settle it."""
    said = {"short": "is short", "not proven": "is not proven", "tight": "is tight"}[row.verdict]
    more = phrases.tidy(row.settles or phrases.times(row))
    what = f"{phrases.tidy(row.part)[:-1]} {said}"
    return Barrier(what, more, "parts", table_of(row.part, build))


def table_of(part: str, build: Build) -> str:
    """The table of build.toml in which a part of the headroom is described."""
    line = next((p.key for p in (*build.suction, *build.feed) if p.kind in part.lower()), "")
    return line or next((table for word, table in TABLES if word in part.lower()), "")
