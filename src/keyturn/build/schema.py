"""The keys of build.toml, the grades and the stated defaults: data files, read once."""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any, cast

from keyturn.build.model import Grade, Law

MANY = ("feed", "return", "option", "belt")  # tables that are written [[...]]
MAKING = ("gasket", "hose")  # parts to make: kept in the file, read by other tasks
NOTES = ("grade", "source", "note")  # allowed in every table
LONG_FORM = ("value", "spread", "grade", "source", "confirmed", "note")


@dataclass(frozen=True)
class Field:
    """One key of one section."""

    name: str
    about: str
    example: str = ""
    kind: str = "value"
    quantity: str = ""
    x: str = ""
    flow: str = ""
    law: Law = "scale"
    close: bool = False
    largest: bool = False  # of a curve, only the largest y is held against ``usual``
    usual: tuple[str | float, str | float] | None = None
    low: float = 0.0
    high: float = 0.0
    choices: tuple[str, ...] = ()
    needed: bool = False


def read_data(name: str) -> dict[str, Any]:
    """One data file of the package."""
    return tomllib.loads((files("keyturn") / "data" / name).read_text(encoding="utf-8"))


@cache
def sections() -> Mapping[str, Mapping[str, Field]]:
    """Section -> key -> field."""
    raw = read_data("schema.toml")
    found: dict[str, dict[str, Field]] = {}
    for section, keys in raw.items():
        if "same_as" in keys:
            found[section] = found[keys["same_as"]]
            continue
        found[section] = {}
        for name, row in keys.items():
            for listed in ("usual", "choices"):
                if listed in row:
                    row[listed] = tuple(row[listed])
            found[section][name] = Field(name=name, **row)
    return found


@cache
def assumed() -> Mapping[str, Mapping[str, Any]]:
    """What is taken when a key is left out: value, spread, reason and perhaps source."""
    return read_data("assumed.toml")


@cache
def grades() -> tuple[Grade, ...]:
    """Grades, best known first."""
    return cast("tuple[Grade, ...]", tuple(read_data("grades.toml")["order"]))


@cache
def _spreads() -> Mapping[str, Any]:
    return read_data("grades.toml")


def default_spread(field: Field, grade: Grade, si: float) -> float:
    """Spread of a value that was typed without one, in the sense of the field's law."""
    table = _spreads()
    if field.law == "set" and field.quantity in table["absolute"]:
        return float(table["absolute"][field.quantity][grade])
    share = float(table["close" if field.close else "relative"][grade])
    return share * abs(si) if field.law == "set" else share


def nearest(word: str, known: Iterable[str]) -> str | None:
    """The known word that a slip of the finger most likely meant."""
    found = difflib.get_close_matches(word.lower(), list(known), n=1, cutoff=0.6)
    return found[0] if found else None
