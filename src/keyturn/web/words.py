"""Words of the pages that no other floor has."""

from __future__ import annotations

SHOWN = {"rpm": "rev/min", "degC": "°C", "degF": "°F", "cm3/min": "cm³/min", "mohm": "mΩ",
         "ohm": "Ω", "mm2": "mm²", "cm2": "cm²", "-": "", "cm3": "cm³", "in3": "in³",
         "kg/m3": "kg/m³", "deg": "°"}  # fmt: skip


def unit_words(unit: str) -> str:
    """A unit as it is read, not as it is typed."""
    return SHOWN.get(unit, unit)
