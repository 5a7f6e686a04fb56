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

from keyturn import units
from keyturn.build.model import Build
from keyturn.build.read import load
from keyturn.errors import FileRefused, KeyturnError, Place, ValueRefused
from keyturn.logs.alarm import MEASURES, Change, Judge, Numbers, Status
from keyturn.logs.can_bus import CanSource, Named, Source, open_bus
from keyturn.logs.decide import Context
from keyturn.logs.growing import growing
from keyturn.logs.live import Live, LiveValue, Sample
from keyturn.logs.obd import Poller
from keyturn.logs.record import Recorder
from keyturn.logs.simulated_car import SimulatedCar
from keyturn.procedure.ladder import measures
from keyturn.tasks.check import check
from keyturn.tasks.ladder import Watched, watched
from keyturn.tasks.log import ORIGINALS
from keyturn.tasks.read import folder_of

TICK = 0.02  # [s] between two looks when no frame comes
AGAIN = 1.0  # [s] between two tries to open a lost source
SOURCES = "simulated, simulated:FAULT, file:PATH, can:INTERFACE:CHANNEL, obd:INTERFACE:CHANNEL"
SAMPLES = 60  # of the model for the simulated car, of which only the middle is used
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
    ) -> None:
        model = load(build)
        self.told: Watched = watched(build, step)
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
        self._threads: list[threading.Thread] = []
        self._measured = False  # the source brings the pressure across the injector itself

    def start(self) -> None:
        """Begin the record, the source and the alarm."""
        self._began = time.monotonic()
        self.judge.start = self._began
        self.recorder = Recorder(_path(self._folder))
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

    def stop(self) -> Ended:
        """End it; what was recorded is on the disk when this returns."""
        self._stop.set()
        for thread in self._threads:
            thread.join(5.0)
        unwritten = self.recorder.close()
        status = self.status()
        return Ended(
            self.numbers.step, self.recorder.path, self.recorder.acknowledged, unwritten,
            time.monotonic() - self._began, tuple(self.judge.crossed.values()), status.unwatched,
        )  # fmt: skip

    def take(self, samples: Sequence[Sample], at: float) -> None:
        """Values from the source: judged first, recorded after."""
        self._measured |= any(one.name == "across_injector" for one in samples)
        with self._lock:
            self.judge.down = ""
            self.live.put(samples, at)
            self.judge.derived = not self._measured
            if self.judge.derived:
                self._derive(at)
            changes = self.judge.see(at, self.live)
            status = self.judge.status(self.live) if changes else None
        self._say(changes, status)
        self.recorder.put(at - self._began, {one.name: one.value for one in samples})

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
                    self.judge.crossed.setdefault("record", words)
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
                source.run(self.take, self._stop)
            except KeyturnError as error:
                self._lose(str(error))
            except (
                Exception
            ) as error:  # a fault of ours must cry like a lost bus, not end in silence
                self._lose(f"a fault in keyturn: {type(error).__name__}: {error}")
            finally:
                bus = getattr(source, "bus", None)
                if bus is not None:
                    # an interface that is still held cannot be opened again
                    bus.close()
            self._stop.wait(AGAIN)

    def _lose(self, why: str) -> None:
        words = "NO SIGNAL: " + " ".join(why.split())
        with self._lock:
            known, self.judge.down = self.judge.down, words
            self.judge.crossed.setdefault("source", words)
            status = self.judge.status(self.live)
        if not known:
            self._say((Change(time.monotonic(), "source", "", True, "lost", words),), status)


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


def limits_in_words(watch: Watch) -> tuple[str, ...]:
    """The abort numbers of a watch, one line each, stated beforehand."""
    told, limits = watch.numbers.bounds, watch.numbers
    found = []
    if "rail-pressure" in told:
        across = watch.judge.rail_bound(limits.at_manifold) - limits.at_manifold + limits.barometer
        found.append(
            f"rail pressure not below {units.show(told['rail-pressure'], 'rail_gauge', digits=4)} "
            f"gauge at {units.show(limits.at_manifold, 'manifold_pressure', digits=4)} absolute in "
            f"the manifold: {units.show(across, 'across_injector', digits=4)} across the injector"
        )
    for name, (channel, sense, hold, _) in MEASURES.items():
        if name not in told or name not in limits.record:
            continue
        shown = units.show(told[name], channel, digits=4)
        side = "below" if sense == "low" else "above"
        found.append(f"{measures()[name].words}: not {side} {shown}, held {hold:g} s")
    if limits.mode not in ("key-on", "idle"):
        top = units.show(limits.pressure_cap + limits.barometer, "manifold_pressure", digits=4)
        speed = units.show(limits.speed_cap, "engine_speed", digits=4)
        found.append(f"stay below {speed} and {top} absolute in the manifold")
    return tuple(found)


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
        return growing(Path(rest), folder_of(build) / ORIGINALS, mapping, context)
    if kind == "can" and rest:
        if dbc is None:
            raise ValueRefused(
                "a bus without names says nothing", Place(key="--dbc"),
                accepted="--dbc FILE with the signals of this bus",
            )  # fmt: skip
        return CanSource(open_bus(rest), Named(Path(dbc), mapping, context))
    if kind == "obd" and rest:
        return Poller(open_bus(rest))
    raise ValueRefused("no such source", Place(key="--source"), text, SOURCES)


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
