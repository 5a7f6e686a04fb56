"""What is written down at a stage: its waits, what was found, what was overridden."""

from __future__ import annotations

import re
import time
from collections.abc import Iterable, Mapping
from pathlib import Path

from keyturn import units
from keyturn.build.model import Build
from keyturn.build.read import load
from keyturn.errors import Place, ValueRefused
from keyturn.evidence.reading import Reading, to_row
from keyturn.glossary import quantity
from keyturn.journal.readings import OF_THE_ENTRY
from keyturn.journal.readings import TOPIC as READING
from keyturn.journal.slip import expected, suspect
from keyturn.journal.store import Journal, opened
from keyturn.journal.typed import YES_NO, Typed, one_line, possible, to_reading
from keyturn.procedure.as_built import as_built, driven_anew_since
from keyturn.procedure.evidence import (
    HOLD_RULE,
    HOLD_SECONDS,
    PASSES,
    Answer,
    History,
    Record,
    Standing,
    Timer,
    judged,
)
from keyturn.procedure.fit import fitted, has, worked_on
from keyturn.procedure.ladder import climbed, rungs
from keyturn.procedure.open_items import this_session
from keyturn.procedure.order import Plan
from keyturn.procedure.stages import Field, Stage, hold_rules
from keyturn.system.result import CheckResult
from keyturn.tasks.read import folder_of
from keyturn.tasks.steps import expected_of, plan_for, waits
from keyturn.tasks.steps_book import OVERRIDE, STEP, history, marked, sent

CAUGHT = 30.0  # [s] a flow that was timed is a volume in this time
LEAST_REASON = 10  # letters: "ok" is no reason


def start_timer(
    build: str | Path,
    stage: str,
    name: str,
    result: CheckResult | None = None,
    token: str | None = None,
) -> Timer:
    """Begin a wait; the time of its beginning is in the journal, so it runs on by itself."""
    model = load(build)
    found = result or expected_of(model)
    with opened(folder_of(build), write=True) as book, book.writing():
        plan = plan_for(model, found, history(book))
        row = plan.stage(stage)
        timers = row.timers or {}
        if name not in timers:
            raise ValueRefused(
                f"{stage} has no such timer", Place(key="timer"), name,
                ", ".join(timers) or "none",
            )  # fmt: skip
        entry = sent(book, token)
        if entry is None:
            _not_barred(plan, row)
            body = {"stage": row.name, "name": name, "minutes": timers[name]}
            entry = book.add(STEP, "timer", marked(body, token))
        return next(one for one in history(book).timers if one.at == entry.id)


def record(
    build: str | Path,
    stage: str,
    typed: Mapping[str, str],
    note: str = "",
    *,
    sure: bool = False,
    token: str | None = None,
    result: CheckResult | None = None,
    age: float = 0.0,
) -> Standing:
    """Write down what was found at a stage, and how it stands then.

    What was begun in this session and did not fail is gone on with. A number that looks like a slip
    of unit is refused unless ``sure``. The same ``token`` is not stored twice. ``age`` are the
    seconds since it was typed: a wait ends there, not when the record comes in.
    """
    model = load(build)
    found = result or expected_of(model)
    words = one_line(note, "note", Place())
    with opened(folder_of(build), write=True) as book, book.writing():
        plan = plan_for(model, found, history(book), time.time() - max(0.0, age))
        row = plan.stage(stage)
        if sent(book, token) is not None:
            return plan.standings[row.name]
        _not_barred(plan, row)
        fresh = {name: _answer(row, name, text, model) for name, text in typed.items()}
        told = _readings(row, typed, model, found, sure)
        begun = _begun(plan, row)
        values = {**(begun.values if begun else {}), **fresh, **_timed(plan, row)}
        if any(item.kind == "ladder" for item in row.record):
            values["ladder"] = _climbed(book, model)
        tells = [*(begun.tells if begun else ()), *stored(book, told)]
        body = {
            "stage": row.name, "values": values, "typed": dict(typed), "note": words,
            "car": as_built(model), "tells": tells,
        }  # fmt: skip
        book.add(STEP, "record", marked(body, token))
        return plan_for(model, found, history(book)).standings[row.name]


