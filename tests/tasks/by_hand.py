"""A watch whose values a test hands over itself, on a car with its hold points out of the way."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

import keyturn
from keyturn.logs.live import Sample, steady
from keyturn.tasks import ladder as ladder_task
from keyturn.tasks import watch as task
from keyturn.tasks.watch_kept import Ended

EXAMPLES = Path(keyturn.__file__).parent / "examples"
KEY_ON = {"rail_gauge": 313e3, "manifold_pressure": 99.2e3, "engine_speed": 0.0, "voltage": 12.4}
YES = {"nothing-new": "yes"}


class Nothing:
    """Stands where the source is; the test hands the values over itself."""

    def run(self, *_: object) -> None: ...


def unplugged(patch: pytest.MonkeyPatch | None = None) -> None:
    """No source, and no hold point in the way; for the rest of a program without ``patch``."""
    rows = (ladder_task, "_barred", lambda plan, row: ()), (task, "_source", lambda *_: Nothing())
    for where, name, value in rows:
        (patch.setattr if patch is not None else setattr)(where, name, value)  # type: ignore[arg-type]


def pickup(folder: Path, patch: pytest.MonkeyPatch) -> Path:
    """A pickup with all its hold points out of the way."""
    shutil.copytree(EXAMPLES / "pickup-screw", folder / "car")
    unplugged(patch)
    return folder / "car"


def begun(
    car: Path, seconds: float, step: str = "L0", source: str = "obd:socketcan:can0"
) -> task.Watch:
    """A watch that began so long ago and keeps its record; its values are handed over by hand."""
    made = task.Watch(car, source, step)
    made._keep(task._path(car / "logs"), steady() - seconds)
    return made


def given(
    car: Path,
    parts: tuple[tuple[float, dict[str, float]], ...],
    step: str = "L0",
    source: str = "obd:socketcan:can0",
) -> task.Watch:
    """A watch that saw each of the values for so many seconds, twenty times a second."""
    made = begun(Path(car), sum(part[0] for part in parts), step, source)
    at = made._began
    for seconds, values in parts:
        for number in range(round(seconds * 20)):
            if values:
                made.take([Sample(k, v) for k, v in values.items()], at + number / 20)
        at += seconds
    return made


def ended(car: Path, *parts: tuple[float, dict[str, float]], step: str = "L0",
          source: str = "obd:socketcan:can0") -> Ended:  # fmt: skip
    """The same, ended."""
    return given(car, parts, step, source).stop()


def low(car: Path) -> float:
    """Abort number of the rail pressure, key on [Pa]."""
    return ladder_task.watched(car, "L0").bounds["rail-pressure"]
