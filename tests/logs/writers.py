"""Logs in many dialects, written by writers that know nothing of our reader.

Every log holds the same invented drive. Each writer says what a reader has to find: which rows,
how many gaps and restarts, how many refused lines.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

ROWS = 600
RATE = 20.0
Samples = NDArray[np.float64]


def drive() -> dict[str, Samples]:
    """An invented drive in the units of a usual logger: key on, pump on, idle, a pull, idle."""
    rng = np.random.default_rng(7)
    time = np.round(np.arange(ROWS) / RATE, 2)
    off, pump = time < 3.0, time > 1.5
    pull = np.clip((time - 12.0) / 8.0, 0.0, 1.0) * (time < 20.0)
    speed = np.where(off, 0.0, np.round(820.0 + 3600.0 * pull + rng.normal(0, 8, ROWS)))
    manifold = np.where(
        off, 99.4, np.round(36.0 + 128.0 * np.sqrt(pull) + rng.normal(0, 1, ROWS), 1)
    )
    fuel = np.where(pump, np.round(43.5 + rng.normal(0, 0.3, ROWS), 1), 0.1)
    lam = np.where(pull > 0, 0.83, 1.0) + np.round(rng.normal(0, 0.004, ROWS), 3)
    pulse = np.where(off, 0.0, np.round(0.9 + manifold / 18.0, 2))
    duty = np.round(pulse * speed / 1200.0, 1)
    volts = np.round(np.where(off, 12.4, 13.9) + rng.normal(0, 0.03, ROWS), 2)
    coolant = np.round(20.0 + 2.0 * time, 0)
    return {
        "time": time, "speed": speed, "manifold": manifold, "fuel": fuel, "lambda": lam,
        "pulse": pulse, "duty": duty, "volts": volts, "coolant": coolant,
    }  # fmt: skip


NAMES = (
    "Time (s)", "Engine Speed (rpm)", "MAP (kPa)", "Fuel Pressure (psi)", "Lambda",
    "Inj Pulse Width (ms)", "Injector Duty (%)", "Battery (V)", "Coolant Temp (°C)",
)  # fmt: skip
BARE = tuple(name.partition(" (")[0] for name in NAMES)
UNITS = ("s", "rpm", "kPa", "psi", "λ", "ms", "%", "V", "°C")
# Column of the drive, channel of ours, factor and offset to SI (SI brochure, NIST SP 811).
CHANNELS = {
    "engine_speed": ("speed", 1 / 60, 0.0),
    "manifold_pressure": ("manifold", 1e3, 0.0),
    "rail_gauge": ("fuel", 6894.757293168361, 0.0),
    "lambda": ("lambda", 1.0, 0.0),
    "injector_pulse": ("pulse", 1e-3, 0.0),
    "duty": ("duty", 1e-2, 0.0),
    "voltage": ("volts", 1.0, 0.0),
    "coolant_temperature": ("coolant", 1.0, 273.15),
}


@dataclass
class Written:
    """What a reader has to find; ``rows`` are the rows of the drive that are in the file."""

    rows: NDArray[np.int_] = field(default_factory=lambda: np.arange(ROWS))
    gaps: int = 0
    resets: int = 0
    refused: tuple[int, ...] = ()  # lines of the file, counted from 1
    empty: tuple[tuple[str, int], ...] = ()  # (column of the drive, row) without a value
    time: Samples | None = None  # where it is not the drive's own
    slow: tuple[str, ...] = ()  # columns with a value only in some rows
    mapping: dict[str, str] = field(default_factory=dict)
    time_tolerance: float = 1e-6


Writer = Callable[[Path], Written]
WRITERS: dict[str, tuple[str, Writer]] = {}


def writer(ending: str) -> Callable[[Writer], Writer]:
    def keep(function: Writer) -> Writer:
        WRITERS[function.__name__] = (ending, function)
        return function

    return keep


def cells(decimal: str = ".") -> list[list[str]]:
    """The drive as printed cells, shortest form of each number."""
    columns = list(drive().values())
    rows = [[f"{value:.10g}" for value in row] for row in zip(*columns, strict=True)]
    if decimal == ",":
        rows = [[cell.replace(".", ",") for cell in row] for row in rows]
    return rows


def text(rows: list[list[str]], names: tuple[str, ...] = NAMES, **dialect: object) -> str:
    """Through the csv module."""
    out = io.StringIO()
    write = csv.writer(out, **{"lineterminator": "\n", **dialect})  # type: ignore[arg-type]
    if names:
        write.writerow(names)
    write.writerows(rows)
    return out.getvalue()


def put(path: Path, content: str, encoding: str = "utf-8") -> Written:
    path.write_bytes(content.encode(encoding))
    return Written()


# --- the csv module -------------------------------------------------------------------------


@writer(".csv")
def comma(path: Path) -> Written:
    return put(path, text(cells()))


@writer(".csv")
def semicolon_with_decimal_comma(path: Path) -> Written:
    return put(path, text(cells(","), delimiter=";"))


@writer(".tsv")
def tabs(path: Path) -> Written:
    return put(path, text(cells(), delimiter="\t"))


@writer(".txt")
def tabs_with_decimal_comma(path: Path) -> Written:
    return put(path, text(cells(","), delimiter="\t"))


@writer(".txt")
def pipes(path: Path) -> Written:
    return put(path, text(cells(), delimiter="|"))


@writer(".csv")
def every_cell_quoted(path: Path) -> Written:
    return put(path, text(cells(), quoting=csv.QUOTE_ALL))


@writer(".csv")
def comma_for_both_with_quotes(path: Path) -> Written:
    return put(path, text(cells(","), quoting=csv.QUOTE_ALL))


@writer(".csv")
def windows_line_ends(path: Path) -> Written:
    return put(path, text(cells(), dialect="excel", lineterminator="\r\n"))


@writer(".csv")
def old_line_ends(path: Path) -> Written:
    return put(path, text(cells(), lineterminator="\r"))


@writer(".csv")
def no_last_line_end(path: Path) -> Written:
    return put(path, text(cells()).rstrip("\n"))


@writer(".csv")
def byte_order_mark(path: Path) -> Written:
    return put(path, text(cells()), "utf-8-sig")


@writer(".csv")
def two_bytes_little(path: Path) -> Written:
    return put(path, "\ufeff" + text(cells(), delimiter="\t"), "utf-16-le")


@writer(".csv")
def two_bytes_big(path: Path) -> Written:
    return put(path, "\ufeff" + text(cells(","), delimiter=";"), "utf-16-be")


@writer(".csv")
def western_code_page(path: Path) -> Written:
    return put(path, text(cells(","), delimiter=";"), "cp1252")


@writer(".csv")
def row_of_units(path: Path) -> Written:
    return put(path, text([list(UNITS), *cells()], BARE))


@writer(".csv")
def row_of_units_in_brackets(path: Path) -> Written:
    return put(path, text([[f"[{unit}]" for unit in UNITS], *cells()], BARE, delimiter=";"))


@writer(".csv")
def preamble(path: Path) -> Written:
    head = "Invented logger,v2.1\nVehicle: none\n\nDate,2026-03-01\n" + "".join(
        f"Channel {n},enabled,{n / 7:.3f}\n" for n in range(20)
    )
    return put(path, head + "\n" + text(cells()))


@writer(".log")
def commented_preamble(path: Path) -> Written:
    head = "# invented logger\n# rate: 20 Hz, 9 channels, first: Time\n#\n"
    return put(path, head + text(cells(), delimiter=";"))


@writer(".csv")
def preamble_and_units(path: Path) -> Written:
    head = "Log started;01.03.2026 12:00:01\nSamples;600\n\n"
    return put(path, head + text([list(UNITS), *cells(",")], BARE, delimiter=";"))


@writer(".csv")
def rows_end_with_a_comma(path: Path) -> Written:
    lines = text(cells()).splitlines()
    return put(path, "\n".join([lines[0], *(line + "," for line in lines[1:])]) + "\n")


@writer(".csv")
def all_lines_end_with_a_comma(path: Path) -> Written:
    return put(path, "".join(line + ",\n" for line in text(cells()).splitlines()))


@writer(".csv")
def same_name_twice(path: Path) -> Written:
    rows = [[*row, "0.5"] for row in cells()]
    return put(path, text(rows, (*NAMES, "Lambda")))


@writer(".csv")
def column_without_name(path: Path) -> Written:
    rows = [[*row, "7"] for row in cells()]
    return put(path, text(rows, (*NAMES, "")))


@writer(".csv")
def gap(path: Path) -> Written:
    rows = np.r_[0:200, 300:ROWS]
    put(path, text([cells()[i] for i in rows]))
    return Written(rows, gaps=1)


@writer(".csv")
def clock_starts_again(path: Path) -> Written:
    rows = cells()
    time = drive()["time"].copy()
    for i in range(400, ROWS):
        rows[i][0] = f"{time[i - 400]:.10g}"
    put(path, text(rows))
    # our clock goes on one second after the last row before
    after = time[399] + 1.0 + time[: ROWS - 400]
    return Written(gaps=1, resets=1, time=np.concatenate([time[:400], after]))


@writer(".csv")
def mixed_rates(path: Path) -> Written:
    rows = cells()
    for i, row in enumerate(rows):
        if i % 10:
            row[8] = ""
        if i % 4:
            row[7] = ""
    put(path, text(rows))
    return Written(slow=("coolant", "volts"))


@writer(".csv")
def names_again_in_the_middle(path: Path) -> Written:
    rows = cells()
    return put(path, text([*rows[:300], list(NAMES), *rows[300:]]))


@writer(".csv")
def summary_at_the_end(path: Path) -> Written:
    put(path, text(cells()) + "Samples: 600\nEnd of log\n")
    return Written(refused=(602, 603))


@writer(".csv")
def words_for_nothing(path: Path) -> Written:
    rows = cells()
    marks = ("N/A", "---", "NaN", "#N/A", "null")
    for i, mark in enumerate(marks):
        rows[100 + i][4] = mark
    put(path, text(rows))
    return Written(empty=tuple(("lambda", 100 + i) for i in range(len(marks))))


@writer(".csv")
def padded_cells(path: Path) -> Written:
    lines = [", ".join(name.rjust(12) for name in NAMES)]
    lines += [", ".join(cell.rjust(12) for cell in row) for row in cells()]
    return put(path, "\n".join(lines) + "\n")


@writer(".txt")
def blanks_between(path: Path) -> Written:
    names = [name.replace(" (", "_(").replace(" ", "_") for name in NAMES]
    lines = ["".join(name.rjust(24) for name in names)]
    lines += ["".join(cell.rjust(24) for cell in row) for row in cells()]
    return put(path, "\n".join(lines) + "\n")


@writer(".csv")
def thousands_marks(path: Path) -> Written:
    rows = [[f"{float(cell):,.10g}" for cell in row] for row in cells()]
    return put(path, text(rows))


@writer(".csv")
def powers_of_ten(path: Path) -> Written:
    rows = [[f"{float(cell):.6E}" for cell in row] for row in cells()]
    return put(path, text(rows))


@writer(".csv")
def hours_and_minutes(path: Path) -> Written:
    rows = cells()
    for row, time in zip(rows, drive()["time"], strict=True):
        # over a full minute and a full hour
        whole = 10 * 3600 + 59 * 60 + 45 + time
        row[0] = f"{int(whole // 3600):02d}:{int(whole % 3600 // 60):02d}:{whole % 60:06.3f}"
    return put(path, text(rows, ("Time", *NAMES[1:])))


@writer(".csv")
def date_and_time(path: Path) -> Written:
    rows = cells()
    for row, time in zip(rows, drive()["time"], strict=True):
        day, rest = (28, time + 86385) if time < 15 else (29, time - 15)
        clock = f"{int(rest // 3600):02d}:{int(rest % 3600 // 60):02d}:{rest % 60:06.3f}"
        row[0] = f"2026-03-{day}T{clock}Z"
    return put(path, text(rows, ("Timestamp", *NAMES[1:])))


@writer(".csv")
def milliseconds(path: Path) -> Written:
    rows = cells()
    for row in rows:
        row[0] = str(round(float(row[0]) * 1000))
    return put(path, text(rows, ("Time (ms)", *NAMES[1:])))


@writer(".csv")
def seconds_since_1970(path: Path) -> Written:
    rows = cells()
    for row in rows:
        row[0] = str(1772366400000 + round(float(row[0]) * 1000))
    return put(path, text(rows, ("Timestamp", *NAMES[1:])))


@writer(".csv")
def coarse_clock(path: Path) -> Written:
    rows = cells()
    for row in rows:
        row[0] = str(int(float(row[0]))) + ".0"
    put(path, text(rows))
    return Written(time_tolerance=1e-9, mapping={"time": "Time (s) as s"})


@writer(".csv")
def cut_off(path: Path) -> Written:
    content = text(cells())
    put(path, content[: content.rindex(",", 0, len(content) - 12)])
    return Written(np.arange(ROWS - 1), refused=(601,))


@writer(".csv")
def hole_of_zero_bytes(path: Path) -> Written:
    lines = text(cells()).splitlines(keepends=True)
    lines[301] = "\x00" * 40 + "\n"
    put(path, "".join(lines))
    return Written(np.r_[0:300, 301:ROWS], refused=(302,))


@writer(".csv")
def rows_of_wrong_width(path: Path) -> Written:
    lines = text(cells()).splitlines(keepends=True)
    lines[50] = "1,2,3\n"
    lines[70] = lines[70].rstrip("\n") + ",9,9,9\n"
    put(path, "".join(lines))
    return Written(np.r_[0:49, 50:69, 70:ROWS], refused=(51, 71))