def override(build: str | Path, stage: str, reason: str, token: str | None = None) -> str:
    """Pass a hold point on a typed reason, which is shown everywhere from then on."""
    words = one_line(reason, "reason", Place())
    if len(words) < LEAST_REASON:
        raise ValueRefused(
            "an override needs a reason that somebody can judge later", Place(key="reason"),
            reason, f"a sentence of {LEAST_REASON} letters or more",
        )  # fmt: skip
    model = load(build)
    with opened(folder_of(build), write=True) as book, book.writing():
        rows = fitted(has(model), worked_on(history(book)))
        plan = Plan(rows, History(), {}, 0.0)
        row = plan.stage(stage)
        if not row.override or row.load:
            raise ValueRefused(
                f"no reason replaces this one: {row.words.lower()}", Place(key="override"), stage,
                advice=f"record it: keyturn steps BUILD record {stage}",
            )  # fmt: skip
        if not row.hold:
            raise ValueRefused("this is no hold point; it bars nothing", typed=stage)
        if sent(book, token) is None:
            book.add(OVERRIDE, "new", marked({"stage": row.name, "reason": words}, token))
    return f"{row.name} is overridden, not tested: {words}"


def take_back(build: str | Path, stage: str) -> None:
    """Withdraw the overrides of a stage; they stay in the journal."""
    load(build)  # no journal is made beside no build
    with opened(folder_of(build), write=True) as book, book.writing():
        own = [x for x in history(book).overrides if x.stage == stage and not x.withdrawn]
        if not own:
            raise ValueRefused("no override stands there", Place(key="override"), stage)
        for row in own:
            book.add(OVERRIDE, "withdraws", {}, row.at)


def _not_barred(plan: Plan, row: Stage) -> None:
    found = plan.barriers(row.name)
    if found:
        raise ValueRefused(
            f"{row.words} cannot be begun: " + "; ".join(
                f"{item.words}: {item.why}" for item in found
            ), Place(key=row.name), accepted="every hold point before it passed, nothing open",
            advice=f'see what is in the way: keyturn steps BUILD path "{row.name}"',
        )  # fmt: skip


def _answer(row: Stage, name: str, text: str, model: Build) -> Answer:
    """One typed field in SI."""
    if name == HOLD_RULE and row.hold_rule:
        if text not in hold_rules():
            raise ValueRefused("no such rule", Place(key=name), text, ", ".join(hold_rules()))
        return text
    item = row.field(name)
    place = Place(key=name)
    if item.kind in ("timer", "ladder"):
        raise ValueRefused(
            f"the {item.kind} says this by itself", place, text, advice="leave it out"
        )
    if item.kind == "yes-no":
        if text.strip().lower() not in YES_NO:
            raise ValueRefused("yes or no is wanted", place, text, "yes, no")
        return YES_NO[text.strip().lower()] == 1.0
    if item.kind == "text":
        return one_line(text, name, place)
    return _number(item, text, model, place)


def _number(item: Field, text: str, model: Build, place: Place) -> float:
    bare = "s" if item.quantity == "time" else "V" if item.quantity == "voltage" else ""
    text = f"{text} {bare}" if bare and re.fullmatch(r"[\s\d.,+-]+", text) else text
    try:
        value = units.parse(text, item.quantity, model.site.barometer.si)
    except units.UnitRefused as fault:
        raise ValueRefused(str(fault), place, text, units.accepted(item.quantity)) from None
    row = quantity(item.quantity)
    if value != 0.0 and not row.low <= value <= row.high:
        raise ValueRefused(
            f"not a possible {row.meaning}", place, text,
            f"{units.show(row.low, item.quantity, digits=3)} to "
            f"{units.show(row.high, item.quantity, digits=3)}",
        )  # fmt: skip
    return value


