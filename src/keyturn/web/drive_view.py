"""The job as the page Drive lays it out: plain rows for the templates, worded by `report`."""

from __future__ import annotations

import re
from typing import Any

from keyturn.glossary import quantities
from keyturn.procedure.evidence import HOLD_RULE, Standing
from keyturn.procedure.ladder import Ladder, measures
from keyturn.procedure.open_items import Item, before_start, open_now
from keyturn.procedure.order import Path, Plan
from keyturn.procedure.stages import AREAS, NEEDS, Stage, hold_rules
from keyturn.report.steps_figure import steps_figure
from keyturn.report.steps_words import (
    HOLD,
    NOT_ASKED,
    WITNESS,
    abort_rows,
    always,
    answer_words,
    band_rows,
    chance,
    headline,
    limit_words,
    minutes_words,
    quantity_words,
    rung_caution,
)
from keyturn.tasks.steps import MILESTONES, Steps, waits
from keyturn.web.words import on_a_page, unit_words

# an area in a word or two, for a button under a thumb; the full words stand in its title
AREA_WORDS = {name: (name.replace("-", " "), words) for name, words in AREAS.items()}
__all__ = ["AREA_WORDS", "NEEDS", "ladder", "steps", "way"]


def way(now: Steps, to: str) -> Path:
    """What stands before a milestone or a stage."""
    return now.plan.path(MILESTONES.get(to.strip().lower(), to))


def steps(now: Steps, to: str) -> dict[str, Any]:
    """Everything but the ladder."""
    plan = now.plan
    found = way(now, to)
    current = now.next.name if now.next is not None else ""
    rows = [_stage(row, plan, current) for row in plan.standings.values()]
    return {
        "now": plan.now,
        "headline": headline(plan),
        "always": always(plan),
        "no_model": now.result is None,
        "current": current,
        "stages": rows,
        "next": next((row for row in rows if row["name"] == current), None),
        "items": [_item(item) for item in plan.history.items if item.closed is None],
        "closed": [_item(item) for item in plan.history.items if item.closed is not None],
        "seen": [item.at for item in open_now(plan.history.items)],
        "tasks": [
            {"kind": row.kind, "name": row.name, "words": row.words, "needs": " ".join(row.needs),
             "minutes": minutes_words(row.minutes), "needs_words": _needs(row.needs)}
            for row in plan.tasks(frozenset())
        ],
        "path": _path(found),
        "to": to,
        "milestones": [*MILESTONES],
        "wide": steps_figure(plan, found, 520.0, inline=True),
        "narrow": steps_figure(plan, found, 330.0, inline=True),
        "opened": plan.history.opened,
    }  # fmt: skip


def _needs(names: tuple[str, ...]) -> str:
    return ", ".join(NEEDS[name] for name in names)


def _stage(row: Standing, plan: Plan, current: str) -> dict[str, Any]:
    stage = row.stage
    judged = {item.field.name: item for item in row.rows}
    fields = []
    for item in stage.record:
        limit = plan.limits.get(item.limit) if item.limit else None
        found = judged.get(item.name)
        fields.append({
            "name": item.name, "words": item.words, "kind": item.kind, "quantity": item.quantity,
            "units": _units(item.quantity), "limit": limit_words(limit),
            "source": limit.source if limit is not None else "",
            "verdict": found.verdict if found else "",
            "said": answer_words(found.value, item.quantity) if found else "",
            "why": found.why if found else "",
        })  # fmt: skip
    hold = judged.get("hold")
    return {
        "name": stage.name, "words": stage.words, "kind": HOLD if stage.hold else WITNESS,
        "hold": stage.hold, "state": row.state,
        "why_not": "" if row.state in ("passed", "untested") else row.why, "why": stage.why,
        "cautions": stage.cautions, "tools": stage.tools, "stop": stage.stop,
        "forgotten": stage.forgotten, "minutes": minutes_words(stage.minutes),
        "needs": _needs(stage.needs), "source": stage.source, "fields": fields,
        "typed": any(item.kind not in ("timer", "ladder") for item in stage.record),
        "climbs": any(item.kind == "ladder" for item in stage.record),
        "barriers": [_barrier(x) for x in plan.barriers(stage.name)],
        "timers": _timers(plan, stage),
        "rules": _rules(row), "held": hold and {"verdict": hold.verdict, "why": hold.why},
        "can_override": stage.hold and stage.override and not stage.load and row.state != "passed",
        "override": row.override.reason if row.override is not None else "",
        "current": stage.name == current,
    }  # fmt: skip


def _barrier(row: Any) -> dict[str, str]:
    link = {"stage": f"#s-{row.name}", "item": "#items-title", "sweep": "#items-title"}[row.kind]
    return {"words": row.words, "why": row.why, "link": link,
            "minutes": minutes_words(row.minutes), "needs": _needs(row.needs)}  # fmt: skip


