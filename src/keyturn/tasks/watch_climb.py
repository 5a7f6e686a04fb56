"""What a watch recorded, as the record of its ladder step.

A watch with an alarm, a gap or a stale value is never a clean step; the record says which.
The nose and the eyes are not on the bus: whether anything was new has to be said by somebody.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from pathlib import Path

from keyturn.errors import CannotAnswer
from keyturn.logs.witness import Worst
from keyturn.procedure.ladder import Climb
from keyturn.tasks.ladder import climb
from keyturn.tasks.watch import Ended, is_simulated

SHOWN_REASONS = 6  # in the record; the log has them all
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
    if not ended.worst:
        return "nothing that the step records was seen"
    return ""


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

    That is whether anything was new, and from some step on whether the log was read.
    """
    why = no_evidence(ended)
    if why:
        raise CannotAnswer(why)
    typed, places = typed_of(ended), places_of(ended)
    known = next((place for place in places.values() if all(place)), ("", ""))
    rpm, manifold = places.get("rail-pressure", known)
    words = f"from the watch {ended.path.name}, {ended.seconds:.0f} s, {ended.source}"
    return climb(
        build, ended.step, {**typed, **said}, rpm, manifold,
        f"{words}; {note}" if note else words, at_least, sure, token=token,
        against=_reasons(ended), places=places,
    )  # fmt: skip


def _reasons(ended: Ended) -> tuple[str, ...]:
    shown = ended.against[:SHOWN_REASONS]
    left = len(ended.against) - len(shown)
    return (*shown, f"and {left} more in {ended.path.name}") if left else shown
