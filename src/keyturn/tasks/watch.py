"""Watch a car live: values from a source, judged by the current ladder step, all of it recorded.

Nothing here commands the car. From a bus with diagnostics only reading requests leave; everything
else is listened to.
"""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from keyturn.build.model import Build
from keyturn.build.read import load
from keyturn.errors import FileRefused, KeyturnError, Place, ValueRefused
from keyturn.logs.alarm import MOST, Change, Numbers, Status
from keyturn.logs.can_bus import CanSource, ListeningBus, Named, Source, open_bus
from keyturn.logs.cries import Cry
from keyturn.logs.decide import Context
from keyturn.logs.growing import growing
from keyturn.logs.live import LiveValue, Sample, steady
from keyturn.logs.obd import Poller
from keyturn.logs.raw import Frames
from keyturn.logs.record import Recorder
from keyturn.logs.session import Session
from keyturn.logs.simulated_car import SimulatedCar
from keyturn.procedure.ladder import HIGHEST, measures
from keyturn.tasks.check import check
from keyturn.tasks.ladder import SLOWER, Watched, watched
from keyturn.tasks.log import ORIGINALS
from keyturn.tasks.read import folder_of
from keyturn.tasks.watch_kept import HOME, Begun, Ended, Only, keep, next_number, standing

TICK = 0.02  # [s] between two looks when no frame comes
AGAIN = 1.0  # [s] between two tries to open a lost source
SOURCES = "simulated, simulated:FAULT, file:PATH, can:INTERFACE:CHANNEL, obd:INTERFACE:CHANNEL"
SAMPLES = 60  # of the model for the simulated car, of which only the middle is used

Heard = Callable[[tuple[Change, ...], Status], None]


