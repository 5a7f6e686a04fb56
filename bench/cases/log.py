"""Bringing logs in, beside polars' own bare reader on the same file in the same run.

The import is measured whole: dialect, table on disk, clock, gaps, columns judged and confirmed. The
bare reader only makes a frame in memory of the same text.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
import polars as pl

from keyturn.build.read import load
from keyturn.logs.pyramid import Pyramid
from keyturn.logs.sniff import sniff
from keyturn.logs.stored import read_frame
from keyturn.logs.table import convert
from keyturn.tasks.check import check
from keyturn.tasks.log import import_log, recording
from keyturn.tasks.log_findings import findings
from keyturn.tasks.new import new
from report import Cost, Report, measure

ROOT = Path(__file__).resolve().parents[2]
ROWS = 1_000_000
PICTURE = 1_600_000  # rows of 100 MB
BIG = 10_000_000
NAMES = (
    "Time (s)", "RPM", "MAP (kPa abs)", "Fuel Pressure (psi gauge)", "Lambda", "Injector Duty (%)",
    "Battery (V)", "IAT (°C)", "CLT (°C)", "TPS (%)", "Knock Retard (deg)", "Fuel Temp (°C)",
)  # fmt: skip
DIGITS = (2, 0, 1, 1, 3, 1, 2, 0, 0, 1, 1, 1)
# The peak of the address space itself: ru_maxrss would count in what the parent held at the fork.
MEMORY = """
import sys
sys.path[:0] = {paths!r}
from keyturn.tasks.log import import_log
from keyturn.tasks.log_findings import findings

def peak():
    with open("/proc/self/status") as lines:
        return next(int(line.split()[1]) / 1024 for line in lines if line.startswith("VmHWM"))

brought = import_log({car!r}, {log!r}, confirm=True)
first = peak()
found = findings({car!r}, brought.recording)
print(brought.rows, len(found.found.stretches), first, peak())
"""


def run(report: Report) -> None:
    """All rows of this case."""
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        log = _written(place / "drive.csv", ROWS)
        brought = _import(report, place, log)
        _analysis(report, place, brought)
        log.unlink()
        _picture(report, place)
        _memory(report, place)


def _written(path: Path, rows: int) -> Path:
    """An invented drive in pieces, so that writing it needs no memory."""
    rng = np.random.default_rng(3)
    with path.open("wb") as stream:
        for start in range(0, rows, ROWS):
            frame = _piece(start, min(ROWS, rows - start), rng)
            frame.write_csv(stream, include_header=start == 0)
    return path


def _piece(start: int, rows: int, rng: np.random.Generator) -> pl.DataFrame:
    time = (start + np.arange(rows)) / 100.0
    load = np.clip(np.sin(time / 7.0), 0.0, 1.0)
    speed = 850.0 + 4000.0 * load + rng.normal(0, 9, rows)
    manifold = 38.0 + 130.0 * load + rng.normal(0, 1, rows)
    columns = (
        time, speed, manifold, 43.5 + rng.normal(0, 0.4, rows), 1.0 - 0.17 * load,
        manifold * speed / 11e3, 13.9 + rng.normal(0, 0.04, rows), 30 + 20 * load,
        88 + rng.normal(0, 1, rows), 8 + 85 * load, np.maximum(rng.normal(-2, 1, rows), 0),
        35 + 4 * load,
    )  # fmt: skip
    rounded = (np.round(c, d) for c, d in zip(columns, DIGITS, strict=True))
    return pl.DataFrame(dict(zip(NAMES, rounded, strict=True)))


def _import(report: Report, place: Path, log: Path) -> Cost:
    """The goal is for a log that lies in logs/, as an upload does; one is also copied there."""
    car, target = place / "car", place / "table.arrow"
    new(car, "van-roots")
    inside = car / "logs" / log.name

    def cleared() -> None:
        for made in ("logs", "made"):
            shutil.rmtree(car / made, ignore_errors=True)

    def lying_there() -> None:
        cleared()
        inside.parent.mkdir(exist_ok=True)
        shutil.copyfile(log, inside)

    def brought(file: Path) -> None:
        found = import_log(car, file, confirm=True).recording
        if found is None or len(found.channels) != len(NAMES) - 1 or found.rows != ROWS:
            raise RuntimeError("the log of the benchmark was not taken whole")

    bare = measure(lambda: pl.read_csv(log), times=9)
    report.row("polars, bare reader, 1e6 x 12", bare, ROWS, "rows")
    table = measure(lambda: convert(log, sniff(log), target), times=9)
    report.row("dialect and table on disk, 1e6 x 12", table, ROWS, "rows")
    copied = measure(lambda: brought(log), times=9, before=cleared)
    report.row("import whole, with a copy of the original", copied, ROWS, "rows")
    whole = measure(lambda: brought(inside), times=9, before=lying_there)
    report.row("import whole of a log in logs/", whole, ROWS, "rows")
    for name, cost in (("table", table), ("import in logs/", whole), ("with copy", copied)):
        wall, cpu = bare.wall / cost.wall, bare.cpu / cost.cpu
        print(f"{name} beside the bare reader: {wall:.2f} by the clock, {cpu:.2f} by CPU time")
    report.want("table from text / bare reader, speed", bare.wall / table.wall, ">=", 0.8)
    report.want("import whole / bare reader, speed", bare.wall / whole.wall, ">=", 0.8)
    return whole


def _analysis(report: Report, place: Path, whole: Cost) -> None:
    """Reading the table and judging all of it; the model's answer is at hand, as on the page."""
    car = place / "car"
    prediction = check(load(car))
    kept = recording(car, "drive.csv")
    cost = measure(lambda: findings(car, kept, prediction), times=5)
    report.row("full analysis of an imported log, 1e6 x 12", cost, ROWS, "rows")
    report.want("full analysis / import, time", cost.wall / whole.wall, "<=", 2.0)