def _rules(row: Standing) -> list[dict[str, Any]]:
    """Rules of the hold to choose from; what was chosen at the last record stays chosen."""
    if not row.stage.hold_rule:
        return []
    rules = hold_rules()
    said = row.record.values.get(HOLD_RULE) if row.record is not None else None
    chosen = said if said in rules else next(iter(rules))
    return [{"name": rule.name, "words": rule.words, "seconds": rule.seconds,
             "source": rule.source, "chosen": rule.name == chosen}
            for rule in rules.values()]  # fmt: skip


def _timers(plan: Plan, stage: Stage) -> list[dict[str, Any]]:
    """Every wait of a stage, with when it began and, where the next one ended it, how long."""
    known = {timer.name: (timer, end) for timer, end in waits(plan, stage)}
    rows = []
    for name, minutes in (stage.timers or {}).items():
        row: dict[str, Any] = {
            "name": name,
            "seconds": 60.0 * minutes,
            "started": None,
            "ended": None,
            "elapsed": 0.0,
            "hold": bool(stage.hold_rule and stage.hold_rule["timer"] == name),
        }
        if name in known:
            timer, end = known[name]
            elapsed = max(0.0, (plan.now if end is None else end) - timer.started)
            row |= {"started": timer.started, "ended": end, "elapsed": elapsed}
        rows.append(row)
    return rows


def _units(quantity: str) -> list[tuple[str, str]]:
    if not quantity:
        return []
    return [("" if word == "-" else word, unit_words(word))
            for word in quantities()[quantity].display]  # fmt: skip


def _measure_units(quantity: str) -> list[tuple[str, str]]:
    """The same of what is recorded at a step: its plain ratio is in degrees of crank angle."""
    return [("deg", "°")] if quantity == "ratio" else _units(quantity)


def _item(item: Item) -> dict[str, Any]:
    return {
        "number": item.at, "what": item.what, "area": AREAS[item.area], "where": item.where,
        "how": item.how, "bars": before_start(item), "stands_before": item.stands_before,
        "needs": _needs(item.needs), "minutes": minutes_words(item.minutes),
        "after": list(item.after),
    }  # fmt: skip


def _path(found: Path) -> dict[str, Any]:
    return {
        "words": found.words, "all": minutes_words(found.all_minutes),
        "longest": minutes_words(found.longest_minutes),
        "chain": [row.words for row in found.longest],
        "barriers": [_barrier(row) for row in found.barriers],
    }  # fmt: skip


# --- the ladder -----------------------------------------------------------------------------------
def ladder(found: Ladder) -> dict[str, Any]:
    """Every step, the one that comes next in full."""
    nxt = found.next
    if nxt is None:
        first = "Every step of the ladder is recorded clean."
    else:
        first = f"{nxt.rung.name}: {nxt.rung.words}: " + ("open." if nxt.open else "not open.")
    return {
        "headline": first, "not_asked": NOT_ASKED, "at_least": found.at_least,
        "readings": found.readings, "overridden": found.overridden,
        "rungs": [_rung(found, at) for at in range(len(found.rungs))],
        "climbs": [
            {"step": row.step, "clean": row.clean, "why": row.why, "note": row.note}
            for row in found.climbs
        ],
    }  # fmt: skip


def _rung(found: Ladder, at: int) -> dict[str, Any]:
    door, (speed, boost) = found.openings[at], found.caps[at]
    rung = door.rung
    state = "clean" if at < found.level else "open" if door.open else "not open"
    return {
        "name": rung.name, "words": rung.words, "state": state, "next": at == found.level,
        "holds": chance(door.holds), "why": [on_a_page(words) for words in door.why],
        "caution": rung_caution(rung), "rolling": rung.mode not in ("key-on", "idle", "held"),
        "seconds": minutes_words(rung.seconds / 60) if rung.seconds >= 60
        else f"{rung.seconds:.0f} s",
        "speed": f"{speed * 60:.0f} rev/min", "boost": quantity_words(boost, "pressure_gauge"),
        "bands": band_rows(found, at), "aborts": abort_rows(found, at), "source": rung.source,
        "at": f"{quantity_words(_at(found, at), 'pressure')} abs" if _at(found, at) else "",
        "fields": [
            {"name": name, "words": re.sub(r"\s+", " ", measures()[name].words),
             "quantity": measures()[name].quantity,
             "units": _measure_units(measures()[name].quantity)}
            for name in rung.record
        ],
    }  # fmt: skip


def _at(found: Ladder, at: int) -> float:
    """Manifold pressure at which the abort numbers are stated; 0 where it does not matter."""
    return found.bounds[at].get("at-manifold", 0.0)