class Watch:
    """One watch: ``start``, then ``values`` and ``status`` at any time, then ``stop``."""

    def __init__(
        self,
        build: str | Path,
        source: str = "simulated",
        step: str = "",
        dbc: str | Path | None = None,
        mapping: Mapping[str, str] | None = None,
        heard: Heard | None = None,
        told: Watched | None = None,
    ) -> None:
        self._folder, self._heard = folder_of(build), heard
        model = load(build)
        self._car = standing(self._folder, model.name)
        self.told: Watched = told or watched(build, step)
        self.numbers = numbers(model, self.told)
        self._make: Callable[[], Source] = partial(
            _source, model, build, source, self.numbers, dbc, mapping or {}
        )
        self._first: Source | None = self._make()
        self.source_words = source
        self._stop, self._lock = threading.Event(), threading.Lock()
        self.session = Session(self.numbers, self.told.rung.seconds)
        self.live, self.judge = self.session.live, self.session.judge
        self._threads: list[threading.Thread] = []
        self.frames: Frames | None = None
        self.taken = 0  # groups of values, each a line of the record

    def start(self) -> None:
        """Begin the record, the source and the alarm."""
        try:
            self._keep(_path(self._folder / ORIGINALS))
        except KeyturnError:
            _close(self._first)
            raise
        for task in (self._read, self._tick):
            self._threads.append(threading.Thread(target=task, name="watch", daemon=True))
            self._threads[-1].start()

    def _keep(self, path: Path, began: float | None = None) -> None:
        """Begin what is kept of it: the record, the raw frames, what it goes by."""
        self._only = Only(self._folder)
        self._began = self.judge.start = steady() if began is None else began
        kind, _, bus = self.source_words.partition(":")
        epoch, name = time.time(), f"{path.stem}.log" if kind in ("can", "obd") else ""
        self._begun = Begun(
            next_number(self._folder), path.name, self.numbers.step, self.source_words,
            bool(self.told.open), self.told.rung.seconds, self.numbers, self._car, name,
        )  # fmt: skip
        try:
            if name:
                interface = bus.partition(":")[2].partition(":")[0]
                self.frames = Frames(self._folder / HOME / name, interface, epoch)
            self.recorder = Recorder(path)
        except KeyturnError:
            if self.frames is not None:
                self.frames.close()
            self._only.close()
            raise
        words = self._begun.words
        if not self.told.open:
            words += "; THE STEP IS NOT OPEN"
        if name:
            words += f"; its time 0 is {epoch:.6f} in watch/{name}"
        self.recorder.put(0.0, {}, words)
        keep(self._folder, self._begun)

    def values(self) -> tuple[LiveValue, ...]:
        """Every channel with its age and state, the pressure across the injector first."""
        return self.live.values()

    def status(self) -> Status:
        """The whole in one word, with its look and its tone."""
        with self._lock:
            return self.session.status()

    def standing(self) -> tuple[Cry, ...]:
        """Alarms that last or that nobody has acknowledged yet."""
        with self._lock:
            return self.session.cries.standing()

    def acknowledge(self, up_to: int, who: str = "") -> tuple[Cry, ...]:
        """Somebody saw the alarms numbered ``up_to`` or lower: quiet, and in the record."""
        now = steady()
        with self._lock:
            found = self.session.cries.acknowledge(up_to, now)
        for cry in found:
            by = f" by {who}" if who else ""
            self.recorder.put(now - self._began, {}, f"acknowledged{by}: {cry.words}")
        return found

    def aborts(self) -> dict[str, tuple[float, str]]:
        """Abort number of each channel as things stand, and its bad side."""
        fresh = self.live.fresh(steady())
        return self.judge.aborts({name: value for name, (value, _) in fresh.items()})

    @property
    def seconds(self) -> float:
        """How long it has gone on."""
        return steady() - self._began

    def stop(self) -> Ended:
        """End it; what was recorded is on the disk when this returns."""
        self._stop.set()
        with self._lock:
            self.session.witness.end(steady())
        for thread in self._threads:
            thread.join(5.0)
        unwritten = self.recorder.close()
        lost, frames = 0, self.frames
        if frames is not None:
            lost = frames.close()
        with self._lock:
            status, against = self.session.status(), list(self.session.against())
        if unwritten:
            against.append(f"{unwritten} lines were not recorded")
        if lost:
            against.append(f"{lost} frames of the bus were not recorded")
        ended = Ended(
            self.numbers.step, self.recorder.path, self.recorder.acknowledged, unwritten + lost,
            self.seconds, tuple(self.judge.crossed.values()), status.unwatched, self.source_words,
            self._begun.open, self.numbers.record, dict(self.session.witness.worst), tuple(against),
            self._car, None if frames is None else frames.path,
            0 if frames is None else frames.acknowledged,
        )  # fmt: skip
        keep(self._folder, self._begun, ended)
        self._only.close()
        return ended

    def take(self, samples: Sequence[Sample], at: float) -> None:
        """Values from the source: judged first, recorded after."""
        self.taken += 1
        with self._lock:
            changes = self.session.take(samples, at)
            status = self.session.status() if changes else None
        self._say(changes, status)
        self.recorder.put(at - self._began, {one.name: one.value for one in samples})

    def _tap(self, frame: Any, sent: bool) -> None:
        """A frame of the bus, before anything is read out of it."""
        if self.frames is not None:
            self.frames.put(steady() - self._began, frame, sent)

    def _tick(self) -> None:
        """Silence is looked at too: holds that end and values that grow old."""
        while not self._stop.wait(TICK):
            try:
                self._look()
            except Exception as error:  # without this thread silence would be nobody's
                self._lose(_fault(error))

    def _look(self) -> None:
        now = steady()
        with self._lock:
            changes = self.session.tick(now, self._trouble())
            status = self.session.status() if changes else None
        self._say(changes, status)

    def _trouble(self) -> str:
        """Why something is not recorded; empty while all of it is."""
        kept = [self.recorder] if self.frames is None else [self.recorder, self.frames]
        for one in kept:
            if one.trouble:
                return one.trouble
        dropped = sum(one.dropped for one in kept)
        return f"{dropped} lines were lost" if dropped else ""

    def _say(self, changes: tuple[Change, ...], status: Status | None) -> None:
        if not changes or status is None:
            return
        if self._heard is not None:
            try:
                self._heard(changes, status)
            except Exception as error:  # whoever listens broke: the watch itself goes on
                words = f"nobody heard it: {type(error).__name__}: {error}"
                self.recorder.put(steady() - self._began, {}, words)
        for change in changes:
            words = f"{change.kind} {'began' if change.began else 'ended'}: {change.words}"
            self.recorder.put(change.at - self._began, {}, words)

    def _read(self) -> None:
        """Run the source, and open it again for as long as it is lost."""
        while not self._stop.is_set():
            source: Source | None = None
            try:
                source, self._first = self._first or self._make(), None
                if isinstance(bus := getattr(source, "bus", None), ListeningBus):
                    bus.tap = self._tap
                source.run(self.take, self._stop)
            except KeyturnError as error:
                self._lose(str(error))
            except (
                Exception
            ) as error:  # a fault of ours must cry like a lost bus, not end in silence
                self._lose(_fault(error))
            finally:
                _close(source)
            self._stop.wait(AGAIN)

    def _lose(self, why: str) -> None:
        words = "NO SIGNAL: " + " ".join(why.split())
        with self._lock:
            changes = self.session.lose(steady(), words)
            status = self.session.status()
        self._say(changes, status)


