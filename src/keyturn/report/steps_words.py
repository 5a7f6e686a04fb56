"""The job in words and as plain data: stages, what is in the way, what can be done, the ladder."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from keyturn.glossary import unit_of
from keyturn.procedure.evidence import Answer, Row, Standing, overridden
from keyturn.procedure.ladder import HIGHEST, Ladder, Opening, Rung, measures
from keyturn.procedure.limits import Limit
from keyturn.procedure.open_items import Item, before_start, open_now
from keyturn.procedure.order import Path, Plan, Task
from keyturn.procedure.stages import NEEDS, Stage
from keyturn.report.show import number, probability, shown, whole
from keyturn.report.tables import amount

SCHEMA = "keyturn.steps.v1"
SAMPLES = 600  # behind a chance of the ladder
MARKS = {
    "passed": "[x]",
    "overridden": "[!]",
    "failed": "[-]",
    "outdated": "[~]",
    "untested": "[ ]",
}
HOLD, WITNESS = "hold point", "witness"
NOT_ASKED = "Knock, coolant and what is smelt or heard are not in the model: only the record says."


def quantity_words(value: float | None, quantity: str) -> str:
    """A number with its unit as a builder reads it."""
    if value is None or not math.isfinite(value):
        return "–"
    if quantity in ("ratio", "duty"):
        return number(shown(value, quantity)) + (" %" if quantity == "duty" else "")
    return amount(value, quantity)


def limit_words(limit: Limit | None) -> str:
    """A limit as what has to be read."""
    if limit is None:
        return ""
    if limit.leans:
        return limit.leans
    low, high = (quantity_words(x, limit.quantity) for x in (limit.low, limit.high))
    if limit.low is None:
        return f"up to {high}"
    return f"{low} or more" if limit.high is None else f"{low} to {high}"


def answer_words(value: Answer | None, quantity: str) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if value is None or isinstance(value, str):
        return value or "–"
    if not quantity:
        return f"{value / 60:.1f} min"
    return quantity_words(value, quantity)


def chance(share: float) -> str:
    """A chance from the model, never 100 %."""
    return probability(share, SAMPLES)


def minutes_words(minutes: float) -> str:
    hours, rest = divmod(round(minutes), 60)
    return f"{rest} min" if not hours else f"{hours} h {rest:02d} min"


def headline(plan: Plan) -> str:
    """The state of the job in one sentence."""
    waiting = [row for row in plan.standings.values() if row.stage.hold and row.state != "passed"]
    open_ones = open_now(plan.history.items)
    loose = f"; {len(open_ones)} open item{'s' * (len(open_ones) != 1)}" if open_ones else ""
    if not waiting:
        return f"Every hold point is passed on its evidence{loose}."
    row = waiting[0]
    return f"Next hold point: {row.stage.words} ({row.state}){loose}."


def always(plan: Plan) -> list[str]:
    """What is printed whatever is asked: overrides, and what keeps the engine from a start."""
    lines = [f"OVERRIDE: {words}" for words in overridden(plan.history)]
    for item in open_now(plan.history.items):
        if before_start(item):
            lines.append(f"OPEN, no start: {item.at} {item_words(item)}")
    return lines


def item_words(item: Item) -> str:
    where = f", {item.where}" if item.where else ""
    return f"{item.what} ({item.area}{where})"


def text(plan: Plan, *, full: bool = False) -> str:
    """All stages, one a line; the numbers of the current one below."""
    lines = [headline(plan), *always(plan), ""]
    for row in plan.standings.values():
        kind = "hold" if row.stage.hold else "wit."
        why = "" if row.state in ("passed", "untested") else f": {row.why}"
        lines.append(f"{MARKS[row.state]} {kind}  {row.stage.name:<12} {row.stage.words}{why}")
    now = plan.now
    for timer in plan.running():
        left = timer.left(now)
        said = f"{left / 60:.1f} min left" if left else "run down"
        lines.append(f"timer {timer.stage} {timer.name}: {timer.elapsed(now) / 60:.1f} min, {said}")
    chosen = [row for row in plan.standings.values() if row.state not in ("passed", "overridden")]
    for row in chosen if full else [x for x in chosen if x.stage.hold][:1]:
        lines += ["", *stage_lines(row, plan)]
    return "\n".join(lines)


def stage_lines(row: Standing, plan: Plan) -> list[str]:
    """One stage: why, what is needed, what is recorded and where it stands."""
    stage = row.stage
    lines = [
        f"{stage.name}: {stage.words} ({HOLD if stage.hold else WITNESS})",
        f"  why: {stage.why}",
    ]
    needs = ", ".join(NEEDS[need] for need in stage.needs)
    lines += [f"  needs: {needs}"] if needs else []
    lines += [f"  caution: {words}" for words in stage.cautions]
    lines += [f"  stop: {stage.stop}", f"  often forgotten: {stage.forgotten}"]
    judged = {item.field.name: item for item in row.rows}
    for item in stage.record:
        limit = limit_words(plan.limits.get(item.limit)) if item.limit else ""
        found = judged.get(item.name)
        said = f" = {answer_words(found.value, item.quantity)}: {found.verdict}" if found else ""
        lines.append(f"  {item.name:<20} {item.words}" + (f" [{limit}]" if limit else "") + said)
    for barrier in plan.barriers(stage.name):
        lines.append(f"  before it: {barrier.words}: {barrier.why}")
    lines.append(f"  source: {stage.source}")
    return lines


def verdict_words(row: Standing) -> str:
    """What a record came to."""
    lines = [f"{row.stage.name}: {row.state}" + (f", {row.why}" if row.why else "")]
    for item in row.rows:
        why = f" ({item.why})" if item.why and item.verdict != "passes" else ""
        value = answer_words(item.value, item.field.quantity)
        lines.append(f"  {item.verdict:<16} {item.field.words}: {value}{why}")
    if row.override is not None:
        lines.append(f"  OVERRIDE stands in the journal: {row.override.reason}")
    return "\n".join(lines)


def path_words(path: Path, plan: Plan) -> str:
    """What stands between the car and a stage."""
    if not path.barriers:
        return "\n".join([f"Nothing recorded stands before: {path.words}.", *always(plan)])
    lines = [
        f"Before {path.words.lower()}: {len(path.barriers)} thing"
        f"{'s' * (len(path.barriers) != 1)}, {minutes_words(path.all_minutes)} for one person; "
        f"longest chain {minutes_words(path.longest_minutes)}.",
        *always(plan), "",
        "longest chain: " + " -> ".join(row.words for row in path.longest),
    ]  # fmt: skip
    for row in path.barriers:
        needs = ", ".join(NEEDS[need] for need in row.needs)
        tail = f"; needs {needs}" if needs else ""
        name = f"item {row.name}" if row.kind == "item" else row.name
        lines.append(f"  {name:<14} {minutes_words(row.minutes):>10}  {row.words}: {row.why}{tail}")
    return "\n".join(lines)


def tasks_words(tasks: Sequence[Task], plan: Plan) -> str:
    """What can be done here and now, and what only lacks something."""
    able = [row for row in tasks if not row.lacks]
    lines = [f"Here and now: {len(able)} thing{'s' * (len(able) != 1)}.", *always(plan)]
    for row in able:
        lines.append(f"  {_task_name(row):<14} {minutes_words(row.minutes):>10}  {row.words}")
    for row in tasks:
        if row.lacks:
            lacks = ", ".join(row.lacks)
            lines.append(f"  not here: {_task_name(row)} {row.words}, lacks {lacks}")
    return "\n".join(lines)


def _task_name(row: Task) -> str:
    return f"item {row.name}" if row.kind == "item" else row.name


def items_words(items: Sequence[Item]) -> str:
    """Open items first, then what was closed."""
    if not items:
        return "nothing was ever entered as open"
    lines = []
    for item in sorted(items, key=lambda row: row.closed is not None):
        state = f"closed: {item.how}" if item.closed is not None else f"before {item.stands_before}"
        lines.append(f"{item.at:>4}  {'[x]' if item.closed else '[ ]'} {item_words(item)}; {state}")
    return "\n".join(lines)


def ladder_words(found: Ladder) -> str:
    """The ladder, the next step, and why it is not open."""
    nxt = found.next
    if nxt is None:
        first = "Every step of the ladder is recorded clean."
    elif nxt.open:
        first = f"{nxt.rung.name} is open: {nxt.rung.words} (limits hold: {chance(nxt.holds)})."
    else:
        first = f"{nxt.rung.name} is not open: {nxt.rung.words}."
    lines = [first, *(f"OVERRIDE: {words}" for words in found.overridden)]
    lines += [f"  {words}" for words in (nxt.why if nxt is not None else ())]
    lines.append("")
    for at, (door, band) in enumerate(zip(found.openings, found.bands, strict=True)):
        mark = "[x]" if at < found.level else "[>]" if door.open else "[ ]"
        rail = band[0]
        lines.append(
            f"{mark} {door.rung.name:<4} {chance(door.holds):>6}  rail {whole(rail.p05 / 1e3)} to "
            f"{whole(rail.p95 / 1e3)} kPa  {door.rung.words}"
        )
    if nxt is not None:
        lines += ["", *rung_lines(found, found.level)]
    return "\n".join([*lines, NOT_ASKED])


def rung_caution(rung: Rung) -> str:
    """What is minded before a step is driven; said wherever the step is."""
    if rung.loaded:
        return (
            "on private ground, a track or a rolling road only. The driver watches no gauge: a "
            "second person calls, or a log is read afterwards. Past an abort number: lift."
        )
    if rung.mode not in ("key-on", "idle", "held"):
        return (
            "the driver watches the road; a second person reads. Past an abort number: lift and "
            "stop."
        )
    return "outdoors, extinguisher at hand, clear of belt and fan. Fuel seen or smelt: key off."


def rung_lines(found: Ladder, at: int) -> list[str]:
    """Bands, caps and abort numbers of one step, stated before it is driven."""
    door, (speed, boost) = found.openings[at], found.caps[at]
    lines = [
        f"{door.rung.name}: {door.rung.words}, {door.rung.seconds:.0f} s",
        f"  up to {speed * 60:.0f} rev/min and {quantity_words(boost, 'pressure_gauge')} above "
        "ambient in the manifold",
    ]
    lines += [f"  predicted {row[0]}: {row[1]}" for row in band_rows(found, at)]
    lines += [f"  abort {words}: {bound}" for words, bound in abort_rows(found, at)]
    return [*lines, f"  caution: {rung_caution(door.rung)}"]


def band_rows(found: Ladder, at: int) -> list[tuple[str, str]]:
    """Predicted bands of a step, 5 to 95 %."""
    rail, mixture = found.bands[at]
    rows = [("rail pressure", _span(rail.p05, rail.p95, "pressure_gauge"))]
    if math.isfinite(mixture.p50):
        rows.append(("lambda", _span(mixture.p05, mixture.p95, "air_fuel_equivalence")))
    for chance in found.openings[at].chances:
        row = chance.measure
        if row.name not in ("rail-pressure", "lambda"):
            rows.append((row.words, _span(chance.band.p05, chance.band.p95, row.quantity)))
    return rows


def abort_rows(found: Ladder, at: int) -> list[tuple[str, str]]:
    """What has to be recorded at a step, with the number at which the run is lifted."""
    rows = []
    for name in found.rungs[at].record:
        row, bound = measures()[name], found.bounds[at].get(name, math.nan)
        if not row.quantity:
            rows.append((row.words, "if not so"))
            continue
        below = row.sense == "low" or name == "rail-pressure"
        side = "below" if below else "above"
        degrees = row.quantity == "ratio"  # of crank angle, kept as they are typed
        words = f"{side} {bound:g}°" if degrees else f"{side} {quantity_words(bound, row.quantity)}"
        most = found.bounds[at].get(f"{name}{HIGHEST}")
        if most is not None:
            words += f" or above {quantity_words(most, row.quantity)}"
        rows.append((row.words, words))
    return rows


def _span(low: float, high: float, quantity: str) -> str:
    return f"{quantity_words(low, quantity)} to {quantity_words(high, quantity)}"


# ---------------------------------------------------------------- plain data


def to_json(
    name: str,
    plan: Plan,
    path: Path | None = None,
    tasks: Sequence[Task] | None = None,
    ladder: Ladder | None = None,
) -> dict[str, Any]:
    """Everything as plain data, SI; schema keyturn.steps.v1."""
    found: dict[str, Any] = {
        "schema": SCHEMA,
        "name": name,
        "sentence": headline(plan),
        "overridden": list(overridden(plan.history)),
        "stages": [_stage(row, plan) for row in plan.standings.values()],
        "open_items": [_item(item) for item in plan.history.items],
        "timers": [
            {"stage": row.stage, "name": row.name, "minutes": row.minutes,
             "started": row.started, "elapsed_s": round(row.elapsed(plan.now), 1),
             "left_s": round(row.left(plan.now), 1)}
            for row in plan.running()
        ],
    }  # fmt: skip
    if path is not None:
        found["path"] = {
            "target": path.target, "minutes": path.all_minutes,
            "longest_minutes": path.longest_minutes,
            "longest": [row.name for row in path.longest],
            "barriers": [
                {"kind": row.kind, "name": row.name, "words": row.words, "why": row.why,
                 "minutes": row.minutes, "needs": list(row.needs)}
                for row in path.barriers
            ],
        }  # fmt: skip
    if tasks is not None:
        found["tasks"] = [
            {"kind": row.kind, "name": row.name, "words": row.words, "minutes": row.minutes,
             "needs": list(row.needs), "lacks": list(row.lacks)}
            for row in tasks
        ]  # fmt: skip
    if ladder is not None:
        found["ladder"] = ladder_json(ladder)
    return found


def _stage(row: Standing, plan: Plan) -> dict[str, Any]:
    stage: Stage = row.stage
    return {
        "name": stage.name, "words": stage.words, "hold": stage.hold, "state": row.state,
        "why_not": row.why, "why": stage.why, "tools": list(stage.tools),
        "cautions": list(stage.cautions), "stop": stage.stop, "forgotten": stage.forgotten,
        "minutes": stage.minutes, "needs": list(stage.needs), "after": list(stage.after),
        "source": stage.source, "timers": dict(stage.timers or {}),
        "fields": [
            {"name": item.name, "words": item.words, "kind": item.kind,
             "quantity": item.quantity or None,
             "limit": _limit(plan.limits.get(item.limit)) if item.limit else None}
            for item in stage.record
        ],
        "record": [_row(item) for item in row.rows],
        "override": row.override.reason if row.override is not None else None,
    }  # fmt: skip


def _limit(limit: Limit | None) -> dict[str, Any] | None:
    if limit is None:
        return None
    return {
        "words": limit.words, "low": limit.low, "high": limit.high,
        "unit": unit_of(limit.quantity), "source": limit.source, "model": limit.model,
        "cannot_judge": limit.leans or None,
    }  # fmt: skip


def _row(item: Row) -> dict[str, Any]:
    return {
        "field": item.field.name, "value": item.value, "verdict": item.verdict, "why": item.why,
    }  # fmt: skip


def _item(item: Item) -> dict[str, Any]:
    return {
        "number": item.at, "what": item.what, "area": item.area, "where": item.where,
        "minutes": item.minutes, "needs": list(item.needs), "after": list(item.after),
        "stands_before": item.stands_before, "closed": item.closed is not None, "how": item.how,
    }  # fmt: skip


def ladder_json(found: Ladder) -> dict[str, Any]:
    """The ladder as plain data, SI."""
    return {
        "level": found.level, "at_least": found.at_least, "unexplained": found.unexplained,
        "readings": found.readings, "next": found.next.rung.name if found.next else None,
        "rungs": [_rung(found, at) for at in range(len(found.rungs))],
        "climbs": [
            {"step": row.step, "clean": row.clean, "why": row.why, "values": dict(row.values)}
            for row in found.climbs
        ],
    }  # fmt: skip


def _rung(found: Ladder, at: int) -> dict[str, Any]:
    door: Opening = found.openings[at]
    bounds: Mapping[str, float] = found.bounds[at]
    return {
        "name": door.rung.name, "words": door.rung.words, "seconds": door.rung.seconds,
        "open": door.open, "holds": round(door.holds, 4), "why": list(door.why),
        "record": list(door.rung.record),
        "abort": {key: value for key, value in bounds.items() if math.isfinite(value)},
        "cap_engine_speed": found.caps[at][0], "cap_manifold_gauge": found.caps[at][1],
        "limits": [
            {"name": row.measure.name, "holds": round(row.holds, 4), "p05": row.band.p05,
             "p50": row.band.p50, "p95": row.band.p95}
            for row in door.chances
        ],
    }  # fmt: skip
