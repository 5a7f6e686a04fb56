"""What a watch recorded, as the record of its ladder step.

A watch with an alarm, a gap or a stale value is never a clean step; the record says which.
The nose and the eyes are not on the bus: whether anything was new has to be said by somebody.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from pathlib import Path

from keyturn.build.read import load
from keyturn.errors import CannotAnswer, Place, ValueRefused
from keyturn.journal.store import opened
from keyturn.journal.typed import YES_NO
from keyturn.logs.witness import Worst
from keyturn.procedure.ladder import RESTS_ON, Climb, measures
from keyturn.tasks.ladder import climb
from keyturn.tasks.read import folder_of
from keyturn.tasks.steps_book import climbs, history
from keyturn.tasks.watch import is_simulated
from keyturn.tasks.watch_kept import Ended, standing

SHOWN_REASONS = 6  # in the record; the log has them all
AT_PUMP, PUMP = "voltage-at-pump", "pump-voltage"
VIRTUAL = re.compile(r"(can|obd):virtual:")  # a bus within one program
# how a measure is typed: SI to the number, and the unit behind it
TYPED: Mapping[str, tuple[Callable[[float], float], str]] = {
    "rail-pressure": (lambda si: si / 1e3, "kPa"),
    "pump-voltage": (lambda si: si, "V"),
    "lambda": (lambda si: si, ""),
    "duty": (lambda si: si * 100.0, "%"),
    "inlet": (lambda si: si - 273.15, "degC"),
    "coolant": (lambda si: si - 273.15, "degC"),
    "knock": (math.degrees, ""),
}


def typed_of(ended: Ended) -> dict[str, str]:
    """The worst of each measure as somebody would type it."""
    found = {}
    for name, worst in ended.worst.items():
        number, unit = TYPED[name]
        found[name] = f"{number(worst.value):.7g} {unit}".strip()
    return found


def places_of(ended: Ended) -> dict[str, tuple[str, str]]:
    """Engine speed and manifold pressure where the worst of each measure was read."""
    return {name: _place(worst) for name, worst in ended.worst.items()}


def _place(worst: Worst) -> tuple[str, str]:
    speed, manifold = worst.engine_speed, worst.manifold_pressure
    return (
        "" if speed is None else f"{speed * 60.0:.6g} rpm",
        "" if manifold is None else f"{manifold / 1e3:.7g} kPa absolute",
    )


def no_evidence(ended: Ended) -> str:
    """Why nothing of this watch may be held to be the car; empty when it may."""
    if is_simulated(ended.source):
        return "the simulated car is no evidence: it says nothing of the car itself"
    if VIRTUAL.match(ended.source):
        return "a virtual bus is no evidence: no car is on it"
    if not ended.worst:
        return "nothing that the step records was seen"
    if not ended.open:
        return "the step was not open when it was watched"
    return ""


def asked(ended: Ended) -> tuple[str, ...]:
    """What no signal says and somebody has to: yes or no.

    Among it whether the voltage was taken at the pump: elsewhere it tells nothing of the wiring.
    Diagnostics give that of the control unit, and there is nothing to ask.
    """
    found = [name for name in ended.record if not measures()[name].quantity]
    at_pump = PUMP in ended.worst and not ended.source.startswith("obd:")
    return (*found, AT_PUMP) if at_pump else tuple(found)


def climb_of(
    build: str | Path,
    ended: Ended,
    said: Mapping[str, str],
    note: str = "",
    sure: bool = False,
    token: str | None = None,
    at_least: float | None = None,
) -> Climb:
    """Record the step that was watched; ``said`` are the answers that no signal gives.

    That is whether anything was new, and from some step on whether the log was read. A watch is
    recorded once; another answer after that can make it worse, never better.
    """
    why = no_evidence(ended)
    if why:
        raise CannotAnswer(why)
    typed, places = typed_of(ended), places_of(ended)
    answers = _answers(ended, typed, said)
    changed = since(build, ended)
    before = recorded(build, ended)
    if before is not None:
        if {**before.values, **_yes_no(answers)} == before.values:
            return before
        if not before.clean:
            raise ValueRefused(
                f"this watch is recorded already, and not clean: {before.why}", Place(key="climb"),
                advice="drive the step again under a new watch",
            )  # fmt: skip
    known_at = next((place for place in places.values() if all(place)), ("", ""))
    rpm, manifold = places.get("rail-pressure", known_at)
    words = f"{_of(ended)} {ended.seconds:.0f} s, {ended.source}"
    return climb(
        build, ended.step, {**typed, **answers}, rpm, manifold,
        f"{words}; {note}" if note else words, at_least, sure, token=token,
        against=(*changed, *_reasons(ended)), places=places,
    )  # fmt: skip


def _answers(ended: Ended, typed: dict[str, str], said: Mapping[str, str]) -> dict[str, str]:
    """What was said, for the ladder; a voltage of elsewhere is taken out of ``typed``."""
    answers = dict(said)
    at_pump = answers.pop(AT_PUMP, None)
    if YES_NO.get((at_pump or "no").strip().lower()) != 1.0:
        typed.pop(PUMP, None)
    elif AT_PUMP not in asked(ended):
        raise ValueRefused(
            "this watch saw no voltage at the pump", Place(key=AT_PUMP), at_pump, "no",
            "read it there with a meter and type it",
        )  # fmt: skip
    open_ones = {*asked(ended), *((PUMP,) if PUMP in ended.record else ())} - {AT_PUMP, *typed}
    if other := set(answers).difference(open_ones):
        raise ValueRefused(
            "only what no signal says is asked", Place(key="climb"), ", ".join(sorted(other)),
            ", ".join(sorted(open_ones)),
        )  # fmt: skip
    # what is not clean anyway is kept as it is; a clean one must not fail for want of a word
    if PUMP in open_ones and PUMP not in answers and at_pump is None and not ended.against:
        raise ValueRefused(
            "was the voltage taken at the pump? Elsewhere it tells nothing of the wiring",
            Place(key=PUMP), accepted="yes or no, or what a meter read there: 13.4 V",
        )  # fmt: skip
    return answers


def recorded(build: str | Path, ended: Ended) -> Climb | None:
    """The step as it was recorded by this watch last, if it was."""
    with opened(folder_of(build)) as book:
        found = [row for row in climbs(book) if row.note.startswith(_of(ended))]
    return found[-1] if found else None


def since(build: str | Path, ended: Ended) -> tuple[str, ...]:
    """What was changed since the watch began, so that it says nothing of the car as it is now."""
    folder = folder_of(build)
    now, then = standing(folder, load(build).name), ended.car
    if now.name != then.name:
        raise CannotAnswer(f"{ended.path.name} is of another car: {then.name}")
    if now.entry < then.entry:
        raise CannotAnswer(
            f"{ended.path.name} belongs to another journal than the one that is here"
        )
    with opened(folder) as book:
        items = history(book).items
    opened_ones = [x.what for x in items if x.area in RESTS_ON and x.at > then.entry]
    return (
        *(
            ["the build was changed after this watch began"]
            if now.revision != then.revision
            else []
        ),
        *(f"opened after this watch began: {what}" for what in opened_ones),
    )


def _of(ended: Ended) -> str:
    return f"from the watch {ended.path.name},"


def _yes_no(said: Mapping[str, str]) -> dict[str, float]:
    return {name: YES_NO.get(said[name].strip().lower(), math.nan) for name in said if name != PUMP}


def _reasons(ended: Ended) -> tuple[str, ...]:
    shown = ended.against[:SHOWN_REASONS]
    left = len(ended.against) - len(shown)
    return (*shown, f"and {left} more in {ended.path.name}") if left else shown