def _picture(report: Report, place: Path) -> None:
    """A log of 100 MB that was imported before: from the click to the traces of the whole."""
    car, name = place / "car", "hundred.csv"
    log = _written(car / "logs" / name, PICTURE)
    if log.stat().st_size < 100e6:
        raise RuntimeError("the log of the first picture is smaller than stated")
    import_log(car, log, confirm=True)
    traces = ("engine_speed", "manifold_pressure", "rail_gauge", "lambda")

    def first() -> list[Pyramid]:
        frame = read_frame(recording(car, name), traces)
        made = [Pyramid(frame.time, frame[name]) for name in traces]
        for one in made:
            one.whole(1200)
        return made

    cost = measure(first, times=5)
    report.row("first picture of an imported log of 100 MB, 4 traces", cost)
    report.want("first picture of an imported log of 100 MB [s]", cost.wall, "<=", 1.0)
    made = first()
    rng = np.random.default_rng(1)
    end = float(made[0].time[-1])

    def zoom() -> None:
        middle, width = rng.uniform(0, end), end * 10 ** rng.uniform(-4, 0)
        for one in made:
            one.view(max(0.0, middle - width), min(end, middle + width), 1200)

    report.row("a zoom, 4 traces of 1.6e6 samples, 1200 pixels", measure(zoom, times=50))


def _memory(report: Report, place: Path) -> None:
    car = place / "long-car"
    new(car, "van-roots")
    (car / "logs").mkdir(exist_ok=True)
    log = _written(car / "logs" / "long.csv", BIG)
    code = MEMORY.format(paths=[str(ROOT / "src")], car=str(car), log=str(log))
    answer = subprocess.run([sys.executable, "-c", code], capture_output=True, check=True)
    rows, stretches, first, peak = (float(item) for item in answer.stdout.split())
    if rows != BIG or not stretches:
        raise RuntimeError("the long log was not taken or not judged whole")
    print(f"{rows:.0f} rows: peak of the import {first:.0f} MB, with the analysis {peak:.0f} MB")
    report.want("peak memory, import and analysis, 1e7 rows x 12 [MB]", peak, "<=", 2048.0)
