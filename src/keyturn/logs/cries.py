"""Alarms as they wait for somebody: what began, whether it went on, and whether it was seen.

An alarm that ended by itself is not forgotten: it stands until it is acknowledged. One that was
acknowledged is quiet for as long as it lasts; the next of its kind is loud again.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from keyturn.logs.alarm import Change


@dataclass
class Cry:
    """One alarm; ``ended`` and ``seen`` are None while it lasts and while nobody acknowledged."""

    number: int
    kind: str  # "alarm", "lost" or "unrecorded"
    name: str
    channel: str
    words: str
    began: float  # on the clock of the watch
    times: int = 1  # that it came again before it was seen
    ended: float | None = None
    seen: float | None = None

    @property
    def loud(self) -> bool:
        return self.ended is None and self.seen is None


class Cries:
    """Every alarm of a watch that is not done with yet; the caller keeps threads apart."""

    def __init__(self) -> None:
        self._rows: dict[str, Cry] = {}
        self._count = 0

    def hear(self, changes: Iterable[Change]) -> None:
        """Take in what began and what ended."""
        for change in changes:
            known = self._rows.get(change.name)
            if not change.began:
                if known is not None and known.ended is None:
                    known.ended = change.at
                    self._drop(known)
            elif known is None or known.seen is not None:
                self._count += 1
                self._rows[change.name] = Cry(self._count, change.kind, change.name,
                                              change.channel, change.words, change.at)  # fmt: skip
            elif known.ended is not None:
                # it came again before anybody saw it: still one to acknowledge, loud again
                known.ended, known.times, known.words = None, known.times + 1, change.words

    def acknowledge(self, up_to: int, at: float) -> tuple[Cry, ...]:
        """Somebody saw every alarm numbered ``up_to`` or lower; those that were new to that."""
        found = [row for row in self._rows.values() if row.number <= up_to and row.seen is None]
        for row in found:
            row.seen = at
            self._drop(row)
        return tuple(found)

    def standing(self) -> tuple[Cry, ...]:
        """What still lasts or still waits to be seen, the loud first, then the newest."""
        return tuple(sorted(self._rows.values(), key=lambda row: (not row.loud, -row.number)))

    def _drop(self, row: Cry) -> None:
        if row.seen is not None and row.ended is not None:
            del self._rows[row.name]
