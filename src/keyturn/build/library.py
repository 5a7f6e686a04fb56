"""Generic entries by name: fuels, hose and tube sizes, wire sizes, fittings."""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import cache
from typing import Any

from keyturn.build.schema import read_data

WIRE = re.compile(r"\s*(?:(\d{1,2})\s*AWG|AWG\s*(\d{1,2}))\s*", re.I)


@cache
def fuels() -> Mapping[str, Mapping[str, Any]]:
    """Fuel name -> properties in SI, with ``spread`` and ``sources`` tables."""
    return {name: row for name, row in read_data("fuels.toml").items() if isinstance(row, dict)}


@cache
def entries(name: str) -> Mapping[str, Mapping[str, Any]]:
    """Rows of one library ("hoses", "fittings", "wires") by name."""
    found: dict[str, Mapping[str, Any]] = {}
    try:
        data = read_data(f"{name}.toml")
    except FileNotFoundError:
        return found
    for rows in data.values():
        if isinstance(rows, list):
            found.update({row["name"]: row for row in rows})
    return found


def wire_gauge(text: str) -> int | None:
    """The gauge number of "12 AWG", None when the text is no gauge."""
    match = WIRE.fullmatch(text)
    return int(match[1] or match[2]) if match else None
