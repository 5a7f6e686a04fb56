"""Which purchase: the running search of every build, and the last answer that was finished."""

from __future__ import annotations

import threading
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from keyturn.web.inferred import Key, key_of
from keyturn.web.jobs import Job, Jobs
from keyturn.web.shelf import Car

WORD = "choose"
TARGET = "keyturn.web.work:choose"


@dataclass(frozen=True)
class Choice:
    """One search, over or not; ``key`` is what it was asked about."""

    job: Job
    key: Key
    power: str | None
    at: str  # hour and minute


class Chosen:
    """A finished answer stays until another one is finished, and says when it is out of date."""

    def __init__(self, jobs: Jobs) -> None:
        self._jobs = jobs
        self._running: dict[str, Choice] = {}
        self._done: dict[str, Choice] = {}
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
        job = self._jobs.start(car, WORD, TARGET, {"folder": place, "power": power})
        made = Choice(job, key, power, datetime.now().strftime("%H:%M"))
        with self._lock:
            self._running[place] = made
        return made

    def running(self, car: Car) -> Choice | None:
        """The search that is under way."""
        with self._lock:
            return self._current(str(car.folder))

    def done(self, car: Car) -> Choice | None:
        """The last search that was finished."""
        with self._lock:
            self._current(str(car.folder))
            return self._done.get(str(car.folder))

    def _current(self, place: str) -> Choice | None:
        known = self._running.get(place)
        if known is not None and known.job.state == "done":
            self._done[place] = known
        if known is not None and known.job.over:
            del self._running[place]
            return None
        return known


def answer(choice: Choice | None) -> dict[str, Any] | None:
    """What a finished search found."""
    found: dict[str, Any] | None = None if choice is None else choice.job.result
    return found
