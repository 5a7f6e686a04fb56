"""Long work on logs, run by `jobs` in a process of its own: read, judged, handed to the journal."""

from __future__ import annotations

import io
import json
import shutil
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from keyturn.errors import CannotAnswer, CannotSolve, ValueRefused
from keyturn.logs.frame import Recording, Samples
from keyturn.logs.readings import Measured
from keyturn.report.log_findings_words import findings_json
from keyturn.tasks.files import write_all
from keyturn.tasks.log import import_log, recording
from keyturn.tasks.log_findings import LogResult, findings, hand_over
from keyturn.web.log_files import BEING_READ, DERIVED, JUDGED, WAITING, Log, key, made_folder
from keyturn.web.shelf import Car
from keyturn.web.traces import LARGEST

Progress = Callable[[int, int, str], None]
LOOK_EVERY = 0.2  # [s] between two looks at how much was written
NEARLY = 0.95  # of the bar, at most, before it is known that all was read
# derived channels that are drawn beside the recorded ones
SHOWN = ("across_injector", "across_expected", "fuel_flow", "lambda_aligned", "lambda_wanted")


def bring(progress: Progress, folder: str, file: str) -> dict[str, Any]:
    """Read a file; where its columns are known from an earlier log, judge it too."""
    path, car = Path(file), _car(folder)
    try:
        with _watched(progress, made_folder(car), path.stat().st_size):
            brought = import_log(car.folder, path)
    finally:
        if path.parent.name.startswith(WAITING):
            shutil.rmtree(path.parent, ignore_errors=True)
    if brought.recording is not None:
        # without an answer of the model the log is there all the same; its page says why
        with suppress(CannotAnswer, CannotSolve):
            judge(progress, folder, brought.name)
    return {"log": brought.name, "confirmed": brought.confirmed}


def judge(progress: Progress, folder: str, name: str) -> dict[str, Any]:
    """Hold a confirmed log against the model; the answer is kept beside its table."""
    car = _car(folder)
    log = Log(car, name)
    progress(0, 0, "judged by the model")
    taken = recording(car.folder, name)
    state = key(car, taken)
    found = findings(car.folder, taken)
    derived = io.BytesIO()
    np.savez(derived, **_derived(found, taken))
    text = json.dumps({"key": state, **_answer(found)}, allow_nan=False)
    kept = {log.made(DERIVED).name: derived.getvalue(), log.made(JUDGED).name: text.encode()}
    write_all(made_folder(car), kept)
    return {"log": name, "judged": True}


def take(progress: Progress, folder: str, name: str, chosen: list[str]) -> dict[str, Any]:
    """Hand measured stretches to the journal; what it holds already is stored once."""
    car = _car(folder)
    progress(0, 0, "measured again and stored")
    found = findings(car.folder, recording(car.folder, name))
    some = tuple(one for one in found.measured if stretch_id(one) in chosen)
    if len(some) < len(set(chosen)):
        raise ValueRefused(
            "these stretches are not what the log gives now",
            advice="the build or the columns were changed meanwhile: look at the log again",
        )
    handed = hand_over(car.folder, replace(found, measured=some))
    return {"log": name, "stored": len(handed.readings) - handed.again, "again": handed.again}


def stretch_id(one: Measured) -> str:
    """What a page calls a measured stretch."""
    reading, stretch = one.reading, one.stretch
    value = reading.typed.partition(" ")[0]  # one stretch may give two, at two speeds
    return f"{reading.kind}.{reading.state}.{stretch.first_row}-{stretch.last_row}.{value}"


def _car(folder: str) -> Car:
    return Car(Path(folder).name, Path(folder))


def _answer(result: LogResult) -> dict[str, Any]:
    """Findings, stretches, measured stretches, and the corridor, as plain data in SI."""
    data = findings_json(result.found, result.measured)
    for row, one in zip(data["measured"], result.measured, strict=True):
        row |= {
            "id": stretch_id(one), "start": one.stretch.start, "end": one.stretch.end,
            "typed": one.reading.typed, "speed": one.reading.conditions.engine_speed,
        }  # fmt: skip
    corridor, points = result.check.corridor, result.found.points
    order = np.argsort(corridor.fuel_flow)
    low, middle, high = corridor.across_injector[:, order]
    there = np.isfinite(points.fuel_flow) & np.isfinite(points.across_injector)
    return {
        **data,
        "band": {"flow": _plain(corridor.fuel_flow[order]), "low": _plain(low),
                 "middle": _plain(middle), "high": _plain(high),
                 "wanted": float(result.check.wanted_pressure.p50)},
        "points": {"time": _plain(points.time[there]), "flow": _plain(points.fuel_flow[there]),
                   "across": _plain(points.across_injector[there]),
                   "pull": [bool(one) for one in points.pull[there]]},
    }  # fmt: skip


def _plain(values: Samples) -> list[float | None]:
    return [float(f"{value:.7g}") if np.isfinite(value) else None for value in values.tolist()]


def _derived(result: LogResult, taken: Recording) -> Mapping[str, Any]:
    """Channels that the log does not hold itself."""
    frame = result.found.log.frame
    rows = {name: frame[name] for name in SHOWN if name in frame and name not in taken.channels}
    bounded = {name: np.clip(row, -LARGEST, LARGEST) for name, row in rows.items()}
    return {"time": frame.time, **{name: row.astype(np.float32) for name, row in bounded.items()}}


@contextmanager
def _watched(progress: Progress, made: Path, size: int) -> Iterator[None]:
    """Tell how much has been written so far; the table is about as large as the text."""
    done = threading.Event()

    def look() -> None:
        while not done.wait(LOOK_EVERY):
            with suppress(OSError):
                files = [p for d in made.glob(f"{BEING_READ}*") for p in d.rglob("*")]
                written = sum(path.stat().st_size for path in files if path.is_file())
                progress(min(written, int(NEARLY * size)), max(size, 1), "the file is read")

    progress(0, max(size, 1), "the file is read")
    watcher = threading.Thread(target=look, daemon=True)
    watcher.start()
    try:
        yield
    finally:
        done.set()
        watcher.join()
