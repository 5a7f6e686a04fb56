"""The answer of `find` per build, worked out once for each state of its files.

Everyone who asks for the same state gets the same answer; an answer carries the moment at which
its state was first seen, so that a page never paints an older one over a newer one.
"""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from keyturn.errors import KeyturnError
from keyturn.evidence.result import FindResult
from keyturn.tasks.find import find
from keyturn.web.faults import described
from keyturn.web.live import last_entry
from keyturn.web.shelf import Car

Key = tuple[str, int]  # revision of build.toml, newest entry of the journal


def key_of(car: Car) -> Key:
    """What the answers about a build depend on."""
    return car.revision(), last_entry(car)


@dataclass(frozen=True)
class Found:
    """One answer, or why there is none."""

    key: Key
    turn: int  # grows with every new state of the files, also over a restart of the server
    result: FindResult | None
    fault: dict[str, Any] | None
    error: KeyturnError | None
    at: str  # hour and minute


@dataclass
class _Place:
    working: threading.Lock = field(default_factory=threading.Lock)
    latest: Found | None = None


class Inferred:
    """The newest answer of every build of one server."""

    def __init__(self) -> None:
        self._places: dict[str, _Place] = {}
        self._lock = threading.Lock()

    def latest(self, car: Car) -> Found | None:
        """The newest answer there is, perhaps to an older state of the files."""
        return self._place(car).latest

    def find(self, car: Car) -> Found:
        """The answer to the files as they were when its turn came; takes some seconds.

        Whoever types meanwhile asks again; the answer says what it is about.
        """
        place = self._place(car)
        with place.working:
            key, found = key_of(car), place.latest
            if found is None or found.key != key:
                found = place.latest = _worked_out(car, key)
            return found

    def _place(self, car: Car) -> _Place:
        with self._lock:
            return self._places.setdefault(str(car.folder), _Place())


def _worked_out(car: Car, key: Key) -> Found:
    turn = time.time_ns() // 1_000_000
    try:
        result, error = find(car.folder), None
    except KeyturnError as refusal:
        result, error = None, refusal
    fault = None if error is None else described(error)
    return Found(key, turn, result, fault, error, datetime.now().strftime("%H:%M"))
