"""The stages of the whole job, as data/stages.toml says them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

from keyturn.build.schema import nearest, read_data
from keyturn.errors import Place, ValueRefused

# What the place, the car and the company must offer for a piece of work.
NEEDS: Mapping[str, str] = {
    "level-floor": "hard, level floor",
    "stands": "car on rated stands",
    "outdoors": "outdoors",
    "second-person": "a second person",
    "engine-cold": "engine cold",
}
# Where something can be open, loose or left off.
AREAS: Mapping[str, str] = {
    "fuel": "fuel side: a joint that was opened, loosened or left off",
    "fuel-parts": "fuel side: pump, filter, regulator, injector or line changed for another",
    "fuel-wiring": "feed, ground and relay of the fuel pump",
    "oil": "oil",
    "coolant": "coolant of the engine",
    "charge-coolant": "coolant of the charge",
    "boost": "intake and charge air, gaskets of the plenum",
    "belt": "belt drive",
    "exhaust": "exhaust",
    "brakes": "brakes",
    "wheels": "wheels",
    "steering": "steering",
    "other": "anything else",
}
# An open item here stands before every start, whatever its entry says.
VITAL = ("fuel", "fuel-parts", "oil", "coolant", "brakes", "steering")


@dataclass(frozen=True)
class Field:
    """One thing that is recorded at a stage."""

    name: str
    words: str
    kind: str  # "yes-no", "number", "text", "timer" or "ladder"
    quantity: str = ""  # glossary name of a number
    limit: str = ""  # name of the limit that it is held against
    timer: str = ""
    only: tuple[str, ...] = ()
    reading: Mapping[str, str] | None = None  # kind and state: it is a reading of the car too


@dataclass(frozen=True)
class HoldRule:
    """How long fuel pressure has to stand, and whose rule that is."""

    name: str
    words: str
    fall: float  # [Pa]
    seconds: float
    source: str


@dataclass(frozen=True)
class Stage:
    """One stage; see the head of data/stages.toml."""

    name: str
    words: str
    hold: bool
    why: str
    tools: tuple[str, ...]
    cautions: tuple[str, ...]
    stop: str
    forgotten: str
    minutes: float
    needs: tuple[str, ...]
    after: tuple[str, ...]
    areas: tuple[str, ...]
    only: tuple[str, ...]
    record: tuple[Field, ...]
    source: str
    opens: tuple[str, ...] = ()  # areas that its own work opens
    starts: bool = False
    load: bool = False
    override: bool = True
    timers: Mapping[str, float] | None = None  # minutes by name
    hold_rule: Mapping[str, str] | None = None

    def field(self, name: str) -> Field:
        """One field by name, refused with what there is."""
        for item in self.record:
            if item.name == name:
                return item
        names = [item.name for item in self.record]
        raise ValueRefused(
            f"{self.name} records no such thing", Place(key=self.name), name, ", ".join(names),
            f"did you mean {near}?" if (near := nearest(name, names)) else None,
        )  # fmt: skip


@cache
def stages() -> tuple[Stage, ...]:
    """Every stage in the order of the job, for any car."""
    return tuple(_stage(row) for row in read_data("stages.toml")["stage"])


def _stage(row: Mapping[str, Any]) -> Stage:
    return Stage(
        name=row["name"],
        words=row["words"],
        hold=row["hold"],
        why=row["why"],
        tools=tuple(row["tools"]),
        cautions=tuple(row["cautions"]),
        stop=row["stop"],
        forgotten=row["forgotten"],
        minutes=float(row["minutes"]),
        needs=tuple(row["needs"]),
        after=tuple(row["after"]),
        areas=tuple(row["areas"]),
        only=tuple(row.get("only", ())),
        record=tuple(_field(item) for item in row["record"]),
        source=row["source"],
        opens=tuple(row.get("opens", ())),
        starts=row.get("starts", False),
        load=row.get("load", False),
        override=row.get("override", True),
        timers=row.get("timers"),
        hold_rule=row.get("hold_rule"),
    )


def _field(row: Mapping[str, Any]) -> Field:
    return Field(**{**row, "only": tuple(row.get("only", ()))})


@cache
def opening_stages() -> Mapping[str, tuple[str, ...]]:
    """Areas that the work of a stage opens, by name of the stage."""
    return {row.name: row.opens for row in stages() if row.opens}


@cache
def hold_rules() -> Mapping[str, HoldRule]:
    """The rules a builder can choose from, the first is the usual one."""
    return {row["name"]: HoldRule(**row) for row in read_data("stages.toml")["hold_rule"]}


def chosen(rows: tuple[Stage, ...], name: str) -> Stage:
    """The stage of that name among those of a car, refused with what there is."""
    for row in rows:
        if row.name == name:
            return row
    names = [row.name for row in rows]
    raise ValueRefused(
        "no such stage for this car", Place(key="stage"), name, ", ".join(names),
        f"did you mean {near}?" if (near := nearest(name, names)) else None,
    )  # fmt: skip
