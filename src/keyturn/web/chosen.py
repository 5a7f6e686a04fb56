"""Which purchase: the running search of every build, and the last answer that was finished.

A finished answer is kept in made/ of its build, so that it outlives the server; what stands there
can be made again, and what cannot be read there counts as nothing.
"""

from __future__ import annotations

import json
import re
import threading
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from keyturn import __version__
from keyturn.errors import FileRefused
from keyturn.tasks.files import write_all
from keyturn.web.inferred import Key, key_of
from keyturn.web.jobs import Job, Jobs
from keyturn.web.shelf import Car

WORD = "choose"
TARGET = "keyturn.web.work:choose"
FILE = "choose.json"
FORMAT = 1
MOST_BYTES = 4_000_000
NOT_DRAWN = re.compile(r"<\s*(?:script|foreignobject|style|a)\b|\bon\w+\s*=|href", re.I)


@dataclass(frozen=True)
class Choice:
    """One search, over or not; ``key`` is what it was asked about."""

    job: Job
    key: Key
    power: str | None


@dataclass(frozen=True)
class Kept:
    """One finished answer, as `web.work.choose` gives it."""

    key: Key
    power: str | None
    result: dict[str, Any]
    finished: str  # local time, ISO 8601

    @property
    def at(self) -> str:
        """Hour and minute, with the day when it was not today."""
        then = datetime.fromisoformat(self.finished)
        today = then.date() == datetime.now().date()
        return then.strftime("%H:%M" if today else "%H:%M on %Y-%m-%d")


class Chosen:
    """A finished answer stays until another one is finished, and says when it is out of date."""

    def __init__(self, jobs: Jobs) -> None:
        self._jobs = jobs
        self._running: dict[str, Choice] = {}
        self._done: dict[str, Kept] = {}
        self._lock = threading.Lock()

    def start(self, car: Car, power: str | None) -> Choice:
        """Start a search; one that runs for the same question is joined, another is stopped."""
        key, place = key_of(car), str(car.folder)
        with self._lock:
            known = self._current(place)
            if known is not None and (known.key, known.power) == (key, power):
                return known
        if known is not None:
            self._jobs.stop(car.name, known.job.id)
        job = self._jobs.start(
            car, WORD, TARGET, {"folder": place, "power": power, "key": list(key)}
        )
        made = Choice(job, key, power)
        with self._lock:
            self._running[place] = made
        return made

    def running(self, car: Car) -> Choice | None:
        """The search that is under way."""
        with self._lock:
            return self._current(str(car.folder))

    def done(self, car: Car) -> Kept | None:
        """The last search that was finished, also before the server was started anew."""
        place = str(car.folder)
        with self._lock:
            self._current(place)
            known = self._done.get(place)
            if known is None:
                known = read_kept(car.folder)
                if known is not None:
                    self._done[place] = known
            return known

    def _current(self, place: str) -> Choice | None:
        known = self._running.get(place)
        if known is not None and known.job.state == "done":
            finished = datetime.now().isoformat(timespec="seconds")
            self._done[place] = Kept(known.key, known.power, known.job.result, finished)
        if known is not None and known.job.over:
            del self._running[place]
            return None
        return known


def keep(folder: Path, key: Key, power: str | None, result: dict[str, Any]) -> None:
    """Write a finished answer into made/; a folder that takes nothing keeps nothing."""
    row = {"format": FORMAT, "version": __version__, "key": list(key), "power": power,
           "finished": datetime.now().isoformat(timespec="seconds"), "result": result}  # fmt: skip
    with suppress(FileRefused):
        write_all(folder / "made", {FILE: json.dumps(row, allow_nan=False).encode()})


def read_kept(folder: Path) -> Kept | None:
    """The answer in made/, when it is one of this version of keyturn."""
    try:
        with (folder / "made" / FILE).open("rb") as stream:
            row = json.loads(stream.read(MOST_BYTES))
        revision, last = row["key"]
        kept = Kept((str(revision), int(last)), row["power"], row["result"], row["finished"])
        drawn = all(_is_drawing(kept.result[name]) for name in ("wide", "narrow"))
        datetime.fromisoformat(kept.finished)
    except (OSError, ValueError, TypeError, KeyError, RecursionError):
        return None
    same = row["format"] == FORMAT and row["version"] == __version__
    return kept if same and drawn else None


def _is_drawing(text: str) -> bool:
    """Whether it is no more than lines and letters: the file may come from elsewhere."""
    return text.startswith("<svg") and NOT_DRAWN.search(text) is None
