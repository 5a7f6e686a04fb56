"""The table of units: SI = number * factor + offset, per quantity of the glossary."""

from __future__ import annotations

from functools import cache
from typing import Any

from fastapi import APIRouter
from starlette.responses import JSONResponse, Response

from keyturn import units
from keyturn.glossary import Quantity, quantities
from keyturn.web.words import unit_words

router = APIRouter()

# quantities that share one choice of unit; the others go by their first unit
GROUPS = {
    "kPa": ("pressure", "Pressure"), "bar": ("pressure", "Pressure"),
    "L/h": ("flow", "Fuel flow"), "cm3/min": ("injector flow", "Injector flow"),
    "g/s": ("air flow", "Air flow"), "degC": ("temperature", "Temperature"),
    "mm": ("size", "Diameter and size"), "m": ("length", "Length and height"),
    "L": ("volume", "Volume"), "kW": ("power", "Power"), "N": ("force", "Force"),
    "m/s": ("speed", "Belt speed"), "kg": ("mass", "Mass"), "N m": ("torque", "Torque"),
    "%": ("share", "Share"),
}  # fmt: skip


@router.get("/api/units")
def table() -> Response:
    return JSONResponse({"quantities": _table()}, headers={"Cache-Control": "max-age=60"})


@cache
def _table() -> dict[str, Any]:
    return {name: _row(row) for name, row in quantities().items() if row.display}


def _row(row: Quantity) -> dict[str, Any]:
    group, words = GROUPS.get(row.display[0], (row.display[0], row.meaning))
    return {"meaning": row.meaning, "group": group, "group_words": words,
            "units": [_unit(word, row.name) for word in row.display]}  # fmt: skip


def _unit(word: str, name: str) -> dict[str, Any]:
    bare = "" if word == "-" else word
    zero = units.from_si(0.0, name, bare)
    factor = 1.0 / (units.from_si(1.0, name, bare) - zero)
    return {"word": word, "shown": unit_words(word), "factor": factor, "offset": -zero * factor}
