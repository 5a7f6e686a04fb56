"""What was written down at the stages, and whether it passes them."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from keyturn.procedure.limits import Limit
from keyturn.procedure.open_items import Item, Sweep
from keyturn.procedure.stages import Field, HoldRule, Stage, hold_rules, opening_stages

Answer = float | bool | str
HOLD_SECONDS = "hold-seconds"
HOLD_RULE = "hold-rule"
PASSES, FAILS, MISSING, UNJUDGED = "passes", "fails", "missing", "cannot be judged"


@dataclass(frozen=True)
class Record:
    """What was written down at one stage, at one time; SI."""

    at: int
    stage: str
    recorded: float  # [s] since 1970
    values: Mapping[str, Answer]
    note: str = ""
    car: Mapping[str, object] | None = None  # as it was built then; None: not kept
    tells: tuple[int, ...] = ()  # entries of the readings that it is made of
    retracted: str = ""  # why it says nothing any more: one of them was taken out


@dataclass(frozen=True)
class Timer:
    """A wait that was begun; it runs on through whatever interrupts the work."""

    at: int
    stage: str
    name: str
    minutes: float
    started: float  # [s] since 1970

    def left(self, now: float) -> float:
        """Seconds that are left, 0 when it has run down."""
        return max(0.0, 60.0 * self.minutes - self.elapsed(now))

    def elapsed(self, now: float) -> float:
        return max(0.0, now - self.started)


@dataclass(frozen=True)
class Override:
    """A hold point that was passed on somebody's word."""

    at: int
    stage: str
    reason: str
    recorded: float
    withdrawn: bool = False


@dataclass(frozen=True)
class History:
    """All that was written down about the job, in the order of writing."""

    records: tuple[Record, ...] = ()
    timers: tuple[Timer, ...] = ()
    items: tuple[Item, ...] = ()
    sweeps: tuple[Sweep, ...] = ()
    overrides: tuple[Override, ...] = ()
    opened: tuple[str, ...] | None = None  # areas that were worked on; None: everything
    # what build.toml has otherwise since, in words by area, by the place of a record
    changed: Mapping[int, Mapping[str, str]] = field(default_factory=dict)


@dataclass(frozen=True)
class Row:
    """One field of a record against its limit."""

    field: Field
    value: Answer | None
    verdict: str
    why: str
    limit: Limit | None = None


@dataclass(frozen=True)
class Standing:
    """How a stage stands now."""

    stage: Stage
    state: str  # "passed", "overridden", "failed", "outdated", "untested"
    why: str
    rows: tuple[Row, ...] = ()
    record: Record | None = None
    override: Override | None = None  # printed for ever, also when a record passed later


def judged(
    stage: Stage, values: Mapping[str, Answer], limits: Mapping[str, Limit]
) -> tuple[Row, ...]:
    """Every field of a stage, and the hold where it has one."""
    rows = tuple(_row(stage, item, values.get(item.name), limits) for item in stage.record)
    return (*rows, _hold(stage, values)) if stage.hold_rule else rows


def passes(rows: tuple[Row, ...]) -> bool:
    return all(row.verdict == PASSES for row in rows)


def _row(stage: Stage, item: Field, value: Answer | None, limits: Mapping[str, Limit]) -> Row:
    limit = limits.get(item.limit) if item.limit else None
    if value is None:
        return Row(item, value, MISSING, "not recorded", limit)
    if item.kind in ("yes-no", "ladder"):
        return Row(item, value, PASSES if value is True else FAILS, "" if value is True else "no")
    if item.kind == "text":
        said = isinstance(value, str) and bool(value.strip())
        return Row(item, value, PASSES if said else MISSING, "" if said else "nothing said")
    if isinstance(value, (bool, str)) or not math.isfinite(value):
        return Row(item, value, FAILS, "not a number", limit)
    if item.kind == "timer":
        wanted = 60.0 * (stage.timers or {})[item.timer]
        done = value >= wanted
        return Row(item, value, PASSES if done else FAILS,
                   "" if done else f"{value / 60:.1f} of {wanted / 60:.0f} minutes")  # fmt: skip
    if item.limit and limit is None:
        return Row(item, value, UNJUDGED, "there is no limit for this car yet")
    if limit is None:
        return Row(item, value, PASSES, "")
    return Row(item, value, *limit.judge(float(value)), limit)