def _fault(error: Exception) -> str:
    return f"a fault in keyturn: {type(error).__name__}: {error}"


def _close(source: Source | None) -> None:
    """Let its bus go: an interface that is still held cannot be opened again."""
    bus = getattr(source, "bus", None)
    if bus is not None:
        bus.close()


def is_simulated(source: str) -> bool:
    """Whether a source is the car that is not there."""
    return source.partition(":")[0] == "simulated"


def numbers(build: Build, told: Watched) -> Numbers:
    """The limits of a step as the alarm needs them."""
    bounds = {name: value for name, value in told.bounds.items() if name != "at-manifold"}
    if (highest := bounds.pop(f"rail-pressure{HIGHEST}", None)) is not None:
        bounds[MOST] = highest
    if "knock" in bounds:
        # the ladder keeps degrees, a channel is in radians
        bounds["knock"] = math.radians(bounds["knock"])
    mode, regulator = told.rung.mode, build.regulator
    # where the abort number of a driven step is stated comes with it, or it is none
    stated = {"key-on": build.site.barometer.si, "idle": build.engine.idle_pressure.si}
    return Numbers(
        step=told.rung.name,
        mode=mode,
        record=told.rung.record,
        bounds=bounds,
        speed_cap=told.caps[0],
        pressure_cap=told.caps[1],
        barometer=build.site.barometer.si,
        at_manifold=told.bounds.get("at-manifold", stated.get(mode, math.nan)),
        ratio=regulator.ratio.si if regulator.reference == "manifold" else 0.0,
        wanted_at=np.asarray(build.mixture.curve.x),
        wanted=np.asarray(build.mixture.curve.y),
        lean=measures()["lambda"].abort,
        speed_least=SLOWER * min(told.rung.speeds, default=0.0) * build.engine.redline.si,
    )


def _source(
    model: Build,
    build: str | Path,
    text: str,
    limits: Numbers,
    dbc: str | Path | None,
    mapping: Mapping[str, str],
) -> Source:
    kind, _, rest = text.partition(":")
    context = Context(model.site.barometer.si, model.fuel.kind, model.fuel.density.si)
    if kind == "simulated":
        result = check(model, samples=SAMPLES)
        caps = (limits.speed_cap, limits.pressure_cap)
        return SimulatedCar(result, limits.mode, *caps, rest)
    if kind == "file" and rest:
        logs = folder_of(build) / ORIGINALS
        # a bare name is a log of the build, if there is one
        kept = logs / rest
        path = kept if Path(rest).name == rest and kept.is_file() else Path(rest)
        return growing(path, logs, mapping, context)
    if kind == "can" and rest:
        if dbc is None:
            raise ValueRefused(
                "a bus without names says nothing", Place(key="dbc"),
                accepted="the DBC file with the signals of this bus",
            )  # fmt: skip
        return CanSource(open_bus(rest), Named(Path(dbc), mapping, context))
    if kind == "obd" and rest:
        return Poller(open_bus(rest))
    raise ValueRefused("no such source", Place(key="source"), text, SOURCES)


def _path(folder: Path) -> Path:
    try:
        folder.mkdir(exist_ok=True)
    except OSError as error:
        raise FileRefused(
            f"logs/ cannot be made: {error.strerror}", Place(file=str(folder))
        ) from error
    stem = time.strftime("watch-%Y%m%d-%H%M%S")
    for number in range(1, 1000):
        path = folder / (f"{stem}.csv" if number == 1 else f"{stem}-{number}.csv")
        if not path.exists():
            return path
    raise FileRefused("too many recordings of this second", Place(file=stem))
