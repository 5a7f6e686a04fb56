"""What a reading is: a number from the car, with its state, its conditions and its error.

SI throughout. Pressures of the fuel side are above ambient (quantity ``pressure_gauge``);
manifold pressure is absolute (quantity ``pressure``). A reading of status "suspected" may be in
the wrong unit or on the wrong zero; nothing may be inferred from it until it is confirmed.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, fields
from functools import cache
from typing import Any, Literal, get_args

from keyturn.build.schema import read_data

Status = Literal["kept", "suspected", "replaced", "withdrawn"]
STATES = (
    "key-on",  # pump runs, engine does not
    "cranking",
    "idle",
    "held-speed",  # no load, at conditions.engine_speed
    "full-load",  # at conditions.engine_speed
    "shut-off",  # pump and engine stopped, pressure held
    "vented",  # gauge open to the air
)
CHOICES: Mapping[str, tuple[str, ...]] = {
    "reference": ("on", "off"),
    "isolated": ("feed", "return", "both"),
}
TEXTS = ("renewed", "lent")  # conditions that are words of no fixed choice


@dataclass(frozen=True)
class Conditions:
    """What belongs to a reading; None where nothing was said."""

    engine_speed: float | None = None  # [1/s]
    manifold_pressure: float | None = None  # [Pa] absolute
    fuel_temperature: float | None = None  # [K]
    supply_voltage: float | None = None  # [V] at the battery or alternator
    reference: Literal["on", "off"] | None = None  # the regulator's hose to the manifold
    isolated: Literal["feed", "return", "both"] | None = None  # closed off during a hold
    pressure_gauge: float | None = None  # [Pa] see ``Kind.pressure``
    duration: float | None = None  # [s] after shut-off, or while fuel was caught
    renewed: str | None = None  # causes whose parts were renewed before, see evidence.renewed
    lent: str | None = None  # causes whose parts were lent a good one for this reading


@dataclass(frozen=True)
class Reading:
    """One row of the journal, as it stands now."""

    kind: str
    state: str
    value: float  # SI; yes and no are 1.0 and 0.0
    spread: float  # 1 sigma of the instrument, SI
    typed: str  # as the builder typed it, with its unit
    instrument: str = ""
    conditions: Conditions = field(default_factory=Conditions)
    note: str = ""
    id: int = 0  # 0: not in a journal
    recorded: str = ""  # UTC, ISO 8601
    status: Status = "kept"
    suspicion: str = ""  # why it is kept apart, in words
    corrects: int | None = None  # id of the reading that this one replaces


@dataclass(frozen=True)
class Kind:
    """One kind of reading, a row of data/readings.toml."""

    name: str
    quantity: str  # glossary name, or "yes_no"
    meaning: str
    states: tuple[str, ...]
    needs: tuple[str, ...]  # "pressure", "duration": what it says nothing without
    pressure: str | None  # what ``Conditions.pressure_gauge`` is for this kind
    least_error: float  # 1 sigma of the usual instrument, SI
    share_error: float  # the same as a share of what was read
    source: str
    caution: str

    def usual_spread(self, value: float) -> float:
        """1 sigma of the usual instrument at ``value``, SI."""
        return max(self.least_error, self.share_error * abs(value))


@cache
def kinds() -> Mapping[str, Kind]:
    """Every kind of reading by name."""
    return {
        row["name"]: Kind(
            name=row["name"],
            quantity=row["quantity"],
            meaning=row["meaning"],
            states=tuple(row["states"]),
            needs=tuple(row["needs"]),
            pressure=row.get("pressure"),
            least_error=float(row["error"]["least"]),
            share_error=float(row["error"]["share"]),
            source=row["source"],
            caution=row["caution"],
        )
        for row in read_data("readings.toml")["kind"]
    }


@cache
def scale_share() -> float:
    """1 sigma of a gauge of which only the full scale is known, as a share of it."""
    return float(read_data("readings.toml")["scale"][0]["share"])


def system_state(reading: Reading) -> str | None:
    """Name of the same state in `CheckResult.states`; None when it needs its own solution."""
    if reading.state == "idle" and reading.conditions.reference == "off":
        return "idle, reference hose off"
    return reading.state if reading.state in ("key-on", "cranking", "idle") else None


def usable(readings: tuple[Reading, ...]) -> tuple[Reading, ...]:
    """Those that something may be inferred from."""
    return tuple(reading for reading in readings if reading.status == "kept")


def to_row(reading: Reading) -> dict[str, Any]:
    """Plain data of a reading for JSON; what was not said is left out."""
    row = asdict(reading)
    row["conditions"] = {
        name: value for name, value in row["conditions"].items() if value is not None
    }
    return row


def from_row(row: Mapping[str, Any]) -> Reading:
    """The reading of a row that `to_row` wrote.

    Raises
    ------
    ValueError
        The row is no reading; the message says what is wrong with it.
    """
    said = row.get("conditions", {})
    if not isinstance(said, Mapping):
        raise ValueError("conditions is not a table")
    try:
        reading = Reading(**{**row, "conditions": Conditions(**said)})
    except TypeError as fault:
        raise ValueError(f"keys that a reading does not have, or too few: {fault}") from None
    _judge(reading)
    return reading


def _judge(reading: Reading) -> None:
    kind = kinds().get(reading.kind) if isinstance(reading.kind, str) else None
    if kind is None or reading.state not in kind.states:
        raise ValueError(f"no such kind at such a state: {reading.kind!r}, {reading.state!r}")
    numbers = [reading.value, reading.spread]
    for item in fields(Conditions):
        value = getattr(reading.conditions, item.name)
        words = CHOICES.get(item.name)
        if item.name in TEXTS:
            if value is not None and not isinstance(value, str):
                raise ValueError(f"{item.name} is {value!r}")
        elif value is not None and words is None:
            numbers.append(value)
        elif value is not None and value not in (words or ()):
            raise ValueError(f"{item.name} is {value!r}")
    if not all(type(value) in (int, float) and math.isfinite(value) for value in numbers):
        raise ValueError("a number is missing or not finite")
    if reading.spread < 0.0 or reading.status not in get_args(Status):
        raise ValueError("a spread below zero, or no such status")
    texts = (reading.typed, reading.instrument, reading.note, reading.suspicion)
    if not all(isinstance(text, str) for text in texts):
        raise ValueError("a text is missing")
