"""SI to what a builder reads: kPa and psi, L/h, rev/min, degrees Celsius. Display only."""

from __future__ import annotations

import math

from keyturn.glossary import quantities
from keyturn.system.result import FloatArray

PSI = 6894.757293168361  # Pa, by definition of the pound, the inch and standard gravity
DASH = "–"
VERDICT_ORDER = ("short", "not proven", "tight", "holds")  # worst first

# the unit that the glossary shows first -> (words, factor, offset)
_DISPLAY = {
    "kPa": ("kPa", 1e-3, 0.0),
    "bar": ("kPa", 1e-3, 0.0),
    "cm3/min": ("cm³/min", 6e7, 0.0),
    "L": ("L", 1e3, 0.0),
    "mohm": ("mΩ", 1e3, 0.0),
    "L/h": ("L/h", 3.6e6, 0.0),
    "g/s": ("g/s", 1e3, 0.0),
    "rpm": ("rev/min", 60.0, 0.0),
    "degC": ("°C", 1.0, -273.15),
    "kW": ("kW", 1e-3, 0.0),
    "mm": ("mm", 1e3, 0.0),
    "mm2": ("mm²", 1e6, 0.0),
    "ms": ("ms", 1e3, 0.0),
    "%": ("%", 100.0, 0.0),
    "-": ("", 1.0, 0.0),
}


def display_unit(quantity: str) -> tuple[str, float, float]:
    """(unit words, factor, offset) for a glossary quantity; SI where no other is drawn here."""
    row = quantities().get(quantity)
    if row is None:
        return "", 1.0, 0.0
    first = row.display[0] if row.display else row.unit
    return _DISPLAY.get(first, ("" if row.unit == "-" else row.unit, 1.0, 0.0))


def shown(value: float, quantity: str) -> float:
    """The value in its display unit."""
    _, factor, offset = display_unit(quantity)
    return value * factor + offset


def kpa(pressure: float) -> float:
    return pressure / 1e3


def psi(pressure: float) -> float:
    return pressure / PSI


def lph(flow: float) -> float:
    return flow * 3.6e6


def rpm(speed: float) -> float:
    return speed * 60.0


def kpa_array(pressure: FloatArray) -> FloatArray:
    return pressure / 1e3


def lph_array(flow: FloatArray) -> FloatArray:
    return flow * 3.6e6


def rpm_array(speed: FloatArray) -> FloatArray:
    return speed * 60.0


def number(value: float | None, digits: int = 3) -> str:
    """About ``digits`` significant digits, no exponent; a dash when there is no number."""
    if value is None or math.isnan(value):
        return DASH
    if math.isinf(value):
        return "no limit" if value > 0 else DASH
    if value == 0.0:
        return "0"
    places = max(0, digits - 1 - math.floor(math.log10(abs(value))))
    text = f"{value:.{min(places, 6)}f}"
    return text.replace("-", "−") if float(text) else text.lstrip("-")


def whole(value: float | None) -> str:
    """Rounded to a whole number, with a true minus sign."""
    if value is None or not math.isfinite(value):
        return DASH
    return f"{round(value):d}".replace("-", "−")


def both_pressures(pressure: float) -> str:
    """kPa first, psi behind it: gauges come in either."""
    if not math.isfinite(pressure):
        return DASH
    return f"{whole(kpa(pressure))} kPa ({whole(psi(pressure))} psi)"


def probability(share: float, samples: int = 400) -> str:
    """A share of samples as a percentage that claims no more than the samples can carry.

    When every sample agrees, n samples bound the rest below 3/n with 95 % confidence (the rule
    of three, Hanley and Lippman-Hand 1983), so 100 % and 0 % are never printed.
    """
    if math.isnan(share):
        return "not known"
    rest = min(0.5, 3.0 / max(samples, 1))
    edge = max(1, math.ceil(rest * 100.0 - 1e-9))
    if share * 100.0 > 99.5 - 1e-9 or share >= 1.0:
        return f">{100 - edge} %"
    if share * 100.0 < 0.5 + 1e-9:
        return f"<{edge} %"
    return f"{min(99, max(1, round(share * 100.0)))} %"


def likelihood(share: float) -> str:
    """The same in words."""
    if math.isnan(share):
        return "not known"
    steps = (
        (0.99, "almost certain"),
        (0.95, "very likely"),
        (0.80, "likely"),
        (0.55, "more likely than not"),
        (0.45, "even odds"),
        (0.20, "unlikely"),
        (0.05, "very unlikely"),
    )
    for least, words in steps:
        if share >= least:
            return words
    return "almost certainly not"
