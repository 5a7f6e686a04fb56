"""Watch a car live: values from a source, judged by the current ladder step, all of it recorded.

Nothing here commands the car. From a bus with diagnostics only reading requests leave; everything
else is listened to.
"""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np

from keyturn.build.model import Build
from keyturn.build.read import load
from keyturn.errors import FileRefused, KeyturnError, Place, ValueRefused
from keyturn.logs.alarm import MEASURES, Change, Judge, Numbers, Status
from keyturn.logs.can_bus import CanSource, Named, Source, open_bus
from keyturn.logs.cries import Cries, Cry
from keyturn.logs.decide import Context
from keyturn.logs.growing import growing
from keyturn.logs.live import Live, LiveValue, Sample
from keyturn.logs.obd import Poller
from keyturn.logs.record import Recorder
from keyturn.logs.simulated_car import SimulatedCar
from keyturn.logs.witness import Witness, Worst
from keyturn.procedure.ladder import measures
from keyturn.tasks.check import check
from keyturn.tasks.ladder import Watched, watched
from keyturn.tasks.log import ORIGINALS
from keyturn.tasks.read import folder_of

TICK = 0.02  # [s] between two looks when no frame comes
AGAIN = 1.0  # [s] between two tries to open a lost source
SOURCES = "simulated, simulated:FAULT, file:PATH, can:INTERFACE:CHANNEL, obd:INTERFACE:CHANNEL"
SAMPLES = 60  # of the model for the simulated car, of which only the middle is used
LOST = "lost "  # before the channel, in the name of an alarm
DERIVED = ("rail_gauge", "manifold_pressure")

Heard = Callable[[tuple[Change, ...], Status], None]


