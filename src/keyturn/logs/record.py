"""The record of a watch: a CSV in logs/, one line for every group of values as it came."""

from __future__ import annotations

import csv
import math
import os
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from keyturn.logs.append import AGAIN, WAITING, Appender, Write

TIME, EVENT = "time (s)", "event"


@dataclass(frozen=True)
class Column:
    """One channel as it is written: (value - ``offset``) / ``scale``."""

    channel: str
    head: str  # "rail_gauge (kPa gauge)"
    scale: float = 1.0
    offset: float = 0.0


COLUMNS = (
    Column("engine_speed", "engine_speed (rpm)", 1 / 60),
    Column("manifold_pressure", "manifold_pressure (kPa absolute)", 1e3),
    Column("rail_gauge", "fuel_pressure (kPa gauge)", 1e3),
    Column("across_injector", "differential_fuel_pressure (kPa)", 1e3),
    Column("duty", "injector_duty (%)", 0.01),
    Column("injector_pulse", "injector_pulse_width (ms)", 1e-3),
    Column("lambda", "lambda"),
    Column("lambda_target", "lambda_target"),
    Column("voltage", "voltage (V)"),
    Column("fuel_temperature", "fuel_temperature (°C)", 1.0, 273.15),
    Column("inlet_temperature", "inlet_air_temperature (°C)", 1.0, 273.15),
    Column("coolant_temperature", "coolant_temperature (°C)", 1.0, 273.15),
    Column("throttle", "throttle_position (%)", 0.01),
    Column("knock_retard", "knock_retard (deg)", 0.017453292519943295),
    Column("air_flow", "mass_air_flow (g/s)", 1e-3),
    Column("fuel_flow", "fuel_flow (L/h)", 1e-3 / 3600),
    Column("vehicle_speed", "vehicle_speed (km/h)", 1 / 3.6),
    Column("barometer", "barometric_pressure (kPa absolute)", 1e3),
)


HEAD = (TIME, *(column.head for column in COLUMNS), EVENT)


class Recorder(Appender):
    """Appends the values of a watch, and in words what happened."""

    def __init__(
        self, path: Path, write: Write = os.write, again: float = AGAIN, waiting: int = WAITING
    ) -> None:
        super().__init__(path, f"{','.join(HEAD)}\n".encode(), write, again, waiting)

    def put(self, at: float, values: Mapping[str, float], event: str = "") -> None:
        """Hand a line over; it is acknowledged when it is counted in ``acknowledged``."""
        cells = [f"{at:.4f}"]
        for column in COLUMNS:
            value = values.get(column.channel, math.nan)
            known = math.isfinite(value)
            cells.append(f"{(value - column.offset) / column.scale:.9g}" if known else "")

        def line(lost: int) -> bytes:
            words = f"{event} {lost} lines before this one were lost" if lost else event
            cells.append(f'"{one_line(words)}"' if words else "")
            return (",".join(cells) + "\n").encode()

        self.append(line, urgent=bool(event))


@dataclass(frozen=True)
class Line:
    """One line of a record, read back."""

    at: float  # [s]
    values: Mapping[str, float]  # SI, by channel
    event: str


def read_back(path: Path) -> Iterator[Line | None]:
    """The whole lines of a record in their order; None for one that cannot be read.

    What stands behind the last end of a line was never acknowledged and is left out.
    """
    with path.open("rb") as stream:
        for number, raw in enumerate(stream):
            if not raw.endswith(b"\n"):
                return
            try:
                cells = next(csv.reader([raw.decode("utf-8", "replace").rstrip("\n")]), [])
            except csv.Error:
                cells = []
            if number == 0 and tuple(cells) == HEAD:
                continue
            yield _line(cells)


def _line(cells: Sequence[str]) -> Line | None:
    if len(cells) != len(HEAD):
        return None
    try:
        at, *numbers = [float(cell) if cell else math.nan for cell in cells[:-1]]
    except ValueError:
        return None
    if not math.isfinite(at):
        return None
    found = {
        column.channel: number * column.scale + column.offset
        for column, number in zip(COLUMNS, numbers, strict=True)
        if math.isfinite(number)
    }
    return Line(at, found, cells[-1])


def one_line(text: str) -> str:
    """Words as they stand in a record."""
    return " ".join(text.replace('"', "'").split())
