"""The live channel: what changed in a build, told to every page that shows it.

A page hears of the newest state only: events that nobody has fetched yet are replaced by later
ones of the same kind, so that a page on a slow line costs no memory. While somebody listens to a
build its files are looked at every second, so that an edit from outside is noticed too.
"""

from __future__ import annotations

import asyncio
import json
import threading
from collections.abc import AsyncIterator
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any

from keyturn.errors import KeyturnError
from keyturn.journal.store import JOURNAL_FILE, opened
from keyturn.web.shelf import Car

LOOK_EVERY = 1.0  # [s] between two looks at the files
KEEP_ALIVE = 15.0  # [s] after which a silent stream says that it is still there
RETRY = 2000  # [ms] after which a browser connects again
MOST_LISTENERS = 64  # streams for all builds together: more than a household has


@dataclass(eq=False)
class _Listener:
    loop: asyncio.AbstractEventLoop
    waiting: dict[tuple[str, Any], dict[str, Any]] = field(default_factory=dict)
    something: asyncio.Event = field(default_factory=asyncio.Event)
    ended: bool = False

    def put(self, event: str, data: dict[str, Any]) -> None:
        self.waiting[event, data.get("id")] = data
        self.something.set()


@dataclass(eq=False)
class _Channel:
    """One build: who listens, what they were told last, and the task that looks at its files."""

    listeners: set[_Listener] = field(default_factory=set)
    told: dict[str, dict[str, Any]] = field(default_factory=dict)
    watcher: asyncio.Task[None] | None = None


class Live:
    """Who listens to what. ``tell`` may be called from any thread."""

    def __init__(self, look_every: float = LOOK_EVERY, keep_alive: float = KEEP_ALIVE) -> None:
        self.look_every = look_every
        self.keep_alive = keep_alive
        self._channels: dict[str, _Channel] = {}
        self._lock = threading.Lock()
        self._closed = False
        self.times_ended = 0  # a stream of another kind ends with the count that it began with

    @property
    def listeners(self) -> int:
        with self._lock:
            return sum(len(channel.listeners) for channel in self._channels.values())

    @property
    def full(self) -> bool:
        return self.listeners >= MOST_LISTENERS

    def tell(self, name: str, event: str, data: dict[str, Any]) -> None:
        """Say to every page of the build ``name`` that something changed."""
        with self._lock:
            channel = self._channels.get(name)
            if channel is None:
                return
            if event != "job":
                channel.told[event] = data
            for listener in channel.listeners:
                with suppress(RuntimeError):  # its loop has ended, the listener goes with it
                    listener.loop.call_soon_threadsafe(listener.put, event, data)

    async def listen(self, car: Car) -> AsyncIterator[str]:
        """The frames of one event stream; begins with how the build stands."""
        listener = self._join(car)
        try:
            yield f"retry: {RETRY}\n\n"
            for event, data in (await asyncio.to_thread(state, car)).items():
                yield frame(event, data)
            while not (self._closed or listener.ended):
                try:
                    await asyncio.wait_for(listener.something.wait(), self.keep_alive)
                except TimeoutError:
                    yield ": still here\n\n"
                    continue
                listener.something.clear()
                news, listener.waiting = listener.waiting, {}
                for (event, _), data in news.items():
                    yield frame(event, data)
        finally:
            self._leave(car, listener)

    def close(self) -> None:
        """End every stream; the server is going."""
        self._closed = True
        self.end_all()

    def end_all(self) -> None:
        """End every stream that is open now; a page that may still come in connects again."""
        self.times_ended += 1
        with self._lock:
            for channel in self._channels.values():
                for listener in channel.listeners:
                    listener.ended = True
                    with suppress(RuntimeError):
                        listener.loop.call_soon_threadsafe(listener.something.set)

    def _join(self, car: Car) -> _Listener:
        listener = _Listener(asyncio.get_running_loop())
        with self._lock:
            channel = self._channels.setdefault(car.name, _Channel())
            channel.listeners.add(listener)
            if channel.watcher is None:
                channel.watcher = asyncio.create_task(self._watch(car, channel))
        return listener

    def _leave(self, car: Car, listener: _Listener) -> None:
        with self._lock:
            channel = self._channels[car.name]
            channel.listeners.discard(listener)
            if not channel.listeners:
                if channel.watcher is not None:
                    channel.watcher.cancel()
                del self._channels[car.name]

    async def _watch(self, car: Car, channel: _Channel) -> None:
        seen = signature(car)
        channel.told = await asyncio.to_thread(state, car)
        while not self._closed:
            await asyncio.sleep(self.look_every)
            found = signature(car)
            if found == seen:
                continue
            seen = found
            for event, data in (await asyncio.to_thread(state, car)).items():
                if channel.told.get(event) != data:
                    self.tell(car.name, event, data)


def frame(event: str, data: dict[str, Any]) -> str:
    return f"event: {event}\ndata: {json.dumps(data, separators=(',', ':'))}\n\n"


def signature(car: Car) -> tuple[tuple[int, int, int] | None, ...]:
    """Changes when a file of the build was written; cheap enough to ask every second."""
    found: list[tuple[int, int, int] | None] = []
    for name in (car.file.name, JOURNAL_FILE, f"{JOURNAL_FILE}-wal"):
        try:
            known = (car.folder / name).stat()
            found.append((known.st_mtime_ns, known.st_size, known.st_ino))
        except OSError:
            found.append(None)
    return tuple(found)


def state(car: Car) -> dict[str, dict[str, Any]]:
    """How the build stands, as the events that would tell of it."""
    return {"build": {"revision": car.revision()}, "journal": {"last": last_entry(car)}}


def last_entry(car: Car) -> int:
    """Number of the newest entry of the journal; 0 when there is none or it cannot be read."""
    try:
        with opened(car.folder) as book:
            entries = book.entries()
    except KeyturnError:
        return 0
    return entries[-1].id if entries else 0
