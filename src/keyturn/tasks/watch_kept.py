"""What a watch leaves on the disk beside its record, so that it is found again by any program.

When it begins: the limits it goes by, the car and its journal as they stood. When it ends: what
speaks against a clean step. A watch whose program was killed has no end; it is judged by its
record then, and is never clean: what was cried after its last line nobody knows.
"""

from __future__ import annotations

import errno
import hashlib
import json
import os
import re
import sys
import time
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

from keyturn.build.read import BUILD_FILE, load
from keyturn.errors import CannotAnswer, FileRefused, KeyturnError, Place, ValueRefused
from keyturn.journal.store import opened
from keyturn.logs.alarm import Numbers
from keyturn.logs.live import Sample
from keyturn.logs.record import one_line, read_back
from keyturn.logs.session import LOST, Session
from keyturn.logs.witness import Worst
from keyturn.tasks.files import write_all
from keyturn.tasks.log import ORIGINALS
from keyturn.tasks.read import folder_of

HOME = Path(ORIGINALS) / "watch"  # what goes with the records: no tables, so not in logs/ itself
HELD = (errno.EAGAIN, errno.EACCES)  # what a lock that another one has is answered with
TRIES, BETWEEN = 5, 0.02  # [s] for the lock
ONE = "running"  # held by the program that watches this car
MOST_BYTES = 32 << 20  # of a record that is judged again: 750,000 lines, half a minute
SILENT = "NO SIGNAL: "
BEGAN = re.compile(r"(alarm|lost|unrecorded) began: (.*)")
MISSING = re.compile(r"(\d+) lines before this one were lost")


@dataclass(frozen=True)
class Standing:
    """The car and its journal at one moment."""

    name: str
    revision: str  # of build.toml
    entry: int  # the last one of the journal


@dataclass(frozen=True)
class Begun:
    """What is known of a watch before its first value."""

    number: int  # of this car, counted up: the clock of the wall may be set back
    record: str  # name of its record
    step: str
    source: str
    open: bool
    seconds: float  # that the step lasts
    numbers: Numbers
    car: Standing
    frames: str = ""  # name of the file of raw frames

    @property
    def words(self) -> str:
        """How its record begins."""
        return one_line(f"watch of {self.step} by {self.source}")


@dataclass(frozen=True)
class Ended:
    """What a watch leaves behind."""

    step: str
    path: Path  # the record
    lines: int  # acknowledged
    unwritten: int  # lines and frames that the disk did not take
    seconds: float
    crossed: tuple[str, ...]  # every alarm there ever was, in its first words
    unwatched: tuple[str, ...]  # measures of the step that no signal was seen of
    source: str
    open: bool  # whether the step was open when the watch began
    record: tuple[str, ...]  # measures that the step records
    worst: Mapping[str, Worst]  # of each measure, for the ladder
    against: tuple[str, ...]  # why the step was not driven clean; empty: nothing speaks against it
    car: Standing  # when the watch began
    frames: Path | None = None  # every frame of the bus, where there is one
    frame_lines: int = 0
    cut: bool = False  # its program ended without ending it


def standing(folder: Path, name: str) -> Standing:
    """The car of that name and its journal as they are now."""
    try:
        revision = hashlib.sha256((folder / BUILD_FILE).read_bytes()).hexdigest()
    except OSError as error:
        raise FileRefused(f"cannot be read: {error.strerror or error}",
                          Place(file=BUILD_FILE)) from error  # fmt: skip
    with opened(folder) as book:
        entries = book.entries()
    return Standing(name, revision, entries[-1].id if entries else 0)


class Only:
    """Lets one watch at a time run on a car; let go by the system when the program ends."""

    def __init__(self, folder: Path) -> None:
        self._file = _locked(folder / HOME)
        for _ in range(TRIES):  # somebody may just have looked whether one runs
            if self._file is None:
                time.sleep(BETWEEN)
                self._file = _locked(folder / HOME)
        if self._file is None:
            raise ValueRefused(
                "a watch of this car is running already",
                advice="stop it first, or look at it there",
            )

    def close(self) -> None:
        """Let the next one begin."""
        if self._file is not None:
            os.close(self._file)
        self._file = None


