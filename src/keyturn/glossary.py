"""The glossary: one row per quantity, read once, looked up by name."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files


@dataclass(frozen=True)
class Quantity:
    """One row of data/glossary.toml; ``low`` and ``high`` are sane limits in ``unit``."""

    name: str
    symbol: str
    unit: str
    display: tuple[str, ...]
    meaning: str
    low: float
    high: float
    topic: str


@cache
def quantities() -> dict[str, Quantity]:
    """Every quantity by name, in the order of the file."""
    text = (files("keyturn") / "data" / "glossary.toml").read_text(encoding="utf-8")
    rows = tomllib.loads(text)["quantity"]
    found: dict[str, Quantity] = {}
    for row in rows:
        found.setdefault(row["name"], Quantity(**{**row, "display": tuple(row["display"])}))
    return found


def quantity(name: str) -> Quantity:
    """The row of one quantity; a name that is not there is a fault of the caller."""
    try:
        return quantities()[name]
    except KeyError:
        raise KeyError(f"no quantity {name!r} in glossary.toml") from None


def unit_of(name: str) -> str:
    """SI unit of a quantity."""
    return quantity(name).unit


def display_unit(name: str) -> str:
    """The unit that is shown first."""
    row = quantity(name)
    return row.display[0] if row.display else row.unit
