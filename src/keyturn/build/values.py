"""Typed text to a `Value` or a `Curve`: unit, spread, grade, and what is usual for the key."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from typing import Any, cast

from keyturn import units
from keyturn.build.lines import line_of
from keyturn.build.model import Curve, Grade, Value
from keyturn.build.schema import LONG_FORM, Field, default_spread, grades, nearest
from keyturn.errors import AmbiguousValue, BuildError, Place, UnknownKey, ValueRefused
from keyturn.glossary import quantity, unit_of

DIFFERENCE_OF = {
    "pressure": "pressure_difference",
    "pressure_gauge": "pressure_difference",
    "temperature": "temperature_difference",
}
ABSOLUTE_X = ("15 kPa", "450 kPa")  # manifold pressures that a mixture table may speak of
MOST_SPREAD = 2.0  # relative, 1 sigma; more is not a spread but not knowing
MOST_POINTS = 200


@dataclass
class Context:
    """What a reading needs to know beside the typed value, and where faults are collected."""

    file: str
    lines: dict[str, int]
    barometer: float = 101325.0
    grade: Grade = "hearsay"
    source: str | None = None
    errors: list[BuildError] = field(default_factory=list)
    flags: list[str] = field(default_factory=list)

    def place(self, key: str) -> Place:
        return Place(self.file, line_of(key, self.lines), key)


def as_typed(raw: object) -> str:
    """The value as the user typed it, short enough for a message."""
    if isinstance(raw, bool):
        text = str(raw).lower()
    elif isinstance(raw, Mapping) and "value" in raw:
        text = as_typed(raw["value"])
    else:
        text = str(raw)
    text = "".join(letter if letter.isprintable() else "?" for letter in text)
    return text if len(text) <= 80 else text[:77] + "..."


@dataclass(frozen=True)
class Typed:
    """The long form, with everything that the short form leaves unsaid filled in."""

    value: Any
    spread: Any
    grade: Grade
    source: str | None
    confirmed: bool


def long_form(raw: object, key: str, table: Mapping[str, Any], context: Context) -> Typed:
    """Short or long form; grade and source may also stand in the table or at the top."""
    parts = raw if isinstance(raw, Mapping) else {"value": raw}
    for name in parts:
        if name not in LONG_FORM:
            known = nearest(str(name), LONG_FORM)
            raise UnknownKey(
                f"nothing reads {as_typed(name)!r} here",
                context.place(key),
                accepted=", ".join(LONG_FORM),
                advice=f"did you mean {known}?" if known else "remove it or correct its name",
            )
    if "value" not in parts:
        raise ValueRefused(
            "the long form has no `value`",
            context.place(key),
            typed=as_typed(raw),
            accepted='{value = "...", spread = "...", grade = "...", source = "..."}',
        )
    grade = parts.get("grade", table.get("grade", context.grade))
    if grade not in grades():
        raise ValueRefused(
            "no such grade", context.place(key), as_typed(grade), ", ".join(grades()),
            "say how the number is known",
        )  # fmt: skip
    source = parts.get("source", table.get("source", context.source))
    if source is not None and not isinstance(source, str):
        raise ValueRefused("the source must be text", context.place(key), as_typed(source))
    confirmed = parts.get("confirmed", False)
    if not isinstance(confirmed, bool):
        raise ValueRefused("not true or false", context.place(key), as_typed(confirmed))
    return Typed(parts["value"], parts.get("spread"), grade, source, confirmed)


def number(raw: object, name: str, key: str, context: Context) -> float:
    """SI value of one typed number of the glossary quantity ``name``."""
    place = context.place(key)
    accepted = _accepted(name)
    if isinstance(raw, bool) or not isinstance(raw, (str, int, float)):
        raise ValueRefused(
            "not a number with a unit", place, as_typed(raw), accepted, 'type it as "NUMBER UNIT"'
        )
    try:
        if isinstance(raw, str):
            if len(raw) > 200:
                raise units.UnitRefused("text is too long for a number with a unit")
            count, unit = units.split(raw)
            if name == "pressure":
                return _absolute(count, unit, raw, key, context)
            si = units.convert(count, unit, name, context.barometer)
        else:
            si = units.convert(float(raw), "", name)
    except units.AmbiguousUnit as fault:
        raise AmbiguousValue(
            str(fault), place, as_typed(raw), accepted, "type the value again with the answer in it"
        ) from None
    except (units.UnitRefused, OverflowError) as fault:
        raise ValueRefused(str(fault), place, as_typed(raw), accepted) from None
    if not math.isfinite(si):
        raise ValueRefused("not a finite number", place, as_typed(raw), accepted)
    return si


def _accepted(name: str) -> str:
    if name in ("pressure", "pressure_gauge"):
        side = "absolute" if name == "pressure" else "gauge"
        return ", ".join(f'"... {unit} {side}"' for unit in quantity(name).display)
    return units.accepted(name) + (" or a plain number" if unit_of(name) == "-" else "")


def _absolute(count: float, unit: str, raw: str, key: str, context: Context) -> float:
    """An absolute pressure; a reading that a gauge might show just as well is asked about."""
    bare, side = units.pressure_side(unit)
    si = units.convert(count, unit, "pressure", context.barometer)
    low, high = (units.parse(text, "pressure_difference") for text in ABSOLUTE_X)
    gauge_reading = si + context.barometer
    asks = (bare.lower() in ("psi", "bar") and key.startswith("mixture.")) or si <= 0.0
    if side is None and asks and low <= gauge_reading <= high:
        raise AmbiguousValue(
            f"{bare}: gauge or absolute?",
            context.place(key),
            as_typed(raw),
            f'"{count:g} {bare} gauge" or "{count:g} {bare} absolute"',
            "a gauge that shows 0 with the engine off shows gauge pressure",
        )
    return si


def value(raw: object, entry: Field, key: str, table: Mapping[str, Any], context: Context) -> Value:
    """One value in any form, checked against what is usual for its key."""
    typed = long_form(raw, key, table, context)
    si = number(typed.value, entry.quantity, key, context)
    place = context.place(key)
    if entry.law == "scale" and si <= 0.0:
        raise ValueRefused(
            "must be above zero", place, as_typed(raw), _accepted(entry.quantity), "correct it"
        )
    flag = unusual(si, typed.value, entry, key)
    if flag and not typed.confirmed:
        raise ValueRefused(
            flag, place, as_typed(raw), usual_text(entry),
            "correct it, or write {value = ..., confirmed = true} if it is really so",
        )  # fmt: skip
    if flag:
        context.flags.append(f"{key}: {flag} (confirmed by you)")
    return Value(
        si=si,
        spread=_spread(typed, entry, si, key, context),
        law=entry.law,
        grade=typed.grade,
        quantity=entry.quantity,
        key=key,
        typed=as_typed(raw),
        source=typed.source,
    )


def _spread(typed: Typed, entry: Field, si: float, key: str, context: Context) -> float:
    if typed.spread is None:
        return default_spread(entry, typed.grade, si)
    place = context.place(f"{key}.spread")
    raw = typed.spread
    try:
        percent = isinstance(raw, str) and units.tidy(units.split(raw)[1]) == "percent"
    except units.UnitRefused:
        percent = False
    # "2 %" of a set point that is itself a share means two points; of anything else, a share
    points = percent and entry.law == "set" and unit_of(entry.quantity) == "-"
    if percent and not points:
        share = number(raw, "ratio", key, context)
        spread = share * abs(si) if entry.law == "set" else share
    else:
        kind = DIFFERENCE_OF.get(entry.quantity, entry.quantity)
        size = number(raw, kind, key, context)
        spread = size if entry.law == "set" else size / si
    limit = MOST_SPREAD * (abs(si) if entry.law == "set" and si else 1.0)
    if entry.quantity in ("temperature", "altitude", "humidity", "ratio"):
        limit = math.inf
    if not 0.0 <= spread <= limit:
        raise ValueRefused(
            "the spread is below zero or wider than the value can carry",
            place, as_typed(raw), "a share such as 10 % or a size in the unit of the value",
        )  # fmt: skip
    return spread


@cache
def limits(entry: Field) -> tuple[float, float] | None:
    """The usual range of a key in SI."""
    if entry.usual is None:
        return None
    low, high = (
        units.parse(text, entry.quantity) if isinstance(text, str) else float(text)
        for text in entry.usual
    )
    return low, high


def usual_text(entry: Field) -> str:
    return f"usual is {entry.usual[0]} to {entry.usual[1]}" if entry.usual else ""


def unusual(si: float, raw: object, entry: Field, key: str) -> str | None:
    """None when the value is usual, else a sentence that names the likely slip."""
    known = limits(entry)
    if known is None or known[0] * (1 - 1e-9) - 1e-12 <= si <= known[1] * (1 + 1e-9):
        return None
    low, high = known
    count, unit = units.split(raw) if isinstance(raw, str) else (float(cast(float, raw)), "")
    guesses = [f"{count * factor:g} {unit}".strip() for factor in (100, 0.01, 10, 0.1, 1000, 0.001)]
    others = [f"{count:g} {other}" for other in _other_units(entry.quantity) if other != unit]
    # Pressures lose their point more often than their unit; sizes and flows the other way round.
    pressure = unit_of(entry.quantity) == "Pa"
    ordered = (*guesses[:2], *others, *guesses[2:]) if pressure else (*others, *guesses)
    likely = [guess for guess in ordered if _lands(guess, entry.quantity, low, high)]
    if not likely:
        return f"{as_typed(raw)} is far from usual"
    more = f" (or {likely[1]})" if len(likely) > 1 else ""
    return f"{as_typed(raw)}: did you mean {likely[0]}?{more}"


def _lands(guess: str, name: str, low: float, high: float) -> bool:
    try:
        return low <= units.parse(guess, name) <= high
    except units.UnitRefused:
        return False


def _other_units(name: str) -> tuple[str, ...]:
    wider = {
        "m3/s": ("L/h", "cm3/min", "L/min", "US gal/h"),
        "m3": ("L", "cm3", "in3"),
        "Pa": ("psi", "kPa", "bar", "MPa"),
        "m": ("mm", "cm", "in", "m"),
        "s": ("ms", "us", "s"),
    }
    return wider.get(unit_of(name), quantity(name).display)


def curve(raw: object, entry: Field, key: str, table: Mapping[str, Any], context: Context) -> Curve:
    """A table of pairs in rising x."""
    typed = long_form(raw, key, table, context)
    place = context.place(key)
    pairs = typed.value
    shape = f"at least two pairs [[{_first(entry.x)}, {_first(entry.quantity)}], ...]"
    if not isinstance(pairs, list) or not 2 <= len(pairs) <= MOST_POINTS:
        raise ValueRefused("not a table of pairs", place, as_typed(raw), shape)
    if not all(isinstance(pair, list) and len(pair) == 2 for pair in pairs):
        raise ValueRefused("every row must be a pair", place, as_typed(raw), shape)
    points = [
        (number(x, entry.x, key, context), number(y, entry.quantity, key, context))
        for x, y in pairs
    ]
    order = sorted(range(len(points)), key=lambda index: points[index])
    xs = tuple(points[index][0] for index in order)
    ys = tuple(points[index][1] for index in order)
    if xs[0] < 0.0:
        raise ValueRefused("the first column goes below zero", place, as_typed(raw), shape)
    if any(after <= before for before, after in itertools.pairwise(xs)):
        raise ValueRefused(
            "two rows have the same first column", place, as_typed(raw), shape, "keep one of them"
        )
    _usual_curve(typed, pairs, points, entry, key, context)
    return Curve(
        x=xs,
        y=ys,
        spread=_curve_spread(typed, entry, key, context),
        grade=typed.grade,
        x_quantity=entry.x,
        y_quantity=entry.quantity,
        key=key,
        typed=as_typed(raw),
        source=typed.source,
    )


def _first(name: str) -> str:
    display = quantity(name).display
    return f'"{display[0]}"' if display and display[0] != "-" else "number"


def _usual_curve(
    typed: Typed, pairs: list[Any], points: list[tuple[float, float]], entry: Field, key: str,
    context: Context,
) -> None:  # fmt: skip
    ys = [y for _, y in points]
    held = [max(range(len(ys)), key=ys.__getitem__)] if entry.largest else range(len(ys))
    for index in range(len(ys)):
        if ys[index] < 0.0 and entry.quantity != "pressure_gauge":
            raise ValueRefused(
                "the second column goes below zero", context.place(key), as_typed(pairs[index])
            )
    for index in held:
        flag = unusual(ys[index], pairs[index][1], entry, key)
        if flag and not typed.confirmed:
            raise ValueRefused(
                flag, context.place(key), as_typed(pairs[index]), usual_text(entry),
                "correct it, or write {value = ..., confirmed = true} if it is really so",
            )  # fmt: skip
        if flag:
            context.flags.append(f"{key}: {flag} (confirmed by you)")


def _curve_spread(typed: Typed, entry: Field, key: str, context: Context) -> float:
    relative = Field(name=entry.name, about="", quantity="ratio", close=entry.close)
    if typed.spread is None:
        return default_spread(relative, typed.grade, 1.0)
    spread = number(typed.spread, "ratio", key, context)
    if not 0.0 <= spread <= MOST_SPREAD:
        raise ValueRefused(
            "the spread of a table is a share", context.place(key), as_typed(typed.spread), '"5 %"'
        )
    return spread