@dataclass(frozen=True)
class Ended:
    """What a watch leaves behind."""

    step: str
    path: Path  # the record
    lines: int  # acknowledged
    unwritten: int  # that the disk did not take
    seconds: float
    crossed: tuple[str, ...]  # every alarm there ever was, in its first words
    unwatched: tuple[str, ...]  # measures of the step that no signal was seen of
    source: str
    open: bool  # whether the step was open when the watch began
    record: tuple[str, ...]  # measures that the step records
    worst: Mapping[str, Worst]  # of each measure, for the ladder
    against: tuple[str, ...]  # why the step was not driven clean; empty: nothing speaks against it


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
        model = load(build)
        self.told: Watched = told or watched(build, step)
        self.numbers = numbers(model, self.told)
        self._make: Callable[[], Source] = partial(
            _source, model, build, source, self.numbers, dbc, mapping or {}
        )
        self._first: Source | None = self._make()
        self._folder, self._heard = folder_of(build) / ORIGINALS, heard
        self.source_words, self._barometer = source, model.site.barometer.si
        self._stop, self._lock = threading.Event(), threading.Lock()
        self.live = Live(_channels(self.numbers))
        self.judge = Judge(self.numbers, math.inf)
        self._source: Source | None = None
        self._threads: list[threading.Thread] = []
        self._measured = False  # the source brings the pressure across the injector itself
        self.cries, self.witness = Cries(), Witness(self.numbers)

    def start(self) -> None:
        """Begin the record, the source and the alarm."""
        self._began = time.monotonic()
        self.judge.start = self._began
        try:
            self.recorder = Recorder(_path(self._folder))
        except KeyturnError:
            _close(self._first)
            raise
        words = f"watch of {self.numbers.step} by {self.source_words}"
        self.recorder.put(0.0, {}, words if self.told.open else f"{words}; THE STEP IS NOT OPEN")
        for task in (self._read, self._tick):
            self._threads.append(threading.Thread(target=task, name="watch", daemon=True))
            self._threads[-1].start()

    def values(self) -> tuple[LiveValue, ...]:
        """Every channel with its age and state, the pressure across the injector first."""
        return self.live.values()

    def status(self) -> Status:
        """The whole in one word, with its look and its tone."""
        with self._lock:
            return self.judge.status(self.live)

    def standing(self) -> tuple[Cry, ...]:
        """Alarms that last or that nobody has acknowledged yet."""
        with self._lock:
            return self.cries.standing()

    def acknowledge(self, up_to: int, who: str = "") -> tuple[Cry, ...]:
        """Somebody saw the alarms numbered ``up_to`` or lower: quiet, and in the record."""
        now = time.monotonic()
        with self._lock:
            found = self.cries.acknowledge(up_to, now)
        for cry in found:
            by = f" by {who}" if who else ""
            self.recorder.put(now - self._began, {}, f"acknowledged{by}: {cry.words}")
        return found

    def aborts(self) -> dict[str, tuple[float, str]]:
        """Abort number of each channel as things stand, and its bad side."""
        fresh = self.live.fresh(time.monotonic())
        return self.judge.aborts({name: value for name, (value, _) in fresh.items()})

    @property
    def seconds(self) -> float:
        """How long it has gone on."""
        return time.monotonic() - self._began

    def stop(self) -> Ended:
        """End it; what was recorded is on the disk when this returns."""
        self._stop.set()
        with self._lock:
            self.witness.end(time.monotonic())
        for thread in self._threads:
            thread.join(5.0)
        unnamed = getattr(self._source, "unnamed", 0)
        if unnamed:
            words = f"{unnamed} frames of the bus carried no channel and are not kept"
            self.recorder.put(self.seconds, {}, words)
        unwritten = self.recorder.close()
        status, seconds = self.status(), self.seconds
        return Ended(
            self.numbers.step, self.recorder.path, self.recorder.acknowledged, unwritten,
            seconds, tuple(self.judge.crossed.values()), status.unwatched, self.source_words,
            self.told.open, self.numbers.record, dict(self.witness.worst),
            self._against(status, unwritten),
        )  # fmt: skip

    def _against(self, status: Status, unwritten: int) -> tuple[str, ...]:
        """Whatever makes this no clean drive of the step."""
        crossed = self.judge.crossed
        found = [f"alarm: {crossed[name]}" for name in crossed if not name.startswith(LOST)]
        silent = [name.removeprefix(LOST) for name in crossed if name.startswith(LOST)]
        if silent:
            names = ", ".join(name.replace("_", " ") for name in silent)
            found.append(f"alarm: NO SIGNAL: {names}")
        if unwritten:
            found.append(f"{unwritten} lines were not recorded")
        found += self.witness.lacking(self.told.rung.seconds)
        blind = status.words if status.state == "part" else ()
        return tuple(dict.fromkeys([*found, *blind]))

    def take(self, samples: Sequence[Sample], at: float) -> None:
        """Values from the source: judged first, recorded after."""
        self._measured |= any(one.name == "across_injector" for one in samples)
        with self._lock:
            back, self.judge.down = self.judge.down, ""
            self.live.put(samples, at)
            self.judge.derived = not self._measured
            if self.judge.derived:
                self._derive(at)
            changes = self.judge.see(at, self.live)
            if back:
                changes += (Change(at, "source", "", False, "lost", "the source is back"),)
            self._witness(at)
            self.cries.hear(changes)
            status = self.judge.status(self.live) if changes else None
        self._say(changes, status)
        self.recorder.put(at - self._began, {one.name: one.value for one in samples})

    def _witness(self, at: float) -> None:
        fresh = self.live.fresh(at)
        speed, manifold = (
            fresh[name][0] if name in fresh else None
            for name in ("engine_speed", "manifold_pressure")
        )
        bound = None
        if "rail-pressure" in self.numbers.bounds:
            bound = self.judge.rail_bound(
                self.numbers.at_manifold if manifold is None else manifold
            )
        self.witness.see(at, fresh, self.judge.due(at, speed), bound)

    def _derive(self, at: float) -> None:
        fresh = self.live.fresh(at)
        if all(name in fresh for name in DERIVED):
            rail, manifold = (fresh[name][0] for name in DERIVED)
            oldest = min(fresh[name][1] for name in DERIVED)
            across = rail - (manifold - self._barometer)
            self.live.put([Sample("across_injector", across)], oldest)

    def _tick(self) -> None:
        """Silence is looked at too: holds that end and values that grow old."""
        while not self._stop.wait(TICK):
            now = time.monotonic()
            with self._lock:
                trouble = self.recorder.trouble
                if self.recorder.dropped and not trouble:
                    trouble = f"{self.recorder.dropped} lines were lost"
                unlike = bool(trouble) != bool(self.judge.unrecorded)
                self.judge.unrecorded = f"NOT RECORDED: {trouble}" if trouble else ""
                changes = self.judge.see(now, self.live)
                if unlike:
                    words = self.judge.unrecorded or "recorded again"
                    changes += (Change(now, "record", "", bool(trouble), "unrecorded", words),)
                    if self.judge.unrecorded:
                        self.judge.crossed.setdefault("record", words)
                self.cries.hear(changes)
                status = self.judge.status(self.live) if changes else None
            self._say(changes, status)

    def _say(self, changes: tuple[Change, ...], status: Status | None) -> None:
        if not changes or status is None:
            return
        if self._heard is not None:
            self._heard(changes, status)
        for change in changes:
            words = f"{change.kind} {'began' if change.began else 'ended'}: {change.words}"
            self.recorder.put(change.at - self._began, {}, words)

    def _read(self) -> None:
        """Run the source, and open it again for as long as it is lost."""
        while not self._stop.is_set():
            source: Source | None = None
            try:
                source, self._first = self._first or self._make(), None
                self._source = source
                source.run(self.take, self._stop)
            except KeyturnError as error:
                self._lose(str(error))
            except (
                Exception
            ) as error:  # a fault of ours must cry like a lost bus, not end in silence
                self._lose(f"a fault in keyturn: {type(error).__name__}: {error}")
            finally:
                _close(source)
            self._stop.wait(AGAIN)

    def _lose(self, why: str) -> None:
        words = "NO SIGNAL: " + " ".join(why.split())
        with self._lock:
            known, self.judge.down = self.judge.down, words
            self.judge.crossed.setdefault("source", words)
            change = Change(time.monotonic(), "source", "", True, "lost", words)
            if not known:
                self.cries.hear((change,))
            status = self.judge.status(self.live)
        if not known:
            self._say((change,), status)


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
    if "knock" in bounds:
        # the ladder keeps degrees, a channel is in radians
        bounds["knock"] = math.radians(bounds["knock"])
    mode, regulator = told.rung.mode, build.regulator
    stated = build.site.barometer.si if mode == "key-on" else build.engine.idle_pressure.si
    return Numbers(
        step=told.rung.name,
        mode=mode,
        record=told.rung.record,
        bounds=bounds,
        speed_cap=told.caps[0],
        pressure_cap=told.caps[1],
        barometer=build.site.barometer.si,
        at_manifold=told.bounds.get("at-manifold", stated),
        ratio=regulator.ratio.si if regulator.reference == "manifold" else 0.0,
        wanted_at=np.asarray(build.mixture.curve.x),
        wanted=np.asarray(build.mixture.curve.y),
        lean=measures()["lambda"].abort,
    )


def _channels(limits: Numbers) -> tuple[str, ...]:
    more = [MEASURES[name][0] for name in limits.record if name in MEASURES]
    return ("across_injector", "rail_gauge", "manifold_pressure", "engine_speed", *more)


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
