"""Units as loggers write them, and the unit that stands inside a column's name."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache

from keyturn.units import convert, pressure_side

# Kind of quantity -> the row of the glossary that carries its SI unit.
QUANTITY = {
    "pressure": "pressure_difference",
    "rotation": "engine_speed",
    "ratio": "duty",
    "voltage": "voltage",
    "temperature": "temperature",
    "time": "time",
    "mass flow": "air_flow",
    "volume flow": "flow",
    "velocity": "belt_speed",
    "angle": "groove_angle",
}
# Kind -> our unit -> spellings seen, without blanks and points, in lower case.
SEEN: dict[str, dict[str, str]] = {
    "pressure": {
        "kPa": "kpa kilopascal kilopascals",
        "psi": "psi lb/in2 lb/in² lbf/in2 lbf/in² pfund",
        "bar": "bar",
        "mbar": "mbar millibar",
        "hPa": "hpa",
        "MPa": "mpa",
        "Pa": "pa pascal",
        "inHg": "inhg inhg_ \"hg",
        "mmHg": "mmhg",
        "atm": "atm",
    },
    "rotation": {
        "rpm": "rpm 1/min u/min min-1 min^-1 /min r/min rev/min tr/min rpms upm",
        "1/s": "hz 1/s rev/s rps",
    },
    "ratio": {
        "percent": "% pct percent prozent percentage %dc",
        "one": "ratio frac fraction 0..1 0-1",
    },
    "voltage": {"V": "v volt volts", "mV": "mv millivolt millivolts"},
    "temperature": {
        "degC": "°c c degc deg_c celsius grad_c ºc degreesc",
        "degF": "°f f degf deg_f fahrenheit ºf degreesf",
        "K": "k kelvin degk °k",
    },
    "time": {
        "s": "s sec secs second seconds sek",
        "ms": "ms msec msecs millisecond milliseconds",
        "us": "us µs μs usec microsecond microseconds",
        "min": "min minutes minute",
        "h": "h hour hours",
    },
    "mass flow": {
        "g/s": "g/s gps g/sec gm/s grams/sec g/second",
        "kg/h": "kg/h kg/hr kgh kgph",
        "kg/s": "kg/s",
        "lb/min": "lb/min lbs/min lbm/min",
        "lb/h": "lb/h lb/hr lbs/hr lbs/h pph",
    },
    "volume flow": {
        "cc/min": "cc/min ccm cm3/min cm³/min ml/min",
        "L/h": "l/h lph l/hr ltr/h liter/h",
        "L/min": "l/min lpm",
    },
    "velocity": {"km/h": "km/h kmh kph kmph km/hr", "mi/h": "mph mi/h mls/h", "m/s": "m/s"},
    "angle": {"deg": "deg ° degree degrees º deg_crank °crank °ca deg_ca °kw", "rad": "rad"},
    "mixture": {"lambda": "lambda λ la lam", "AFR": "afr a/f air/fuel :1 afr:1"},
}  # fmt: skip
SIDES = (
    (re.compile(r"^(psi|bar|mbar|kpa|inhg)[ _]?\(?(?:g|gauge|gage|rel|relative)\)?$"), "gauge"),
    (re.compile(r"^(psi|bar|mbar|kpa|inhg|hpa)[ _]?\(?(?:a|abs|absolute)\)?$"), "absolute"),
)
INSIDE = re.compile(r"^(.*?)\s*[\[({<]\s*([^\[\](){}<>]*?)\s*[\])}>]\s*$")
AFTER = re.compile(
    r"^(.*?\S)(?:\s*[,;]\s*|\s+in\s+|\s+-\s+|[ _.-])"
    r"([^\s,;_]+(?:[ _](?:abs|absolute|gauge|gage|a|g))?)$",
    re.I,
)
# Words of a row of units that we make nothing of.
OTHER = frozenset(
    ("-", "none", "bool", "enum", "state", "on/off", "count", "counts", "gear", "text", "raw",
     "hh:mm:ss", "hh:mm:ss.sss", "bit", "int", "float", "n/a", "g", "nm", "kw", "hp", "a", "mg",
     "mg/stroke")
)  # fmt: skip


@dataclass(frozen=True)
class Unit:
    """A unit of a column: number * ``scale`` + ``offset`` is SI, before a side is put right."""

    name: str
    kind: str
    scale: float
    offset: float
    side: str | None = None  # of a pressure: "gauge", "absolute", or None where nothing is said

    def __str__(self) -> str:
        return f"{self.name} {self.side}" if self.side else self.name


@cache
def unit(name: str, kind: str, side: str | None = None) -> Unit:
    """A unit by our own name and kind."""
    if kind == "mixture":
        return Unit(name, kind, 1.0, 0.0)
    if kind == "velocity" and name == "mi/h":
        # 5280 ft, by definition
        return Unit(name, kind, 5280 * 0.3048 / 3600, 0.0)
    zero = convert(0.0, name, QUANTITY[kind])
    # a long step, so that the offset of a temperature does not eat the digits of its scale
    step = 2.0**20
    return Unit(name, kind, (convert(step, name, QUANTITY[kind]) - zero) / step, zero, side)


@cache
def _spellings() -> dict[str, tuple[str, str]]:
    return {
        word: (name, kind)
        for kind, names in SEEN.items()
        for name, words in names.items()
        for word in words.split()
    }


def read_unit(text: str) -> Unit | None:
    """The unit that ``text`` spells, or None."""
    word = text.strip().strip("[](){}").strip().lower().rstrip(".")
    side = None
    for pattern, which in SIDES:
        match = pattern.match(word)
        if match:
            word, side = match[1], which
    if side is None:
        bare, side = pressure_side(word)
        word = bare if side else word
    word = word.replace(" ", "").replace("deg.", "deg")
    found = _spellings().get(word)
    if found is None or (side and found[1] != "pressure"):
        return None
    return unit(*found, side)


def looks_like_unit(cell: str) -> bool:
    """For telling a row of units from a row of names."""
    word = cell.strip().strip("[](){}").strip().lower()
    return not word or word in OTHER or read_unit(word) is not None


def part(name: str) -> tuple[str, Unit | None]:
    """A column's name without the unit written in it, and that unit."""
    match = INSIDE.match(name)
    if match and match[1]:
        return match[1].strip(), read_unit(match[2])
    match = AFTER.match(name)
    # one letter after a name is more often a bank or a cylinder than a unit
    if match and (len(match[2]) > 1 or match[2] in "%°") and "time" not in match[2].lower():
        found = read_unit(match[2])
        if found is not None:
            return match[1].strip(), found
    return name, None
