"""Watches that pages look at: one for each build at most, shown to any number of devices.

The watch itself runs in threads of its own and asks no page whether it may cry. A page gets the
newest state twenty times a second, and at once when an alarm begins; what it did not fetch is
overtaken, never queued. Every state says when it was true, on the clock of this server: how old it
is by now only the page can tell.
"""

from __future__ import annotations

import asyncio
import json
import math
import threading
import time
import weakref
from collections.abc import AsyncIterator, Callable
from contextlib import suppress
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from keyturn.errors import KeyturnError, ValueRefused
from keyturn.logs.alarm import LOOKS
from keyturn.logs.live import steady
from keyturn.procedure.ladder import Climb, Ladder
from keyturn.tasks.ladder import ladder
from keyturn.tasks.watch import Watch, is_simulated
from keyturn.tasks.watch_climb import no_evidence, recorded
from keyturn.tasks.watch_kept import HOME, Ended, last
from keyturn.tasks.watch_words import first, limits_in_words, stop_rule, then
from keyturn.web.faults import described
from keyturn.web.live import RETRY, Live, frame, last_entry
from keyturn.web.shelf import Car

PERIOD = 0.05  # [s] between two states of a watch
IDLE = 1.0  # [s] between two where none runs
SHARED = 0.01  # [s] for which one state is good for all who look
FINDING = 0.5  # [s] that a page waits for what the last watch left before it is shown the rest
MOST_LOOKING = 24  # streams over all builds
LABELS = {
    "across_injector": "Pressure across the injector",
    "rail_gauge": "Rail, gauge",
    "manifold_pressure": "Manifold, abs",
    "engine_speed": "Engine",
    "lambda": "Lambda",
    "lambda_target": "Lambda wanted",
    "voltage": "Pump voltage",
    "duty": "Injector duty",
    "knock_retard": "Knock retard",
    "inlet_temperature": "Charge",
    "coolant_temperature": "Coolant",
    "fuel_temperature": "Fuel",
    "injector_pulse": "Injector pulse",
    "throttle": "Throttle",
    "air_flow": "Air flow",
    "fuel_flow": "Fuel flow",
    "vehicle_speed": "Road speed",
    "barometer": "Barometer",
}
# what a channel is called in the table of units, where that is another name
QUANTITY = {"lambda": "air_fuel_equivalence", "lambda_target": "air_fuel_equivalence"}

Begin = Callable[..., Watch]


@dataclass(eq=False)
class _Looker:
    loop: asyncio.AbstractEventLoop
    news: asyncio.Event = field(default_factory=asyncio.Event)


