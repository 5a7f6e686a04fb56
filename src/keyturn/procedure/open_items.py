"""What is undone, loosened or left off, and the sweep of it before a start."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from keyturn.procedure.stages import VITAL, Stage

STANDS_BEFORE = ("start", "load", "nothing")
SWEEP_LASTS = 12 * 3600.0  # [s] a sweep is of one session: overnight somebody may have been at it
SWEEP_MINUTES = 5.0


@dataclass(frozen=True)
class Item:
    """One loose end. ``at`` is its place in the order of all that was written down."""

    at: int
    what: str
    area: str
    where: str = ""
    minutes: float = 10.0
    needs: tuple[str, ...] = ()
    after: tuple[int, ...] = ()  # items that have to be closed first
    stands_before: str = "start"
    recorded: float = 0.0  # [s] since 1970
    closed: int | None = None  # place of the entry that closed it
    how: str = ""  # what was done, as typed when it was closed


@dataclass(frozen=True)
class Sweep:
    """Somebody walked round the car and read the list of open items aloud."""

    at: int
    recorded: float  # [s] since 1970
    open: tuple[int, ...]  # the items that were open then


def open_now(items: Iterable[Item]) -> tuple[Item, ...]:
    return tuple(item for item in items if item.closed is None)


def before_start(item: Item) -> bool:
    """Whether an open item keeps the engine from being started."""
    return item.area in VITAL or item.stands_before == "start"


def bars(item: Item, stage: Stage) -> bool:
    """Whether an open item stands before a stage.

    Nothing is proven about an area in which something is open, no work is done in it that opens
    more of it, and nothing is started or loaded.
    """
    if item.closed is not None:
        return False
    if item.area in (*stage.areas, *stage.opens):
        return True
    if stage.load and item.stands_before != "nothing":
        return True
    return stage.starts and before_start(item)


def this_session(recorded: float, now: float) -> bool:
    """Whether that was written down in this session; a clock that was set back says no."""
    return 0.0 <= now - recorded <= SWEEP_LASTS


def swept(items: Iterable[Item], sweeps: Iterable[Sweep], now: float) -> bool:
    """Whether the list as it is was swept in this session."""
    last = max(sweeps, key=lambda row: row.at, default=None)
    if last is None or not this_session(last.recorded, now):
        return False
    return all(item.at < last.at and (item.closed or 0) < last.at for item in items)