def _readings(
    row: Stage,
    typed: Mapping[str, str],
    model: Build,
    result: CheckResult | None,
    sure: bool,
) -> list[Reading]:
    """The fields that are readings of the car too: everything else learns from them."""
    found = []
    for item in row.record:
        said = item.reading
        if said is None or item.name not in typed:
            continue
        words = _in_words(row, item, said, typed, model)
        reading = to_reading(words, model, Place(key=item.name))
        if not sure:
            try:
                refuse_slip(reading, result, model, item.name)
            except ValueRefused as fault:
                if said["kind"] != "timed-volume":
                    raise
                raise ValueRefused(
                    "that is far from what this pump passes: was the point, the unit or the time "
                    "another?", fault.place, typed[item.name], advice=fault.advice,
                ) from None  # fmt: skip
        possible(reading)
        found.append(reading)
    return found


def refuse_slip(reading: Reading, result: CheckResult | None, model: Build, name: str) -> None:
    """Refuse a number that looks like a slip of unit or zero against what the model expects."""
    if result is None:
        return
    doubt = suspect(
        reading, expected(reading, result), model.site.barometer.si, model.fuel.stoichiometric.si
    )
    if doubt is not None:
        raise ValueRefused(
            doubt.words, Place(key=name), reading.typed, doubt.meant,
            "type what was meant; or the same again with --sure when it is right",
        )  # fmt: skip


def _in_words(
    row: Stage, item: Field, said: Mapping[str, str], typed: Mapping[str, str], model: Build
) -> Typed:
    """A field as the reading that it is."""
    note = f"{row.name}: {item.words}"
    if said["kind"] == "timed-volume":
        at = said["pressure"]
        if at not in typed:
            raise ValueRefused(
                "a flow says nothing without its pressure", Place(key=at), accepted="43.5 psi"
            )
        flow = _number(item, typed[item.name], model, Place(key=item.name))
        caught = f"{flow * CAUGHT * 1e3:.6g} L"
        return Typed(said["kind"], caught, said["state"], pressure=typed[at],
                     seconds=f"{CAUGHT:g}", note=note)  # fmt: skip
    hose = "on" if model.regulator.reference == "manifold" and said["state"] == "idle" else None
    return Typed(said["kind"], typed[item.name], said["state"], rpm=said.get("rpm"),
                 reference=hose, note=note)  # fmt: skip


def stored(book: Journal, told: Iterable[Reading]) -> list[int]:
    """Store the readings of a record before it, so that it can name them; their numbers."""
    return [
        book.add(READING, "new", {k: v for k, v in to_row(x).items() if k not in OF_THE_ENTRY}).id
        for x in told
    ]


def _begun(plan: Plan, row: Stage) -> Record | None:
    """What was recorded in this session and interrupted; nothing of a record that failed."""
    now = plan.standings[row.name]
    last = now.record
    if last is None or now.state != "failed" or not this_session(last.recorded, plan.now):
        return None
    rows = judged(row, last.values, plan.limits)
    if any(item.value is not None and item.verdict != PASSES for item in rows):
        return None
    opened_since = any(x.area in row.areas and x.at > last.at for x in plan.history.items)
    return None if opened_since or last.retracted else last


def _timed(plan: Plan, row: Stage) -> dict[str, Answer]:
    """Seconds of each wait of this session."""
    return {
        _key(row, timer.name): max(0.0, (plan.now if end is None else end) - timer.started)
        for timer, end in waits(plan, row)
    }


def _key(row: Stage, timer: str) -> str:
    if row.hold_rule and row.hold_rule["timer"] == timer:
        return HOLD_SECONDS
    return next(item.name for item in row.record if item.timer == timer)


def _climbed(book: Journal, model: Build) -> bool:
    """Whether every step of the ladder was driven clean since the last one that was not."""
    from keyturn.tasks.steps_book import climbs

    rows, driven = rungs(has(model)), climbs(book)
    return climbed(rows, driven, driven_anew_since(model, history(book).items, driven)) == len(rows)
