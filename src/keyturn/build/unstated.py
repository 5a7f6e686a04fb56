"""Which keys would be worth knowing better, and how to measure them."""

from __future__ import annotations

import fnmatch
from dataclasses import dataclass
from functools import cache

from keyturn.build.model import Build, Curve, Value
from keyturn.build.schema import read_data

POOR = ("hearsay", "assumed")
NARROW = 0.05  # relative spread below which a poorly known value moves no answer


@dataclass(frozen=True)
class Measurement:
    """How one key is measured at home."""

    keys: str
    how: str
    tools: str
    caution: str
    matters: bool


@cache
def measurements() -> tuple[Measurement, ...]:
    """Rows of measurements.toml, first match counts."""
    return tuple(Measurement(**row) for row in read_data("measurements.toml")["measurement"])


def how_to_measure(key: str) -> str | None:
    """One sentence: how to measure that key, with what, and what to mind."""
    row = _row(key)
    if row is None:
        return None
    caution = f" {row.caution}" if row.caution else ""
    return f"{row.how} ({row.tools}).{caution}"


def _row(key: str) -> Measurement | None:
    return next((row for row in measurements() if fnmatch.fnmatchcase(key, row.keys)), None)


def worth_knowing(build: Build) -> tuple[str, ...]:
    """A sentence for every unstated or hearsay key that can move the answer.

    In the order of measurements.toml, which begins with what most often decides.
    """
    found: list[tuple[int, str]] = []
    seen: set[str] = set()
    for item in build.known():
        row = _row(item.key)
        wide = _relative(item)
        if item.grade not in POOR or row is None or not row.matters or wide < NARROW:
            continue
        if row.keys in seen:
            continue
        seen.add(row.keys)
        number = "" if item.typed.startswith("[") else f" ({item.typed})"
        said = "is assumed" if item.grade == "assumed" else "is known by hearsay only"
        sentence = f"{item.key} {said}{number}: {how_to_measure(item.key)}"
        found.append((measurements().index(row), sentence))
    return tuple(sentence for _, sentence in sorted(found, key=lambda pair: pair[0]))


def _relative(item: Value | Curve) -> float:
    if isinstance(item, Curve) or item.law == "scale" or item.si == 0.0:
        return item.spread
    return item.spread / abs(item.si)