def runs(folder: Path) -> bool:
    """Whether some program watches this car now."""
    if not (folder / HOME / ONE).exists():
        return False
    file = _locked(folder / HOME, alone=False)
    if file is not None:
        os.close(file)
    return file is None


def _locked(home: Path, alone: bool = True) -> int | None:
    """The open file under which one watch runs; None where another one holds it.

    Those who only look do not keep each other out.
    """
    try:
        home.mkdir(parents=True, exist_ok=True)
        file = os.open(home / ONE, os.O_RDWR | os.O_CREAT, 0o644)
    except OSError as error:
        raise FileRefused(
            f"a recording cannot be begun: {error.strerror or error}", Place(file=HOME.as_posix()),
            "a build folder that may be written, with free space",
        ) from error  # fmt: skip
    try:
        if sys.platform == "win32":
            import msvcrt

            msvcrt.locking(file, msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(file, (fcntl.LOCK_EX if alone else fcntl.LOCK_SH) | fcntl.LOCK_NB)
    except OSError as error:
        if error.errno in HELD:
            os.close(file)
            return None
        # a file system without locks keeps nobody out, and keeps nobody from watching
    return file


def next_number(folder: Path) -> int:
    """Higher than that of every watch before."""
    return max((begun.number for begun, _ in _all(folder)), default=0) + 1


def keep(folder: Path, begun: Begun, ended: Ended | None = None) -> None:
    """Write it down, whole or not at all; a disk that takes nothing is cried by the record."""
    body: dict[str, Any] = {"begun": _plain(asdict(begun))}
    if ended is not None:
        told = asdict(ended) | {"path": ended.path.name, "size": _size(ended.path)}
        del told["frames"]
        body["ended"] = _plain(told)
    text = json.dumps(body, indent=1)
    with suppress(FileRefused):
        write_all(folder / HOME, {_name(begun.record): text.encode()})


def last(build: str | Path) -> Ended | None:
    """What the last watch of this car left; None where there is none, or while one runs."""
    folder = folder_of(build)
    rows = _all(folder)
    if not rows or runs(folder):
        return None
    begun, told = max(rows, key=lambda row: row[0].number)
    path = folder / ORIGINALS / begun.record
    if begun.car.name != load(build).name:
        raise CannotAnswer(f"{begun.record} is of another car: {begun.car.name}")
    if not path.is_file():
        raise CannotAnswer(f"the record of the last watch is gone: logs/{begun.record}")
    try:
        first = next(read_back(path), None)
    except OSError as error:
        raise FileRefused(f"cannot be read: {error.strerror or error}",
                          Place(file=begun.record)) from error  # fmt: skip
    if first is None or not first.event.startswith(begun.words):
        raise CannotAnswer(f"logs/{begun.record} is not the record of a watch of {begun.step}")
    try:
        if told is not None:
            return _again(folder, begun, told)
        ended = judged(folder, begun)
    except KeyturnError:
        raise
    except (LookupError, TypeError, ValueError, ArithmeticError, AttributeError) as fault:
        # written by something else than us: no number in it can be trusted
        name = _name(begun.record)
        raise CannotAnswer(f"watch/{name} cannot be read: {type(fault).__name__}") from None
    keep(folder, begun, ended)
    return ended


def judged(folder: Path, begun: Begun) -> Ended:
    """A watch without an end, by what stands in its record."""
    path = folder / ORIGINALS / begun.record
    if _size(path) > MOST_BYTES:
        raise CannotAnswer(
            f"the watch {begun.record} ended without an end, and its record is too long to be "
            "judged again", ("read it as a log: keyturn log BUILD FILE --confirm",),
        )  # fmt: skip
    session = Session(begun.numbers, begun.seconds)
    session.judge.start = 0.0
    crossed, lines, unreadable, missing, at = session.judge.crossed, 1, 0, 0, 0.0
    for line in read_back(path):
        lines += 1
        if line is None:
            unreadable += 1
            continue
        at = line.at
        if line.values:
            session.take([Sample(name, value) for name, value in line.values.items()], at)
        if began := BEGAN.match(line.event):
            words = began[2].strip()
            lost = began[1] == "lost" and words.startswith(SILENT)
            name = LOST + words.removeprefix(SILENT).replace(" ", "_") if lost else words
            crossed.setdefault(name, words)
        missing += sum(int(number) for number in MISSING.findall(line.event))
    session.witness.end(at)
    against = [
        f"it ended without an end after {at:.0f} s, its program was cut off: what was cried after "
        "the last line of its record is not known",
        *([f"{unreadable} lines of its record cannot be read"] if unreadable else []),
        *([f"{missing} lines were not recorded"] if missing else []),
        *session.against(),
    ]
    frames = folder / HOME / begun.frames if begun.frames else None
    return Ended(
        begun.step, path, lines, missing, at, tuple(dict.fromkeys(crossed.values())),
        session.status().unwatched, begun.source, begun.open, begun.numbers.record,
        dict(session.witness.worst), tuple(dict.fromkeys(against)), begun.car, frames,
        _lines(frames), True,
    )  # fmt: skip


def _again(folder: Path, begun: Begun, told: Mapping[str, Any]) -> Ended:
    """An end as it was written down; the record must be as long as it was then."""
    path = folder / ORIGINALS / begun.record
    against = list(told["against"])
    if _size(path) != told["size"]:
        against.append("its record is not as long any more as when the watch ended")
    if told["step"] != begun.step or told["path"] != begun.record:
        raise CannotAnswer(f"the end of {begun.record} is that of another watch")
    return Ended(
        step=begun.step, path=path, lines=int(told["lines"]), unwritten=int(told["unwritten"]),
        seconds=float(told["seconds"]), crossed=tuple(told["crossed"]),
        unwatched=tuple(told["unwatched"]), source=begun.source, open=bool(told["open"]),
        record=tuple(told["record"]),
        worst={name: Worst(**row) for name, row in told["worst"].items()},
        against=tuple(against), car=begun.car,
        frames=folder / HOME / begun.frames if begun.frames else None,
        frame_lines=int(told["frame_lines"]), cut=bool(told["cut"]),
    )  # fmt: skip


def _all(folder: Path) -> list[tuple[Begun, Mapping[str, Any] | None]]:
    """Every watch that was written down whole."""
    found = []
    for path in sorted((folder / HOME).glob("*.json")):
        try:
            body = json.loads(path.read_text(encoding="utf-8"))
            begun = _begun(body["begun"])
        except (OSError, ValueError, KeyError, TypeError):
            continue  # cut off by a loss of power, or not ours
        # a name only: what came with an archive leads to no file elsewhere
        plain = all(Path(name).name == name for name in (begun.record, begun.frames))
        if plain and path.name == _name(begun.record):
            found.append((begun, body.get("ended")))
    return found


def _begun(row: Mapping[str, Any]) -> Begun:
    if [type(row[name]) for name in ("number", "record", "frames")] != [int, str, str]:
        raise TypeError("no watch of ours")
    numbers = dict(row["numbers"])
    for name in ("wanted_at", "wanted"):
        numbers[name] = np.array(numbers[name], dtype=np.float64)
    numbers["record"] = tuple(numbers["record"])
    return Begun(**{**row, "numbers": Numbers(**numbers), "car": Standing(**row["car"])})


def _plain(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {name: _plain(inner) for name, inner in value.items()}
    if isinstance(value, np.ndarray):
        return value.tolist()
    return value


def _name(record: str) -> str:
    return f"{Path(record).stem}.json"


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return -1


def _lines(path: Path | None) -> int:
    """Whole lines of a file; none where there is none."""
    if path is None or not path.is_file():
        return 0
    with path.open("rb") as stream:
        return sum(piece.count(b"\n") for piece in iter(lambda: stream.read(1 << 20), b""))