class Room:
    """The watch of one build, and who looks at it."""

    def __init__(self, running: set[Watch], folder: Path) -> None:
        self._folder = folder
        self.watch: Watch | None = None
        self.ended: Ended | None = None
        self.found = False  # on the disk: nobody ended it here
        self.fault = ""  # why what the last watch left is not at hand
        self.recorded = ""  # what became of the last watch on the ladder, in words
        self._running = running
        self._token = ""
        self._changing, self._lookers_lock = threading.Lock(), threading.Lock()
        self._finding = threading.Lock()
        self._lookers: set[_Looker] = set()
        self._kept: tuple[float, str] = (-math.inf, "")
        self._known: tuple[tuple[str, int], Ladder] | None = None

    def ladder(self, car: Car) -> Ladder:
        """The ladder as the build and the journal stand; asked of the model once for each."""
        key = (car.revision(), last_entry(car))
        known = self._known
        if known is None or known[0] != key:
            known = self._known = (key, ladder(car.folder))
        return known[1]

    @property
    def looking(self) -> int:
        return len(self._lookers)

    @property
    def id(self) -> str:
        """The name of the record, which no other watch of the build has; empty without one."""
        watch = self.watch
        return watch.recorder.path.name if watch is not None else ""

    def start(self, begin: Begin, token: str) -> None:
        """Begin a watch; the same token begins it once."""
        with self._changing:
            if self.watch is not None:
                if token == self._token:
                    return
                raise ValueRefused(
                    "a watch is running already", advice="look at it here, or stop it first"
                )
            made = begin(heard=lambda *_: self.wake())
            made.start()
            self._running.add(made)
            self._token, self.recorded, self.ended = token, "", None
            self.found, self.fault = False, ""
            self.watch = made
        self.wake()

    def stop(self, watch: str) -> Ended | None:
        """End the watch of that name; what it left, also when it had ended before."""
        with self._changing:
            if self.watch is not None and watch == self.id:
                made = self.watch
                self.ended = made.stop()
                self._running.discard(made)
                self.watch = None
        self.wake()
        return self.ended

    def find(self, wait: bool = True) -> None:
        """What the last watch left, of a server before this one or of a terminal.

        Where it was cut off its record is judged again, once: ``wait`` for that or be woken then.
        """
        if self.watch is not None or self.ended is not None or not self._finding.acquire(wait):
            return
        try:
            fault, ended, words = "", None, ""
            try:
                ended = last(self._folder)
                words = recorded_words(recorded(self._folder, ended)) if ended else ""
            except KeyturnError as refusal:
                fault = described(refusal)["problem"]
            with self._changing:
                if self.watch is None and self.ended is None:
                    self.ended, self.found, self.fault = ended, ended is not None, fault
                    self.recorded = words
        finally:
            self._finding.release()
        self.wake()

    def about(self) -> dict[str, Any]:
        """What stays the same through a watch."""
        watch, ended = self.watch, self.ended
        found: dict[str, Any] = {"id": self.id, "ended": ended.path.name if ended else "",
                                 "found": self.found, "fault": self.fault}  # fmt: skip
        if watch is None:
            return found
        rung = watch.told.rung
        return found | {
            "step": rung.name, "words": rung.words, "open": watch.told.open,
            "simulated": is_simulated(watch.source_words), "source": watch.source_words,
            "first": first(rung.mode), "stop": stop_rule(rung),
            "limits": limits_in_words(watch.numbers), "overridden": watch.told.overridden,
        }  # fmt: skip

    def now(self) -> dict[str, Any]:
        """How things stand; ``t`` is the clock of the server [ms]."""
        watch, at = self.watch, clock_now()
        if watch is None:
            return {"id": "", "t": at}
        status, aborts = watch.status(), watch.aborts()
        moment = steady()
        return {
            "id": watch.recorder.path.name, "t": at, "state": status.state,
            "words": status.words, "unwatched": status.unwatched,
            "values": [
                [row.name, _short(row.value), None if row.age is None else round(row.age * 1e3),
                 row.state, *_short_of(aborts.get(row.name))]
                for row in watch.values()
            ],
            "cries": [
                {"number": cry.number, "kind": cry.kind, "name": cry.name, "words": cry.words,
                 "age": round(moment - cry.began, 1), "times": cry.times, "loud": cry.loud,
                 "over": cry.ended is not None, "then": then(cry.name)}
                for cry in watch.standing()
            ],
            "lines": watch.recorder.acknowledged, "seconds": round(watch.seconds, 1),
        }  # fmt: skip

    def text(self) -> str:
        """`now` as an event, made once for everybody who looks at the same moment."""
        made, text = self._kept
        if time.monotonic() - made > SHARED:
            text = f"data: {json.dumps(self.now(), separators=(',', ':'))}\n\n"
            self._kept = (time.monotonic(), text)
        return text

    async def listen(self, live: Live) -> AsyncIterator[str]:
        """The events of one page, until the server goes or turns everybody out."""
        looker, began = _Looker(asyncio.get_running_loop()), live.times_ended
        with self._lookers_lock:
            self._lookers.add(looker)
        told: tuple[str, Ended | None] | None = None
        # a record that has to be judged again takes long: what it gave is told when it is there
        await asyncio.wait({asyncio.create_task(asyncio.to_thread(self.find, wait=False))},
                           timeout=FINDING)  # fmt: skip
        due = looker.loop.time()
        try:
            yield f"retry: {RETRY}\n\n"
            while live.times_ended == began:
                looker.news.clear()
                if (now := (self.id, self.ended)) != told:
                    told = now
                    yield frame("watch", self.about())
                yield self.text()
                due = max(due + (PERIOD if self.watch is not None else IDLE), looker.loop.time())
                with suppress(TimeoutError):
                    await asyncio.wait_for(looker.news.wait(), due - looker.loop.time())
        finally:
            with self._lookers_lock:
                self._lookers.discard(looker)

    def wake(self) -> None:
        """Something began or ended: nobody waits for their turn; from any thread."""
        self._kept = (-math.inf, "")
        with self._lookers_lock:
            for looker in self._lookers:
                with suppress(RuntimeError):  # its loop has ended, the looker goes with it
                    looker.loop.call_soon_threadsafe(looker.news.set)


class Watches:
    """All of them; they end with the server, in good order where it ends so."""

    def __init__(self) -> None:
        self._rooms: dict[str, Room] = {}
        self._running: set[Watch] = set()
        self._lock = threading.Lock()
        self._last_act = weakref.finalize(self, _stop_all, self._running)

    def of(self, car: Car) -> Room:
        """The room of a build; the same for as long as the server runs."""
        with self._lock:
            return self._rooms.setdefault(car.name, Room(self._running, car.folder))

    @property
    def full(self) -> bool:
        return sum(room.looking for room in list(self._rooms.values())) >= MOST_LOOKING

    def close(self) -> None:
        """End every watch; what was recorded is on the disk when this returns."""
        self._last_act()


def clock_now() -> int:
    """The clock of the server [ms]; it only ever goes on."""
    return round(steady() * 1e3)


def ended_row(ended: Ended) -> dict[str, Any]:
    """What a watch left behind, as data."""
    return {
        "id": ended.path.name, "step": ended.step, "source": ended.source, "lines": ended.lines,
        "unwritten": ended.unwritten, "seconds": round(ended.seconds, 1),
        "crossed": ended.crossed, "unwatched": ended.unwatched, "against": ended.against,
        "open": ended.open, "no_evidence": no_evidence(ended), "cut": ended.cut,
        "frames": "" if ended.frames is None else (HOME / ended.frames.name).as_posix(),
        "frame_lines": ended.frame_lines,
        "worst": {name: _short(row.value) for name, row in ended.worst.items()},
    }  # fmt: skip


def recorded_words(row: Climb | None) -> str:
    """What a watch became on the ladder; empty where it is not recorded."""
    if row is None:
        return ""
    return f"{row.step} recorded clean" if row.clean else f"{row.step} is not clean: {row.why}"


def looks() -> str:
    """How each state is shown and heard, for the page."""
    return json.dumps({name: asdict(look) for name, look in LOOKS.items()})


def _stop_all(running: set[Watch]) -> None:
    for watch in list(running):
        with suppress(KeyturnError):
            watch.stop()
    running.clear()


def _short(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else float(f"{value:.6g}")


def _short_of(bound: tuple[float, str] | None) -> tuple[float | None, str]:
    return (None, "") if bound is None else (_short(bound[0]), bound[1])
