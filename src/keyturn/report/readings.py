"""Readings of the journal in words and as plain data."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from keyturn import units
from keyturn.errors import BuildError
from keyturn.evidence.reading import Reading, kinds, to_row
from keyturn.glossary import unit_of

SCHEMA = "keyturn.read.v1"
MARKS = {"kept": "", "suspected": "suspected", "replaced": "replaced", "withdrawn": "taken out"}
HEAD = ("no.", "kind", "state", "typed", "taken as", "error", "")


def to_json(readings: Sequence[Reading], refused: Sequence[BuildError] = ()) -> dict[str, Any]:
    """Plain data; values and spreads in the SI unit beside them."""
    rows = []
    for reading in readings:
        name = kinds()[reading.kind].quantity
        unit = "-" if name == "yes_no" else unit_of(name)
        rows.append({**to_row(reading), "quantity": name, "unit": unit})
    return {
        "schema": SCHEMA,
        "readings": rows,
        "refused": [
            {"line": fault.place.line, "key": fault.place.key, "problem": fault.problem}
            for fault in refused
        ],
    }


def listing(readings: Sequence[Reading]) -> str:
    """A table of readings, with a line of its own for every open suspicion."""
    if not readings:
        return "no readings yet; store one with: keyturn read BUILD KIND VALUE --state STATE"
    rows = [HEAD, *(_cells(reading) for reading in readings)]
    widths = [max(len(row[column]) for row in rows) for column in range(len(HEAD))]
    lines = [
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
        for row in rows
    ]
    open_ones = [reading for reading in readings if reading.status == "suspected"]
    lines += [f"reading {reading.id} is kept apart: {reading.suspicion}" for reading in open_ones]
    return "\n".join(lines)


def _cells(reading: Reading) -> tuple[str, ...]:
    mark = MARKS[reading.status]
    if reading.corrects:
        mark = f"{mark}, in place of {reading.corrects}".removeprefix(", ")
    return (
        str(reading.id), reading.kind, _state(reading), reading.typed,
        *_numbers(reading), mark,
    )  # fmt: skip


def _state(reading: Reading) -> str:
    said = reading.conditions
    words = [reading.state]
    if said.engine_speed is not None:
        words.append(units.show(said.engine_speed, "engine_speed", "rpm", 4))
    if said.reference is not None:
        words.append(f"hose {said.reference}")
    if said.isolated is not None:
        words.append(f"{said.isolated} closed")
    if said.lent is not None:
        words.append(f"{said.lent} lent")
    if said.renewed is not None:
        words.append(f"{said.renewed} renewed")
    if said.pressure_gauge is not None:
        before = "from" if reading.kind == "pressure-held" else "at"
        words.append(f"{before} {units.show(said.pressure_gauge, 'pressure_gauge', digits=3)}")
    if said.duration is not None:
        words.append(f"{said.duration:g} s")
    return ", ".join(words)


def _numbers(reading: Reading) -> tuple[str, str]:
    """Value and error in one unit, the error to two digits and the value no finer than it."""
    name = kinds()[reading.kind].quantity
    if name == "yes_no":
        return ("yes" if reading.value else "no"), ""
    value = units.from_si(reading.value, name)
    spread = abs(units.from_si(reading.value + reading.spread, name) - value)
    unit = units.show(1.0, name).partition(" ")[2]
    places = max(0, 1 - math.floor(math.log10(spread))) if spread > 0.0 else 2
    side = " abs" if name == "pressure" else ""
    return f"{value:.{places}f} {unit}{side}".strip(), f"± {spread:.2g} {unit}".strip()


def rows(readings: Sequence[Reading]) -> list[dict[str, Any]]:
    """Every reading in the words of a table, the newest first."""
    return [
        {
            "id": reading.id,
            "kind": reading.kind.replace("-", " "),
            "state": _state(reading),
            "typed": reading.typed,
            "taken": _numbers(reading)[0],
            "error": _numbers(reading)[1],
            "status": reading.status,
            "mark": MARKS[reading.status],
            "corrects": reading.corrects,
            "suspicion": reading.suspicion,
            "instrument": reading.instrument,
            "note": reading.note,
            "recorded": reading.recorded,
        }
        for reading in reversed(readings)
    ]
