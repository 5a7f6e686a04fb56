"""The newest value of every channel with its age; what is old is never left standing as live."""

from __future__ import annotations

import math
import sys
import threading
import time
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

from keyturn.glossary import unit_of

STALE = 2.0  # [s] after which a value is no longer live


if sys.platform == "linux":

    def steady() -> float:
        """A clock [s] that is never set and goes on while the machine sleeps.

        The usual one stands still then: a value from before would count as fresh, and the gap
        would stand in no record.
        """
        return time.clock_gettime(time.CLOCK_BOOTTIME)

else:
    steady = time.monotonic


@dataclass(frozen=True)
class Sample:
    """One value as it came; ``note`` says why it is none (then ``value`` is NaN)."""

    name: str  # canonical channel
    value: float  # SI
    note: str = ""


@dataclass(frozen=True)
class LiveValue:
    """One channel as a page or a terminal shows it."""

    name: str
    value: float | None  # SI; None while nothing came, or where the sensor is at its end
    unit: str  # SI, of the glossary
    age: float | None  # [s]; None while nothing came
    state: str  # "ok", "alarm", "stale", or "waiting" before anything came
    words: str  # why it is not ok; empty when it is


@dataclass
class _Last:
    value: float
    at: float
    note: str


class Live:
    """Newest values by channel; may be written and read from different threads."""

    def __init__(self, names: Iterable[str] = (), clock: Callable[[], float] = steady) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._last: dict[str, _Last] = {}
        self._names: dict[str, None] = dict.fromkeys(names)
        self._marks: dict[str, str] = {}

    def put(self, samples: Iterable[Sample], at: float) -> None:
        """Take values in that came at ``at`` on our clock."""
        with self._lock:
            for one in samples:
                self._names.setdefault(one.name)
                self._last[one.name] = _Last(one.value, at, one.note)

    def mark(self, alarms: Mapping[str, str]) -> None:
        """Say which channels are in alarm, with the words; all others are not."""
        with self._lock:
            self._marks = dict(alarms)

    def fresh(self, now: float) -> dict[str, tuple[float, float]]:
        """Finite values that are not stale: (value, when it came)."""
        with self._lock:
            return {
                name: (last.value, last.at)
                for name, last in self._last.items()
                if now - last.at < STALE and math.isfinite(last.value)
            }

    def seen(self) -> frozenset[str]:
        """Channels of which anything ever came."""
        with self._lock:
            return frozenset(self._last)

    def last(self, name: str) -> float | None:
        """The newest value of a channel however old; None where there is none."""
        with self._lock:
            last = self._last.get(name)
        return None if last is None or not math.isfinite(last.value) else last.value

    def values(self, now: float | None = None) -> tuple[LiveValue, ...]:
        """Every channel with its age and state, at this moment."""
        when = self._clock() if now is None else now
        with self._lock:
            return tuple(self._value(name, when) for name in self._names)

    def _value(self, name: str, now: float) -> LiveValue:
        last, mark = self._last.get(name), self._marks.get(name, "")
        unit = _unit(name)
        if last is None:
            return LiveValue(name, None, unit, None, "alarm" if mark else "waiting",
                             mark or "nothing came yet")  # fmt: skip
        age = max(0.0, now - last.at)
        value = last.value if math.isfinite(last.value) else None
        if age >= STALE:
            return LiveValue(name, value, unit, age, "stale", f"{age:.1f} s old")
        if mark:
            return LiveValue(name, value, unit, age, "alarm", mark)
        if value is None:
            return LiveValue(name, None, unit, age, "stale", last.note or "no number")
        return LiveValue(name, value, unit, age, "ok", "")


def _unit(name: str) -> str:
    try:
        return unit_of(name)
    except (KeyError, LookupError):
        return ""
