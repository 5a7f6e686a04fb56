"""Units at the doors: text with a unit to SI and back. Inside, everything is SI.

Only the units of data/units.txt exist, so that nothing odd parses. Words that can mean two
things ("gal/h", a bare "psi" where gauge and absolute are both possible) raise `AmbiguousUnit`
with the question to ask; what does not parse raises `UnitRefused`.
"""

from __future__ import annotations

import math
import re
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING

from keyturn.glossary import quantity, unit_of

if TYPE_CHECKING:
    from pint import UnitRegistry

NUMBER = re.compile(r"\s*([+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d+)?)\s*(.*?)\s*", re.S)

# Spellings of the trade, compared in lower case, to the names in units.txt.
ALIASES = {
    "psig": "psi gauge",
    "psia": "psi absolute",
    "barg": "bar gauge",
    "bara": "bar absolute",
    "lph": "L/h",
    "lpm": "L/min",
    "l/hr": "L/h",
    "cc/m": "cc/min",
    "ccm": "cc/min",
    "gph": "gal/h",
    "gpm": "gal/min",
    "rev/min": "rpm",
    "1/min": "rpm",
    "r/min": "rpm",
    "%": "percent",
    "°c": "degC",
    "°f": "degF",
    "c": "degC",
    "f": "degF",
    '"': "in",
    "amp": "A",
    "amps": "A",
    "volt": "V",
    "volts": "V",
    "ohm": "ohm",
    "bhp": "hp",
    **dict.fromkeys(
        ("lb ft", "ft lb", "lb-ft", "ft-lb", "lbf-ft", "ft-lbf", "ft lbs", "ft-lbs"), "lbf ft"
    ),
    **dict.fromkeys(
        ("lb in", "in lb", "lb-in", "in-lb", "lbf-in", "in-lbf", "in lbs", "in-lbs"), "lbf in"
    ),
    "nm": "N m",
    "lbs": "lb",
    "lbs/h": "lb/h",
    "lb/hr": "lb/h",
    "lbs/hr": "lb/h",
}
# Words inside a unit, compared as written first, then in lower case.
WORDS = {
    "l": "L",
    "litre": "L",
    "litres": "L",
    "liter": "L",
    "liters": "L",
    "ml": "mL",
    "hr": "h",
    "hour": "h",
    "hours": "h",
    "sec": "s",
    "inch": "in",
    "inches": "in",
    "psi": "psi",
    "kpa": "kPa",
    "hpa": "hPa",
    "bar": "bar",
    "rpm": "rpm",
    "degc": "degC",
    "degf": "degF",
    "v": "V",
    "a": "A",
    "kw": "kW",
    "w": "W",
    "cm3": "cm**3",
    "mm2": "mm**2",
    "mm3": "mm**3",
    "cm2": "cm**2",
    "m3": "m**3",
    "m2": "m**2",
    "m6": "m**6",
    "s2": "s**2",
    "in3": "in**3",
    "in2": "in**2",
    "usgal": "us_gallon",
    "impgal": "imp_gallon",
    "ω": "ohm",
    "µm": "um",
    "mω": "mohm",
}
PRESSURES = ("pressure", "pressure_gauge", "pressure_difference")
ABSOLUTE = re.compile(r"\s*\(?\b(?:absolute|abs|a)\b\.?\)?$", re.I)
GAUGE = re.compile(r"\s*\(?\b(?:gauge|gage|g)\b\.?\)?$", re.I)
GALLON = re.compile(r"\b(?:gal|gallons?)\b", re.I)
WHICH_GALLON = re.compile(r"\b(u\.?s\.?|imp(?:erial)?\.?|uk)\s*(?:gal|gallons?)\b", re.I)
# A unit is words joined by * and /, with small whole powers: nothing that pint would calculate.
PLAIN_UNIT = re.compile(r"(?:1/)?(?:[A-Za-z_]+(?:\*\*[2-6])?|[*/() ])*")
MISFIT = "that unit measures something else"
RATIO_UNITS = ("percent", "one", "")


class UnitRefused(ValueError):
    """A text that is not a number with a unit of the wanted kind."""


class AmbiguousUnit(UnitRefused):
    """A text that can mean two things; the message is a question."""


@cache
def registry() -> UnitRegistry[float]:
    """Our own small registry (pint is imported only when the first unit is read)."""
    from pint import UnitRegistry

    text = (files("keyturn") / "data" / "units.txt").read_text(encoding="utf-8")
    return UnitRegistry(text.splitlines(), autoconvert_offset_to_baseunit=False)


def split(text: str) -> tuple[float, str]:
    """Number and unit text of "380 L/h"; the unit may be empty."""
    match = NUMBER.fullmatch(text)
    if match is None or match[1].count(",") + match[1].count(".") > 1:
        raise UnitRefused(f"{text!r} is not a number with a unit")
    number = match[1]
    if "," in number:
        whole, _, rest = number.partition(",")
        if len(rest) == 3 and whole.strip("+-0"):
            raise AmbiguousUnit(f"{text!r}: is the comma a decimal comma or a thousands mark?")
        number = number.replace(",", ".")
    value = float(number)
    if not math.isfinite(value):
        raise UnitRefused(f"{text!r} is not a finite number")
    return value, match[2]


