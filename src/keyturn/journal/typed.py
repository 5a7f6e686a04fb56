"""A reading as it was typed, on the command line or in a row of a file, turned into SI.

Nothing is guessed: a pressure in the manifold must say gauge or absolute, an idle reading on a
regulator with a hose must say whether the hose was on.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from typing import Any, cast

from keyturn import units
from keyturn.build.model import Build
from keyturn.build.schema import nearest
from keyturn.errors import AmbiguousValue, Place, ValueRefused
from keyturn.evidence import renewed as repairs
from keyturn.evidence.reading import (
    CHOICES,
    TEXTS,
    Conditions,
    Kind,
    Reading,
    kinds,
    scale_share,
)
from keyturn.glossary import quantity

DIFFERENCE_OF = {
    "pressure": "pressure_difference",
    "pressure_gauge": "pressure_difference",
    "temperature": "temperature_difference",
}
YES_NO = {"yes": 1.0, "y": 1.0, "1": 1.0, "true": 1.0, "no": 0.0, "n": 0.0, "0": 0.0, "false": 0.0}
# A word of the trade behind a manifold pressure; both are above or below ambient.
BOOST = re.compile(r"^(.*\S)\s+(boost|vacuum)$", re.I | re.S)
FULL_SCALE = re.compile(
    r"(?<![\d.])0\s*(?:-|–|to|\.\.+)\s*(\d+(?:\.\d+)?)\s*(psi|kpa|bar|inhg)\b", re.I
)
LONGEST = 500


@dataclass(frozen=True)
class Typed:
    """The words of one reading; None where nothing was said. Field names are column names."""

    kind: str
    value: str
    state: str | None = None
    reference: str | None = None
    rpm: str | None = None
    manifold: str | None = None
    fuel_temperature: str | None = None
    volts: str | None = None
    isolated: str | None = None
    pressure: str | None = None
    seconds: str | None = None
    lent: str | None = None
    renewed: str | None = None
    instrument: str | None = None
    error: str | None = None
    note: str | None = None


COLUMNS = tuple(item.name for item in fields(Typed))
# Conditions that are numbers: condition, quantity, and the unit that a bare number has.
NUMBERS = {
    "rpm": ("engine_speed", "engine_speed", "rpm"),
    "manifold": ("manifold_pressure", "pressure", None),
    "fuel_temperature": ("fuel_temperature", "temperature", None),
    "volts": ("supply_voltage", "voltage", "V"),
    "pressure": ("pressure_gauge", "pressure_gauge", None),
    "seconds": ("duration", "time", "s"),
}


def to_reading(typed: Typed, build: Build, place: Place | None = None) -> Reading:
    """The reading in SI, not yet held against what the model expects."""
    where = place or Place()
    barometer = build.site.barometer.si
    kind = _kind(typed.kind, where)
    state = _state(typed.state, kind, where)
    value = _value(typed.value, kind.quantity, barometer, replace(where, key="value"))
    conditions = _conditions(typed, barometer, where)
    reading = Reading(
        kind=kind.name,
        state=state,
        value=value,
        spread=_spread(typed, kind, value, where),
        typed=typed.value.strip(),
        instrument=one_line(typed.instrument, "instrument", where),
        conditions=conditions,
        note=one_line(typed.note, "note", where),
    )
    _complete(reading, kind, build, where)
    return reading


def value_of(text: str, reading: Reading, barometer: float) -> float:
    """SI value of another text for the same reading."""
    return _value(text, kinds()[reading.kind].quantity, barometer, Place(key="value"))


def _kind(text: str, where: Place) -> Kind:
    name = text.strip().lower().replace(" ", "-").replace("_", "-")
    if name not in kinds():
        near = nearest(name, kinds())
        raise ValueRefused(
            "no such kind of reading", replace(where, key="kind"), text, ", ".join(kinds()),
            f"did you mean {near}?" if near else None,
        )  # fmt: skip
    return kinds()[name]


def _state(text: str | None, kind: Kind, where: Place) -> str:
    name = (text or "").strip().lower().replace(" ", "-").replace("_", "-")
    if not name and len(kind.states) == 1:
        return kind.states[0]
    if name not in kind.states:
        raise ValueRefused(
            f"in which state was the {kind.name} read?" if not name
            else f"{kind.name} is not read in such a state",
            replace(where, key="state"), text, ", ".join(kind.states),
        )  # fmt: skip
    return name


def _value(text: str, name: str, barometer: float, place: Place) -> float:
    if name == "yes_no":
        if text.strip().lower() not in YES_NO:
            raise ValueRefused("yes or no is wanted", place, text, "yes, no")
        return YES_NO[text.strip().lower()]
    text = plain(text) if name == "pressure" else text
    if name == "pressure" and _side(text) is None:
        raise AmbiguousValue(
            "is that above ambient (gauge) or absolute?", place, text,
            '"8 psi gauge", "8 psi boost", "18 inHg vacuum" or "156 kPa abs"',
        )  # fmt: skip
    return _parsed(text, name, barometer, place)


def plain(text: str) -> str:
    """A manifold pressure in the words of the trade, as a gauge pressure with its sign."""
    worded = BOOST.match(text.strip())
    if worded is None:
        return text
    sign = "-" if worded[2].lower() == "vacuum" else ""
    return f"{sign}{worded[1].lstrip('-+ ')} gauge"


def _side(text: str) -> str | None:
    try:
        return units.pressure_side(units.split(text)[1])[1]
    except units.UnitRefused:
        return "refused"  # said better by the parser


def _parsed(text: str, name: str, barometer: float, place: Place) -> float:
    try:
        return units.parse(text, name, barometer)
    except units.AmbiguousUnit as fault:
        raise AmbiguousValue(str(fault), place, text, units.accepted(name)) from None
    except units.UnitRefused as fault:
        raise ValueRefused(str(fault), place, text, units.accepted(name)) from None


def _conditions(typed: Typed, barometer: float, where: Place) -> Conditions:
    said: dict[str, Any] = {}
    for column, (condition, name, unit) in NUMBERS.items():
        text = getattr(typed, column)
        if text is None or not text.strip():
            continue
        place = replace(where, key=column)
        text = f"{text} {unit}" if unit and re.fullmatch(r"[\s\d.,+-]+", text) else text
        said[condition] = _within(_value(text, name, barometer, place), name, text, place)
    for column, choices in CHOICES.items():
        text = (getattr(typed, column) or "").strip().lower()
        if text and text not in choices:
            place = replace(where, key=column)
            raise ValueRefused("no such choice", place, text, ", ".join(choices))
        said[column] = text or None
    for column in TEXTS:
        said[column] = _causes(getattr(typed, column), replace(where, key=column))
    return Conditions(**said)


def _causes(text: str | None, place: Place) -> str | None:
    """Names of causes whose parts are good ones, in one order; None for nothing."""
    names = repairs.split(text)
    for name in names:
        if name not in repairs.repairable():
            near = nearest(name, repairs.repairable())
            raise ValueRefused(
                "no such repair", place, name, ", ".join(repairs.repairable()),
                f"did you mean {near}?" if near else None,
            )  # fmt: skip
    return repairs.join(names)


def _within(value: float, name: str, text: str, place: Place) -> float:
    row = quantity(name)
    if not row.low <= value <= row.high:
        raise ValueRefused(
            f"not a possible {row.meaning}", place, text,
            f"{units.show(row.low, name, digits=3)} to {units.show(row.high, name, digits=3)}",
        )  # fmt: skip
    return value


def possible(reading: Reading) -> None:
    """Refuse a value that no car can show."""
    name = kinds()[reading.kind].quantity
    if name == "volume" and reading.value == 0.0:
        return  # nothing was caught: a dead pump shows that
    if name != "yes_no":
        _within(reading.value, name, reading.typed, Place(key="value"))


def _spread(typed: Typed, kind: Kind, value: float, where: Place) -> float:
    """1 sigma: what was typed, else 2 % of the full scale, else the usual instrument."""
    if kind.quantity == "yes_no":
        return 0.0
    name = DIFFERENCE_OF.get(kind.quantity, kind.quantity)
    if typed.error is not None and typed.error.strip():
        place = replace(where, key="error")
        share = re.fullmatch(r"\s*(\d+(?:[.,]\d*)?)\s*%\s*", typed.error)
        if share is not None:
            spread = float(share[1].replace(",", ".")) / 100.0 * abs(value)
        else:
            spread = _parsed(typed.error, name, 0.0, place)
        if not spread > 0.0:
            raise ValueRefused(
                "every instrument has an error", place, typed.error, "a width above zero"
            )
        return spread
    scale = FULL_SCALE.search(typed.instrument or "")
    if scale is not None and name == "pressure_difference":
        return scale_share() * units.parse(f"{scale[1]} {scale[2]}", name)
    return kind.usual_spread(value)


def one_line(text: str | None, key: str, where: Place) -> str:
    """A text on one line, refused when it cannot be kept."""
    found = " ".join((text or "").split())
    if len(found) > LONGEST or not found.isprintable():
        raise ValueRefused(
            f"the {key} cannot be kept", replace(where, key=key),
            accepted=f"up to {LONGEST} letters, no control characters",
        )  # fmt: skip
    return found


def _complete(reading: Reading, kind: Kind, build: Build, where: Place) -> None:
    """Refuse a reading that says nothing without what is missing."""
    said = reading.conditions
    if reading.state in ("held-speed", "full-load") and said.engine_speed is None:
        raise ValueRefused(
            f"at which engine speed? {reading.state} says nothing without it",
            replace(where, key="rpm"), accepted="2500, 2500 rpm",
        )  # fmt: skip
    for need, present, example in (
        ("pressure", said.pressure_gauge, "43.5 psi"),
        ("duration", said.duration, "30, 5 min"),
    ):
        if need in kind.needs and present is None:
            key = "seconds" if need == "duration" else need
            which = f"the pressure {kind.pressure}" if need == "pressure" else "the time it took"
            raise ValueRefused(
                f"{kind.name} needs {which}", replace(where, key=key), accepted=example
            )
    if said.duration is not None and said.duration <= 0.0:
        raise ValueRefused("a time above zero is needed", replace(where, key="seconds"))
    hose = build.regulator.reference == "manifold" and reading.state == "idle"
    if hose and kind.quantity == "pressure_gauge" and said.reference is None:
        raise AmbiguousValue(
            "was the reference hose on or off? It changes the pressure at idle",
            replace(where, key="reference"), accepted="on, off",
        )  # fmt: skip


def from_words(words: Mapping[str, str], place: Place) -> Typed:
    """One row of a file; keys that nobody reads are refused."""
    for key in words:
        if key not in COLUMNS:
            near = nearest(key, COLUMNS)
            raise ValueRefused(
                f"no such column: {key}", place, accepted=", ".join(COLUMNS),
                advice=f"did you mean {near}?" if near else None,
            )  # fmt: skip
    missing: Sequence[str] = [key for key in ("kind", "value") if not words.get(key, "").strip()]
    if missing:
        raise ValueRefused(f"{' and '.join(missing)} not said", place)
    return Typed(**cast(dict[str, Any], dict(words)))
