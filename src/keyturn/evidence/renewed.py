"""Readings of a car in which a part was renewed, or lent a good one for the length of a test.

What was renewed is as good as a part as described, and independent of the old one. So it gets an
unknown of its own with the healthy spread, which stands in for the old one wherever a reading says
so. Old and new readings are then judged together: a repair that helped names its cause, and one
that did not clears it.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from functools import cache

from keyturn.build.schema import read_data
from keyturn.errors import Place, ValueRefused
from keyturn.evidence.reading import Conditions, Reading
from keyturn.evidence.unknowns import Unknown
from keyturn.system.circuit import FloatArray

SUFFIX = " renewed"
SEPARATOR = ","
Values = dict[str, FloatArray]


@cache
def repairable() -> dict[str, tuple[str, ...]]:
    """Unknowns that the repair of each single cause makes good, by name of the cause."""
    return {
        str(row["name"]): tuple(row["at_fault"])
        for row in read_data("causes.toml")["cause"]
        if row["at_fault"] and not row.get("least")
    }


def split(names: str | None) -> tuple[str, ...]:
    """Names of causes in the words of a reading."""
    return tuple(name.strip() for name in (names or "").split(SEPARATOR) if name.strip())


def join(names: Iterable[str]) -> str | None:
    """The same back, in one order; None for nothing."""
    return (SEPARATOR + " ").join(sorted(set(names))) or None


def so_far(readings: tuple[Reading, ...]) -> tuple[str, ...]:
    """Causes whose parts are renewed in the car as it stands; a later reading knows all of them."""
    return tuple(sorted({name for item in readings for name in split(item.conditions.renewed)}))


def mended(causes: Iterable[str]) -> tuple[str, ...]:
    """Unknowns that these repairs make good."""
    for name in causes:
        if name not in repairable():
            raise ValueRefused(
                "no such repair",
                place=Place(key="renewed"),
                typed=name,
                accepted=", ".join(repairable()),
            )
    return tuple(sorted({name for cause in causes for name in repairable()[cause]}))


def fresh(said: Conditions) -> tuple[str, ...]:
    """Unknowns that are as good as described while this is read."""
    return mended({*split(said.renewed), *split(said.lent)})


def widened(rows: tuple[Unknown, ...], readings: tuple[Reading, ...]) -> tuple[Unknown, ...]:
    """The unknowns with one more for every thing that some reading found renewed."""
    wanted = {name for item in readings for name in fresh(item.conditions)}
    more = [
        replace(row, name=row.name + SUFFIX, fault=None)
        for row in rows
        if row.name in wanted and row.name + SUFFIX not in {other.name for other in rows}
    ]
    return (*rows, *more)


def current(values: Values, names: tuple[str, ...]) -> Values:
    """The values as they are once the unknowns ``names`` are renewed."""
    return values | {name: values[name + SUFFIX] for name in names}
