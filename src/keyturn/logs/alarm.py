"""Judges live values against the limits of a ladder step: loud, plain, and never by silence.

A limit is crossed when the value stayed past it for the hold time of that limit; the alarm is
then given with the frame that completes the hold, or without a further frame when none comes.
What was seen once and is no longer seen is an alarm itself. Pressure across the injector first.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np

from keyturn.logs.frame import Samples
from keyturn.logs.live import STALE, Live

HOLD = 0.3  # [s] past a limit before it counts; common practice, no source
HOLD_HIGH = 1.0  # [s] the same above the highest fuel pressure: a closing throttle takes a moment
CLEAR = 1.0  # [s] on the good side before an alarm ends
HARD = 13.8e3  # [Pa] beyond the abort number, where there is no waiting (2 psi); common practice
TOGETHER = 0.05  # [s] rail and manifold apart at most, for the limit without waiting
RUNS = 5.0  # [1/s] engine speed from which it runs
LOADED = 0.95  # of ambient: from here on the mixture is held to its limit
OFF_AMBIENT = 15e3  # [Pa] of vacuum or boost that no standing engine makes; weather makes 5
PRIME = 5.0  # [s] for the pressure to come up, key on
WEATHER = 3e3  # [Pa] that the ambient pressure may be off what the build says of its site

MOST = "rail-pressure-most"  # abort number of the rail on its other side, where one is stated
PRESSURE = ("across_injector", "rail_gauge")  # either will do
# measure of the step -> channel, the bad side, hold [s], what is cried, in the order of the cries
MEASURES = {
    "lambda": ("lambda", "high", HOLD, "LEAN"),
    "knock": ("knock_retard", "high", 0.0, "KNOCK"),
    "pump-voltage": ("voltage", "low", HOLD, "PUMP VOLTAGE"),
    "duty": ("duty", "high", HOLD, "INJECTOR DUTY"),
    "inlet": ("inlet_temperature", "high", 1.0, "HOT CHARGE"),
    "coolant": ("coolant_temperature", "high", 1.0, "HOT COOLANT"),
}


@dataclass(frozen=True)
class Look:
    """How a state is shown and heard; no state by colour alone."""

    word: str
    colour: str
    pattern: str
    tone: float  # [Hz], 0 is silence
    beats: float  # tones a second
    vibration: tuple[int, ...]  # [ms] on, off, ...


LOOKS = {
    "alarm": Look("LIFT, STOP", "#b00020", "stripes", 2000.0, 4.0, (300, 100, 300, 100, 300)),
    "lost": Look("NO SIGNAL", "#7a4b00", "checks", 800.0, 2.0, (800, 200)),
    "unrecorded": Look("NOT RECORDED", "#7a4b00", "crosses", 800.0, 1.0, (400, 400)),
    "part": Look("NOT ALL WATCHED", "#4a4a4a", "dots", 0.0, 0.0, ()),
    "waiting": Look("WAITING", "#4a4a4a", "outline", 0.0, 0.0, ()),
    "ok": Look("WITHIN LIMITS", "#005a3c", "plain", 0.0, 0.0, ()),
}


@dataclass(frozen=True)
class Numbers:
    """The limits of one step; SI."""

    step: str
    mode: str  # "key-on", "idle", "held" and so on
    record: tuple[str, ...]  # measures that the step records
    bounds: Mapping[str, float]  # abort numbers by measure
    speed_cap: float  # [1/s]
    pressure_cap: float  # [Pa] above ambient
    barometer: float  # [Pa]
    at_manifold: float  # [Pa] at which the abort number of the rail pressure is stated
    ratio: float  # of the regulator: 0 when it does not follow the manifold
    wanted_at: Samples  # [Pa] manifold pressures of the wanted lambda
    wanted: Samples
    lean: float  # lambda above the wanted one at which it is lifted
    speed_least: float = 0.0  # [1/s] below which another step is driven


@dataclass(frozen=True)
class Change:
    """An alarm that began or ended."""

    at: float  # on our clock
    name: str
    channel: str
    began: bool
    kind: str  # "alarm" or "lost"
    words: str


@dataclass(frozen=True)
class Status:
    """All together: ``state`` is a key of LOOKS, ``words`` the loudest first."""

    state: str
    words: tuple[str, ...]
    unwatched: tuple[str, ...]  # measures of the step that no signal was ever seen of

    @property
    def look(self) -> Look:
        return LOOKS[self.state]


@dataclass(frozen=True)
class Crossing:
    """One limit at one moment; ``past`` is None where nothing can be said now."""

    name: str
    channel: str
    past: bool | None
    hold: float
    words: str


@dataclass
class _Kept:
    since: float | None = None  # past the limit since
    good: float | None = None  # on the good side since, while in alarm
    active: Crossing | None = None


@dataclass
class Judge:
    """Keeps what was past its limit since when; call it with every frame and every tick."""

    numbers: Numbers
    start: float
    kept: dict[str, _Kept] = field(default_factory=dict)
    lost: dict[str, str] = field(default_factory=dict)  # channel -> words
    crossed: dict[str, str] = field(default_factory=dict)  # first words of every limit ever crossed
    down: str = ""  # why the source is gone; empty while it is there
    unrecorded: str = ""  # why nothing is recorded; empty while it is
    derived: bool = False  # pressure across the injector is rail less manifold, and not measured
    primed: bool = False
    runs: bool = True  # the engine, as far as is known
    drawn: float | None = None  # the manifold is off ambient since

    def see(self, now: float, live: Live) -> tuple[Change, ...]:
        """What began or ended with what is known now; marks the channels in ``live``."""
        fresh = live.fresh(now)
        self._look_whether_it_runs(now, {name: value for name, (value, _) in fresh.items()})
        changes = list(self._losses(now, fresh, live.seen()))
        for crossing in self._crossings(now, fresh):
            change = self._step(now, crossing)
            if change is not None:
                changes.append(change)
        if changes:
            active = [kept.active for kept in self.kept.values() if kept.active is not None]
            live.mark({one.channel: one.words for one in active} | self._silent(live.seen()))
        return tuple(changes)

    def status(self, live: Live) -> Status:
        """The whole in one word; call `see` first."""
        active = [kept.active for kept in self.kept.values() if kept.active is not None]
        losses = ([self.down] if self.down else []) + list(self.lost.values())
        words = (*(one.words for one in sorted(active, key=_rank)), *losses)
        seen = live.seen()
        unwatched = tuple(
            name for name in self.numbers.record
            if name in MEASURES and MEASURES[name][0] not in seen
        )  # fmt: skip
        if active:
            return Status("alarm", words, unwatched)
        if losses:
            return Status("lost", words, unwatched)
        if self.unrecorded:
            return Status("unrecorded", (self.unrecorded,), unwatched)
        if not seen.intersection(PRESSURE):
            return Status("waiting", ("no pressure came yet",), unwatched)
        blind = self.blind(live)
        return Status("part" if unwatched or blind else "ok", blind, unwatched)

    def blind(self, live: Live) -> tuple[str, ...]:
        """What cannot be judged: for want of a channel or of a number, or by a wrong ambient."""
        numbers, seen, lacking = self.numbers, live.seen(), []
        if numbers.mode != "key-on" and "engine_speed" not in seen:
            lacking.append("no engine speed: its cap is not watched")
        if "manifold_pressure" not in seen:
            lacking.append("no manifold pressure: the cap of boost is not watched")
        wanted = dict.fromkeys(("rail-pressure", *(m for m in numbers.record if m in MEASURES)))
        lacking += [
            f"no abort number for {name}: it is not watched"
            for name in wanted
            if not math.isfinite(numbers.bounds.get(name, math.nan))
            or (name == "rail-pressure" and not math.isfinite(numbers.at_manifold))
        ]
        if not math.isfinite(numbers.speed_cap + numbers.pressure_cap):
            lacking.append("no cap of speed and boost: they are not watched")
        ambient = live.last("barometer")
        if ambient is not None and not abs(ambient - numbers.barometer) <= WEATHER:
            lacking.append(
                f"the barometer reads {ambient / 1e3:.0f} kPa, the build says "
                f"{numbers.barometer / 1e3:.0f} kPa of its site: pressures are judged by a wrong "
                "ambient"
            )
        return tuple(lacking)

    def _watched(self) -> tuple[str, ...]:
        more = [MEASURES[name][0] for name in self.numbers.record if name in MEASURES]
        return (*PRESSURE, "engine_speed", "manifold_pressure", *more)

    def _losses(
        self, now: float, fresh: Mapping[str, tuple[float, float]], seen: frozenset[str]
    ) -> Iterator[Change]:
        gone = {}
        for name in self._watched():
            if name in seen and name not in fresh:
                gone[name] = f"NO SIGNAL: {name.replace('_', ' ')}"
        if not seen.intersection(PRESSURE) and now - self.start >= STALE:
            gone["across_injector"] = "NO SIGNAL: fuel pressure never came"
        for name in [name for name in gone if name not in self.lost]:
            self.crossed.setdefault(f"lost {name}", gone[name])
            yield Change(now, f"lost {name}", name, True, "lost", gone[name])
        for name in [name for name in self.lost if name not in gone]:
            yield Change(now, f"lost {name}", name, False, "lost", f"{name} is back")
        self.lost = gone

    def _silent(self, seen: frozenset[str]) -> dict[str, str]:
        return {name: words for name, words in self.lost.items() if name not in seen}

    def _step(self, now: float, crossing: Crossing) -> Change | None:
        kept = self.kept.setdefault(crossing.name, _Kept())
        if crossing.past:
            kept.good = None
            kept.since = now if kept.since is None else kept.since
            if kept.active is None and now - kept.since >= crossing.hold:
                kept.active = crossing
                self.crossed.setdefault(crossing.name, crossing.words)
                return Change(now, crossing.name, crossing.channel, True, "alarm", crossing.words)
            if kept.active is not None:
                kept.active = crossing
            return None
        if crossing.past is None:
            # an alarm whose signal went stays; a crossing that was not confirmed goes on counting
            return None
        kept.since = None
        if kept.active is not None:
            kept.good = now if kept.good is None else kept.good
            if now - kept.good >= CLEAR:
                kept.active = kept.good = None
                words = f"{crossing.channel} is back on the good side"
                return Change(now, crossing.name, crossing.channel, False, "alarm", words)
        return None

    def _crossings(
        self, now: float, fresh: Mapping[str, tuple[float, float]]
    ) -> Iterator[Crossing]:
        """Every limit of the step as it stands, the pressure first."""
        values = {name: value for name, (value, _) in fresh.items()}
        if self.derived:
            # judged by the rail itself: it knows how far apart in time the two were taken
            values.pop("across_injector", None)
        yield from self._pressure(now, fresh, values)
        yield from self._mixture(values)
        for name, (channel, sense, hold, cry) in MEASURES.items():
            bound = self.numbers.bounds.get(name)
            if bound is None or name == "lambda":
                continue
            value = values.get(channel)
            past = None
            if value is not None:
                past = value < bound if sense == "low" else value > bound
            if name == "pump-voltage" and not self.runs:
                past = False
            yield Crossing(name, channel, past, hold, cry)
        yield from self._caps(values)

    def _pressure(
        self,
        now: float,
        fresh: Mapping[str, tuple[float, float]],
        values: Mapping[str, float],
    ) -> Iterator[Crossing]:
        below, together = self._shortfall(fresh, values)
        if below is None:
            yield Crossing("pressure", "across_injector", None, HOLD, "FUEL PRESSURE")
            return
        self.primed |= below <= 0.0
        due = self.due(now)
        channel = "across_injector" if "across_injector" in fresh else "rail_gauge"
        words = f"FUEL PRESSURE {below / 1e3:.0f} kPa below its abort number"
        yield Crossing("pressure", channel, due and below > 0.0, HOLD, words)
        hard = due and together and below > HARD
        yield Crossing("pressure, at once", channel, hard, 0.0, words)
        yield from self._overpressure(due, channel, values)

    def _overpressure(
        self, due: bool, channel: str, values: Mapping[str, float]
    ) -> Iterator[Crossing]:
        """A regulator that does not hold: its other limit moves with the manifold as the lower."""
        numbers, manifold = self.numbers, values.get("manifold_pressure")
        if MOST not in numbers.bounds:
            return
        past, words = None, "FUEL PRESSURE above its highest"
        at = numbers.at_manifold if manifold is None else manifold
        rail = values.get("rail_gauge")
        if rail is None and manifold is not None:
            rail = values["across_injector"] + at - numbers.barometer
        if rail is not None and (manifold is not None or not numbers.ratio):
            most = numbers.bounds[MOST] + numbers.ratio * (at - numbers.at_manifold)
            past = due and rail > most
            words = f"FUEL PRESSURE {(rail - most) / 1e3:.0f} kPa above its highest"
        yield Crossing("pressure, too high", channel, past, HOLD_HIGH, words)

    def _shortfall(
        self, fresh: Mapping[str, tuple[float, float]], values: Mapping[str, float]
    ) -> tuple[float | None, bool]:
        """Pressure below the abort number [Pa], and whether it was taken at one moment."""
        numbers, manifold = self.numbers, values.get("manifold_pressure")
        bound = numbers.bounds.get("rail-pressure", math.nan)
        if "across_injector" in values:
            at = numbers.at_manifold if manifold is None else manifold
            across = self.rail_bound(at) - (at - numbers.barometer)
            apart = _apart(fresh, "across_injector") if numbers.ratio != 1.0 else 0.0
            return across - values["across_injector"], apart <= TOGETHER
        if "rail_gauge" not in values:
            return None, False
        if manifold is None:
            return bound - values["rail_gauge"], numbers.ratio == 0.0
        apart = _apart(fresh, "rail_gauge") if numbers.ratio else 0.0
        return self.rail_bound(manifold) - values["rail_gauge"], apart <= TOGETHER

    def rail_bound(self, manifold: float) -> float:
        """Abort number of the rail pressure [Pa gauge] at a manifold pressure [Pa]."""
        numbers = self.numbers
        stated = numbers.bounds.get("rail-pressure", math.nan)
        return stated + numbers.ratio * (manifold - numbers.at_manifold)

    def aborts(self, values: Mapping[str, float]) -> dict[str, tuple[float, str]]:
        """Abort number of each channel at these values, and its bad side; SI.

        The mixture has none in vacuum: it is not judged there.
        """
        numbers, manifold = self.numbers, values.get("manifold_pressure")
        found: dict[str, tuple[float, str]] = {}
        if "rail-pressure" in numbers.bounds:
            at = numbers.at_manifold if manifold is None else manifold
            rail = self.rail_bound(at)
            found["across_injector"] = rail - (at - numbers.barometer), "low"
            found["rail_gauge"] = rail, "low"
        for name, (channel, sense, _, _) in MEASURES.items():
            if name in numbers.bounds:
                found[channel] = numbers.bounds[name], sense
        if "lambda" in found and manifold is not None:
            if manifold > LOADED * numbers.barometer:
                found["lambda"] = self._wanted(manifold) + numbers.lean, "high"
            else:
                del found["lambda"]
        if numbers.mode not in ("key-on", "idle"):
            found["engine_speed"] = numbers.speed_cap, "high"
            found["manifold_pressure"] = numbers.barometer + numbers.pressure_cap, "high"
        return found

    def _wanted(self, manifold: float) -> float:
        """Wanted lambda at a manifold pressure [Pa]."""
        return float(np.interp(manifold, self.numbers.wanted_at, self.numbers.wanted))

    def due(self, now: float) -> bool:
        """Whether the pressure is judged: once the engine runs, or key on once it came up."""
        if self.numbers.mode == "key-on":
            return self.primed or now - self.start >= PRIME
        return self.runs

    def _look_whether_it_runs(self, now: float, values: Mapping[str, float]) -> None:
        """What is not known, or contradicts itself for a while, excuses nothing."""
        speed = values.get("engine_speed")
        ambient = self.numbers.barometer
        drawn = abs(values.get("manifold_pressure", ambient) - ambient) > OFF_AMBIENT
        if not drawn:
            self.drawn = None
        elif self.drawn is None:
            self.drawn = now
        # the manifold of an engine that was just stopped needs a moment to fill
        lasts = self.drawn is not None and now - self.drawn >= CLEAR
        self.runs = speed is None or speed >= RUNS or lasts

    def _mixture(self, values: Mapping[str, float]) -> Iterator[Crossing]:
        numbers = self.numbers
        if "lambda" not in numbers.bounds:
            return
        manifold, found = values.get("manifold_pressure"), values.get("lambda")
        past: bool | None = None
        if found is not None and manifold is None:
            past = found > numbers.bounds["lambda"]
        elif found is not None and manifold is not None:
            loaded = manifold > LOADED * numbers.barometer
            past = loaded and found > self._wanted(manifold) + numbers.lean
        yield Crossing("lambda", "lambda", past, HOLD, "LEAN")

    def _caps(self, values: Mapping[str, float]) -> Iterator[Crossing]:
        numbers, manifold = self.numbers, values.get("manifold_pressure")
        speed = values.get("engine_speed")
        if numbers.mode in ("key-on", "idle"):
            # these are not driven: the step has no cap that means anything
            return
        over = None if speed is None else speed > numbers.speed_cap
        yield Crossing("speed cap", "engine_speed", over, HOLD, "ABOVE THE SPEED OF THE STEP")
        above = None if manifold is None else manifold - numbers.barometer > numbers.pressure_cap
        yield Crossing("boost cap", "manifold_pressure", above, HOLD, "ABOVE THE BOOST OF THE STEP")


def _apart(fresh: Mapping[str, tuple[float, float]], name: str) -> float:
    if "manifold_pressure" not in fresh:
        return math.inf
    return abs(fresh[name][1] - fresh["manifold_pressure"][1])


def _rank(crossing: Crossing) -> int:
    order = ("pressure, at once", "pressure", "pressure, too high", *MEASURES)
    return order.index(crossing.name) if crossing.name in order else len(order)
