"""The columns of a table as they are judged: name without unit, unit, range; and the channels."""

from __future__ import annotations

import re
import tomllib
import unicodedata
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

import numpy as np

from keyturn.logs.frame import Samples
from keyturn.logs.stored import Sampled
from keyturn.logs.table import Table
from keyturn.logs.units_seen import Unit, part, read_unit

CAMEL = re.compile(r"(?<=[a-z0-9])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])")
OTHER_SIGNS = re.compile(r"[^0-9a-zà-ÿ/]+")
# Name without any unit of its own that still says one.
SAID = {"kph": "km/h", "mph": "mph", "lambda": "lambda", "afr": "AFR", "rpm": "rpm"}


@dataclass(frozen=True)
class Kind:
    """A row of data/channels.toml: what a canonical channel is called and how it lies."""

    name: str
    kind: str
    units: tuple[str, ...]
    low: float
    high: float
    reason: str
    exact: tuple[str, ...]
    words: tuple[str, ...]
    weak: tuple[str, ...]
    excluded: tuple[str, ...]
    usual: tuple[float, float] | None = None
    side: str | None = None


@dataclass(frozen=True)
class Column:
    """One column of a log."""

    name: str  # as the logger calls it
    label: str  # in plain lower case, without the unit
    unit: Unit | None  # as written
    written: str  # the text of the unit, known to us or not
    filled: float  # share of rows with a value
    values: Samples  # sampled evenly; empty for a column of text

    @property
    def number(self) -> bool:
        return len(self.values) > 0

    def quantiles(self, *shares: float) -> list[float]:
        good = self.values[np.isfinite(self.values)]
        return (
            [float(v) for v in np.quantile(good, shares)] if len(good) else [np.nan] * len(shares)
        )


@cache
def kinds() -> dict[str, Kind]:
    """Every canonical channel, in the order of the file."""
    text = (files("keyturn") / "data" / "channels.toml").read_text(encoding="utf-8")
    found = {}
    for row in tomllib.loads(text)["channel"]:
        usual = row.get("usual")
        exact, words, weak, excluded = (
            tuple(_bare(word) for word in row[key]) for key in ("exact", "words", "weak", "not")
        )
        found[row["name"]] = Kind(
            row["name"], row["kind"], tuple(row["units"]), row["low"], row["high"], row["reason"],
            exact, words, weak, excluded, (usual[0], usual[1]) if usual else None, row.get("side"),
        )  # fmt: skip
    return found


def plain(name: str) -> str:
    """A name in lower case with single blanks: "Engine_Speed" and "EngineSpeed" are the same."""
    return OTHER_SIGNS.sub(" ", CAMEL.sub(" ", _bare(name)).lower().replace("_", " ")).strip()


def _bare(text: str) -> str:
    """Without accents, which loggers write or leave out."""
    apart = unicodedata.normalize("NFKD", text)
    return "".join(sign for sign in apart if not unicodedata.combining(sign))


def columns(table: Table, sampled: Sampled) -> list[Column]:
    """The columns of a table, each with its unit from the row of units or from its name."""
    found = []
    for name, written in zip(table.columns, table.units, strict=True):
        bare, inside = part(name)
        unit = read_unit(written) if written else inside
        if unit is None and not written:
            unit = next(
                (
                    read_unit(u)
                    for word, u in SAID.items()
                    if re.search(rf"\b{word}\b", plain(name))
                ),
                None,
            )
        if not written and inside is None and bare != name:
            written = name[len(bare) :].strip(" ()[]{}<>")
        values = sampled.columns.get(name, np.empty(0))
        if not sampled.filled.get(name, 0.0):
            values = np.empty(0)
        found.append(
            Column(name, plain(bare), unit, written, sampled.filled.get(name, 0.0), values)
        )
    return found


def name_score(column: Column, kind: Kind) -> tuple[float, str]:
    """How well the name fits, 0 to 0.6, with the reason in words."""
    label = re.sub(r" #?\d+$", "", column.label) if "#" in column.name else column.label
    if any(re.search(word, label) for word in kind.excluded):
        return 0.0, ""
    if label in kind.exact:
        return 0.6 - 0.002 * kind.exact.index(label), f"{column.name!r} is a usual name of it"
    if any(re.search(word, label) for word in kind.words):
        return 0.48, f"the name {column.name!r} speaks of it"
    if any(re.search(word, label) for word in kind.weak):
        return 0.25, f"the name {column.name!r} hints at it"
    return 0.0, ""
