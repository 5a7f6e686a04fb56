"""Which purchases go together: sets of options in rising price, and the frontier of what they buy.

Two options that change the same key, or one of them a whole table that the other changes a key
of, are alternatives: no set holds both.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Mapping, Sequence

from keyturn.build.model import Option
from keyturn.errors import Place, ValueRefused

MOST_SETS = 10_000
MOST_OPTIONS = 64
CORRECT = "correct the calibration"  # the free option that every car without correction has
CORRECT_KEY = "control.calibrated_for"
CORRECT_HOURS = 1.0  # one logged pull, one number changed; common practice, no source

Members = tuple[int, ...]


def offered(options: Sequence[Option], *, correctable: bool) -> tuple[Option, ...]:
    """The options of the build, and the free one where the control unit does not correct itself."""
    if not options:
        raise ValueRefused(
            "there is nothing to choose from: the build has no [[option]]",
            place=Place(key="option"),
            accepted="one or more [[option]] with name, price, time and changes",
            advice='add one, such as: changes = {"pump.flow" = "340 L/h"}',
        )
    if len(options) > MOST_OPTIONS:
        raise ValueRefused(
            "too many options for one choice",
            place=Place(key="option"),
            typed=f"{len(options)} options",
            accepted=f"at most {MOST_OPTIONS}",
        )
    for number, option in enumerate(options, start=1):
        for name, value in (("price", option.price), ("time", option.hours)):
            if not (math.isfinite(value) and value >= 0.0):
                raise ValueRefused(
                    "cannot be below zero",
                    place=Place(key=f"option.{number}.{name}"),
                    typed=str(value),
                    accepted="a number, 0 or more",
                )
    if not correctable:
        return tuple(options)
    free = Option(name=CORRECT, price=0.0, hours=CORRECT_HOURS, changes={CORRECT_KEY: None})
    return (*options, free)


def clash(first: Mapping[str, object], second: Mapping[str, object]) -> bool:
    """Whether two options change the same thing."""
    return any(
        one == other or one.startswith(f"{other}.") or other.startswith(f"{one}.")
        for one in first
        for other in second
    )


def sensible(options: Sequence[Option], most: int = MOST_SETS) -> tuple[list[Members], bool]:
    """Sets without clash, cheapest first, then quickest; True when there are more than ``most``."""
    apart = [[clash(one.changes, other.changes) for other in options] for one in options]
    waiting: list[tuple[float, float, Members]] = [(0.0, 0.0, ())]
    found: list[Members] = []
    while waiting and len(found) < most:
        price, hours, members = heapq.heappop(waiting)
        found.append(members)
        for more in range(members[-1] + 1 if members else 0, len(options)):
            if not any(apart[more][member] for member in members):
                item = options[more]
                entry = (price + item.price, hours + item.hours, (*members, more))
                heapq.heappush(waiting, entry)
    return found, bool(waiting)


def frontier(price: Sequence[float], hours: Sequence[float], p: Sequence[float]) -> list[int]:
    """Sets of which no cheaper one, nor one as dear and quicker, is as likely to hold."""
    best = -1.0
    found = []
    for number in sorted(range(len(p)), key=lambda n: (price[n], -p[n], hours[n])):
        if p[number] > best:
            best = p[number]
            found.append(number)
    return found
