"""The build at a glance: the verdict, what stands before the next hold point, what to do next."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from keyturn.build.model import Build
from keyturn.evidence.reading import Reading, kinds
from keyturn.report import phrases
from keyturn.report.headroom_figure import ranked
from keyturn.system.result import CheckResult, Headroom

# hold point, and the state in which rail pressure has to have been read to pass it
HOLD_POINTS = (
    ("first fire", "key-on", "Rail pressure with the key on, engine off"),
    ("first run above idle", "idle", "Rail pressure at warm idle"),
    ("first loaded run", "held-speed", "Rail pressure at a held speed without load"),
    ("full load", "full-load", "Rail pressure on the way to full load"),
)
LOADED = ("first loaded run", "full load")
PAST = ("replaced", "withdrawn", "suspected")


@dataclass(frozen=True)
class Barrier:
    """One thing in the way; ``page`` and ``base`` say where it is dealt with."""

    what: str
    words: str  # what would settle it
    page: str  # "find", "parts" or "check"
    base: str = ""  # table of build.toml on the Parts page
    caution: str = ""


@dataclass(frozen=True)
class Glance:
    """Everything that Home says of one build."""

    hold_point: str
    barriers: tuple[Barrier, ...]
    steps: tuple[str, ...]


# word in the name of a part of the headroom -> table of build.toml, first match counts
TABLES = (
    ("wiring", "wiring"), ("fuse", "wiring"), ("regulator", "regulator"),
    ("injector", "injectors"), ("vapour", "fuel"), ("pump", "pump"), ("belt", "belt.1"),
    ("blower", "blower"), ("charge", "cooler"), ("mixture", "control"), ("calibration", "control"),
    ("return", "return.1"),
)  # fmt: skip
AT_REST = ("pump", "regulator", "wiring", "fuse")  # what the pump needs before the engine turns


def glance(build: Build, result: CheckResult, readings: Sequence[Reading]) -> Glance:
    """What Home says: passes over no part that does not hold, and no reading that is missing."""
    standing = [r for r in readings if r.kind == "rail-pressure" and r.status not in PAST]
    read = {reading.state for reading in standing}
    point, state, words = next((row for row in HOLD_POINTS if row[1] not in read), HOLD_POINTS[-1])
    barriers: list[Barrier] = []
    if state not in read:
        caution = phrases.tidy(kinds()["rail-pressure"].caution)
        barriers.append(Barrier(f"{words}: not read yet", "", "find", caution=caution))
    doubtful = [row for row in ranked(result.headroom) if row.verdict != "holds"]
    now = [row for row in doubtful if point in LOADED or row.part in AT_REST]
    barriers += [_barrier(row, build) for row in now]
    later = [row.part for row in doubtful if row not in now]
    if later:
        what = f"Before the {LOADED[0]}, {len(later)} more part" + "s" * (len(later) > 1)
        more = phrases.tidy(f"{', '.join(later)}: short, tight or not proven")
        barriers.append(Barrier(what, more, "check"))
    told = " ".join(barrier.words for barrier in barriers)
    steps = [step for step in phrases.next_steps(result) if step not in told]
    return Glance(point, tuple(barriers), tuple(steps))


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