def tidy(unit: str) -> str:
    """Unit text in the spelling of units.txt; raises where a word can mean two things."""
    text = " ".join(unit.split()).removesuffix(" difference")
    text = ALIASES.get(text.lower(), text)
    text = WHICH_GALLON.sub(
        lambda match: (
            "us_gallon"
            if match[1].lower().startswith("u") and "k" not in match[1].lower()
            else "imp_gallon"
        ),
        text,
    )
    if GALLON.search(text):
        raise AmbiguousUnit("gal: US gallon (3.785 L) or imperial gallon (4.546 L)?")
    text = text.replace("°", "deg").replace("³", "3").replace("²", "2").replace("·", " ")
    text = text.replace("^", "**").replace(" per ", "/")
    return re.sub(r"[^\W\d]\w*", _word, text)


def _word(match: re.Match[str]) -> str:
    word = match[0]
    return WORDS.get(word, WORDS.get(word.lower(), word) if word not in _known() else word)


@cache
def _known() -> frozenset[str]:
    return frozenset(registry()._units)


@cache
def _scale(unit: str, si: str) -> tuple[float, float]:
    """(factor, offset) from ``unit`` to ``si``: si = number * factor + offset."""
    from pint import DimensionalityError

    ureg = registry()
    if len(unit) > 60 or not PLAIN_UNIT.fullmatch(unit):
        raise UnitRefused("no such unit")
    try:
        target = ureg.parse_units(tidy(si) if si != "-" else "one")
        source = ureg.parse_units(unit or "one")
        zero = float(ureg.Quantity(0.0, source).to(target).magnitude)
        one = float(ureg.Quantity(1.0, source).to(target).magnitude)
    except AmbiguousUnit:
        raise
    except DimensionalityError:
        raise UnitRefused(MISFIT) from None
    except Exception:  # pint raises many kinds, tokenizer errors among them
        raise UnitRefused("no such unit") from None
    return one - zero, zero


def pressure_side(unit: str) -> tuple[str, str | None]:
    """Unit without its "gauge" or "abs", and which of the two was said (None: nothing)."""
    text = ALIASES.get(unit.strip().lower(), unit.strip())
    for pattern, side in ((ABSOLUTE, "absolute"), (GAUGE, "gauge")):
        bare = pattern.sub("", text)
        if bare != text and bare.strip():
            return bare.strip(), side
    return text, None


def accepted(name: str) -> str:
    """Units that are offered for a quantity, as one phrase."""
    row = quantity(name)
    return ", ".join(row.display) if row.display else "a plain number"


def parse(text: str, name: str, barometer: float = 101325.0) -> float:
    """SI value of ``text`` for the glossary quantity ``name``.

    A gauge reading for an absolute pressure (and the other way round) is converted with
    ``barometer`` [Pa] only when the text itself says which it is.
    """
    number, unit = split(text)
    return convert(number, unit, name, barometer)


def convert(number: float, unit: str, name: str, barometer: float = 101325.0) -> float:
    """SI value of a number with a unit text for the quantity ``name``."""
    if not math.isfinite(number):
        raise UnitRefused("not a finite number")
    si = unit_of(name)
    side = None
    if name in PRESSURES:
        unit, side = pressure_side(unit)
    if name == "air_fuel_equivalence" and unit.strip().lower() in ("afr", "afr."):
        raise AmbiguousUnit("AFR: of which fuel? Type lambda, which does not depend on the fuel")
    spelt = tidy(unit)
    if si != "-" and spelt in RATIO_UNITS:
        raise UnitRefused(f"a unit is missing: {accepted(name)}" if not spelt else MISFIT)
    if _is_step(name) and spelt in ("degC", "degF"):
        spelt, number = ("K", number) if spelt == "degC" else ("K", number / 1.8)
    factor, offset = _scale(spelt, si)
    value = number * factor + offset
    if side == "absolute" and name == "pressure_gauge":
        value -= barometer
    if side == "gauge" and name == "pressure":
        value += barometer
    if side == "absolute" and name == "pressure_difference":
        raise UnitRefused("a pressure difference is neither gauge nor absolute")
    return value


def _is_step(name: str) -> bool:
    """A temperature that is a difference: 1 degC of it is 1 K."""
    return unit_of(name) == "K" and any(word in name for word in ("difference", "rise", "drop"))


def from_si(value: float, name: str, unit: str | None = None) -> float:
    """Number in ``unit`` (default: the first display unit of the quantity)."""
    si = unit_of(name)
    spelt = tidy(unit if unit is not None else _first(name))
    if _is_step(name) and spelt in ("degC", "degF"):
        return value if spelt == "degC" else value * 1.8
    factor, offset = _scale(spelt, si)
    return (value - offset) / factor


def _first(name: str) -> str:
    row = quantity(name)
    first = row.display[0] if row.display else row.unit
    return "" if first == "-" else first


def show(value: float, name: str, unit: str | None = None, digits: int = 6) -> str:
    """Text with unit that `parse` reads back to ``digits`` significant digits."""
    word = unit if unit is not None else _first(name)
    number = f"{from_si(value, name, word):.{digits}g}"
    if "e+" in number and abs(float(number)) < 1e9:
        number = f"{float(number):.0f}"  # 1440 L/h, nobody reads 1.44e+03
    return f"{number} {word}".strip()
