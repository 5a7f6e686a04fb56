"""Bringing logs in, beside polars' own bare reader on the same file in the same run.

The import is measured whole: dialect, table, Parquet, copy of the original, clock, columns judged
and confirmed. The bare reader only makes a frame in memory of the same text.
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
from keyturn.logs.parquet import read_frame
from keyturn.logs.pyramid import Pyramid
from keyturn.logs.sniff import sniff
from keyturn.logs.table import convert
from keyturn.tasks.check import check
from keyturn.tasks.log import import_log, recording
from keyturn.tasks.log_findings import findings
from keyturn.tasks.new import new
from report import Report, measure

ROOT = Path(__file__).resolve().parents[2]
ROWS = 1_000_000
BIG = 10_000_000
NAMES = (
    "Time (s)", "RPM", "MAP (kPa abs)", "Fuel Pressure (psi gauge)", "Lambda", "Injector Duty (%)",
    "Battery (V)", "IAT (°C)", "CLT (°C)", "TPS (%)", "Knock Retard (deg)", "Fuel Temp (°C)",
)  # fmt: skip
DIGITS = (2, 0, 1, 1, 3, 1, 2, 0, 0, 1, 1, 1)
MEMORY = """
import sys
sys.path[:0] = {paths!r}
from keyturn.tasks.log import import_log
brought = import_log({car!r}, {log!r}, confirm=True)
with open("/proc/self/status") as lines:
    peak = next(int(line.split()[1]) / 1024 for line in lines if line.startswith("VmHWM"))
print(brought.rows, len(brought.recording.channels), peak)
"""


def run(report: Report) -> None:
    """All rows of this case."""
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        log = _written(place / "drive.csv", ROWS)
        _import(report, place, log)
        _analysis(report, place)
        _picture(report, place)
        log.unlink()
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


def _import(report: Report, place: Path, log: Path) -> None:
    car = place / "car"
    new(car, "van-roots")
    target = place / "table.parquet"

    def whole() -> None:
        for made in ("logs", "made"):
            shutil.rmtree(car / made, ignore_errors=True)
        brought = import_log(car, log, confirm=True)
        if brought.recording is None or len(brought.recording.channels) != len(NAMES) - 1:
            raise RuntimeError("the log of the benchmark was not taken whole")

    bare = measure(lambda: pl.read_csv(log), times=7)
    report.row("polars, bare reader, 1e6 x 12", bare, ROWS, "rows")
    frame = place / "frame.parquet"
    both = measure(lambda: pl.read_csv(log).write_parquet(frame, compression="uncompressed"))
    report.row("polars, bare reader and Parquet, 1e6 x 12", both, ROWS, "rows")
    table = measure(lambda: convert(log, sniff(log), target), times=7)
    report.row("dialect and Parquet, 1e6 x 12", table, ROWS, "rows")
    all_of_it = measure(whole, times=7)
    report.row("import whole, 1e6 x 12", all_of_it, ROWS, "rows")
    print(f"table from text beside polars reading and writing: {both.cpu / table.cpu:.2f}, CPU")
    report.want("table from text / bare reader, speed", bare.wall / table.wall, ">=", 0.8)
    report.want("import whole / bare reader, speed", bare.wall / all_of_it.wall, ">=", 0.8)


def _analysis(report: Report, place: Path) -> None:
    """Reading the table and judging all of it; the model's answer is at hand, as on the page."""
    car = place / "car"
    build = load(car)
    prediction = check(build)
    kept = recording(car, "drive.csv")
    cost = measure(lambda: findings(car, kept, prediction), times=5)
    report.row("full analysis of an imported log, 1e6 x 12", cost, ROWS, "rows")

    def again() -> None:
        for made in ("logs", "made"):
            shutil.rmtree(car / made, ignore_errors=True)
        import_log(car, place / "drive.csv", confirm=True)

    bare = measure(again, times=5)
    report.want("full analysis / import, time", cost.wall / bare.wall, "<=", 2.0)


def _picture(report: Report, place: Path) -> None:
    car = place / "car"
    traces = ("engine_speed", "manifold_pressure", "rail_gauge", "lambda")

    def first() -> list[Pyramid]:
        frame = read_frame(recording(car, "drive.csv"), traces)
        made = [Pyramid(frame.time, frame[name]) for name in traces]
        for one in made:
            one.whole(1200)
        return made

    cost = measure(first, times=5)
    report.row("first picture of an imported log, 4 traces", cost)
    report.want("first picture of an imported log [s]", cost.wall, "<=", 1.0)
    made = first()
    rng = np.random.default_rng(1)
    end = float(made[0].time[-1])

    def zoom() -> None:
        middle, width = rng.uniform(0, end), end * 10 ** rng.uniform(-4, 0)
        for one in made:
            one.view(max(0.0, middle - width), min(end, middle + width), 1200)

    report.row("a zoom, 4 traces of 1e6 samples, 1200 pixels", measure(zoom, times=50))


def _memory(report: Report, place: Path) -> None:
    log = _written(place / "long.csv", BIG)
    car = place / "long-car"
    new(car, "van-roots")
    code = MEMORY.format(paths=[str(ROOT / "src")], car=str(car), log=str(log))
    answer = subprocess.run([sys.executable, "-c", code], capture_output=True, check=True)
    rows, _, peak = (float(item) for item in answer.stdout.split())
    print(f"{rows:.0f} rows imported, peak {peak:.0f} MB", flush=True)
    report.want("peak memory, 1e7 rows x 12 [MB]", peak, "<=", 2048.0)