def _hold(stage: Stage, values: Mapping[str, Answer]) -> Row:
    """The fall of pressure in the time that the chosen rule asks for."""
    said = stage.hold_rule or {}
    rule = _rule(values)
    item = Field("hold", f"pressure held: {rule.words if rule else 'no such rule'}", "number",
                 "pressure_difference")  # fmt: skip
    start, end = values.get(said["start"]), values.get(said["end"])
    seconds = values.get(HOLD_SECONDS)
    known = [float(x) for x in (start, end, seconds) if x is not None and _is_number(x)]
    if rule is None or len(known) < 3:
        return Row(item, None, MISSING, "start, end and the timer of the hold are needed")
    fall, held = known[0] - known[1], known[2]
    if held < rule.seconds:
        return Row(item, fall, FAILS, f"held for {held:.0f} s, the rule asks {rule.seconds:.0f}")
    if fall < -rule.fall:
        return Row(item, fall, FAILS, "pressure rose: the pump ran, or the gauge is not to be read")
    good = fall <= rule.fall
    return Row(item, fall, PASSES if good else FAILS, f"{rule.words} ({rule.source})")


def _rule(values: Mapping[str, Answer]) -> HoldRule | None:
    return hold_rules().get(str(values.get(HOLD_RULE, next(iter(hold_rules())))))


def _is_number(value: Answer) -> bool:
    return not isinstance(value, (bool, str)) and math.isfinite(value)


def standing(stage: Stage, history: History, limits: Mapping[str, Limit]) -> Standing:
    """How one stage stands: its last record, what was opened since, and what was overridden."""
    records = [row for row in history.records if row.stage == stage.name]
    reasons = [row for row in history.overrides if row.stage == stage.name and not row.withdrawn]
    last = records[-1] if records else None
    override = reasons[-1] if reasons else None
    rows = judged(stage, last.values, limits) if last is not None else ()
    opened = [item for item in history.items if item.area in stage.areas]

    def since(at: int) -> str:
        if last is not None and at == last.at and last.retracted:
            return last.retracted
        later = [x.what for x in opened if x.at > at or x.closed is None or x.closed > at]
        later += [f"for {x.stage}" for x in history.records if x.at > at and _opens(x, stage)]
        if later:
            return f"opened since: {later[-1]}"
        other = history.changed.get(at, {})
        return next((words for area, words in other.items() if area in stage.areas), "")

    if last is not None and passes(rows) and not since(last.at):
        return Standing(stage, "passed", "", rows, last, override)
    lapsed = override is None or bool(since(override.at)) or not stage.override
    late = override is not None and last is not None and override.at < last.at
    if override is not None and not lapsed and not late:
        return Standing(stage, "overridden", override.reason, rows, last, override)
    if last is None:
        return Standing(stage, "untested", "nothing recorded", rows, last, override)
    if passes(rows):
        return Standing(stage, "outdated", since(last.at), rows, last, override)
    bad = next(row for row in rows if row.verdict != PASSES)
    return Standing(stage, "failed", f"{bad.field.words}: {bad.why}", rows, last, override)


def _opens(record: Record, stage: Stage) -> bool:
    """Whether the work that was recorded opened what a stage is about."""
    return bool(set(opening_stages().get(record.stage, ())) & set(stage.areas))


def overridden(history: History) -> tuple[str, ...]:
    """Every override in words; said wherever the job is shown, also when a test followed."""
    return tuple(
        f"{row.stage} was passed on a word, not on evidence: {row.reason}"
        + (" (taken back later)" if row.withdrawn else "")
        for row in history.overrides
    )
