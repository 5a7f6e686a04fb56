"""What a watch witnessed of its step: the worst of each measure, how long, and what was missed.

The ladder takes these numbers in place of typed ones. It counts only what belongs to the step:
pressure while it was due, voltage while the engine ran, mixture under load. Silence counts for
nothing, and the longest of it is kept.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np

from keyturn.logs.alarm import LOADED, MEASURES, OFF_AMBIENT, RUNS, Numbers
from keyturn.logs.live import STALE

GAP = 0.5  # [s] without pressure, under load: a dip of the hold time could pass unseen
STEADY = 2.0  # [s] the same where nothing is loaded
PULL = 10.0  # [s] a step as short as this is a pull: all of it counts under load
UNDER_LOAD = 10.0  # [s] of load that a longer drive has to hold; common practice, no source
SHARE = 0.7  # of the boost of the step from which it counts as reached; common practice
BOOSTED = 6.9e3  # [Pa] above ambient from which a step has boost at all: 1 psi
VACUUM = 0.9  # of the absolute manifold pressure of a step without boost; the same
STILL = 20e3  # [Pa] that the manifold moves by while nothing that follows it can stand still
FOLLOW = ("duty", "lambda", "engine_speed")  # and the fuel pressure, as the regulator has it
FROZEN = 10.0  # [s] without any change of anything, which no running engine does
HELD = 30.0  # [1/s] engine speed from which a step without load counts as held (1800 rev/min)

Fresh = Mapping[str, tuple[float, float]]


@dataclass(frozen=True)
class Worst:
    """The worst value of a measure with where it was: SI; None where that was not known."""

    value: float
    margin: float  # to its abort number at that moment, positive on the good side
    engine_speed: float | None
    manifold_pressure: float | None


@dataclass
class Witness:
    """Fed by the watch with everything that is fresh."""

    numbers: Numbers
    worst: dict[str, Worst] = field(default_factory=dict)  # by measure of the step
    seconds: float = 0.0  # in the state of the step: key on, idling, held, or running
    load: float = 0.0  # [s] at the load of the step
    gap: float = 0.0  # [s] longest time without a pressure after the first
    blind: float = 0.0  # [s] the same of the manifold, by which the pressure is judged
    frozen: float = 0.0  # [s] longest time in which nothing at all changed while the engine ran
    _pressed: float | None = None  # when the last pressure came
    _filled: float | None = None  # and the last of the manifold
    _last: float | None = None
    _range: dict[str, tuple[float, float]] = field(default_factory=dict)  # by channel
    _same: Mapping[str, float] = field(default_factory=dict)  # as it stood
    _since: float = 0.0

    def see(self, now: float, fresh: Fresh, due: bool, rail_bound: float | None) -> None:
        """Values at one moment; ``due``: the pressure is judged; ``rail_bound`` there [Pa]."""
        values = {name: value for name, (value, _) in fresh.items()}
        passed = min(now - self._last, GAP) if self._last is not None else 0.0
        self._last = now
        for name, value in values.items():
            low, high = self._range.get(name, (value, value))
            self._range[name] = min(low, value), max(high, value)
        if values != self._same or values.get("engine_speed", 0.0) < RUNS:
            self._same, self._since = values, now
        self.frozen = max(self.frozen, now - self._since)
        if "manifold_pressure" in fresh:
            filled = fresh["manifold_pressure"][1]
            if self._filled is not None:
                self.blind = max(self.blind, filled - self._filled)
            self._filled = filled
        came = max((fresh[name][1] for name in ("rail_gauge", "across_injector") if name in fresh),
                   default=None)  # fmt: skip
        if came is not None and self._pressed is not None:
            self.gap = max(self.gap, came - self._pressed)
        if came is not None:
            self._pressed = came
            if self._in_state(values):
                self.seconds += passed
            if self._at_load(values):
                self.load += passed
        self._keep(values, due, rail_bound)

    def end(self, now: float) -> None:
        """The watch is over: silence up to here counts too."""
        if self._pressed is not None:
            self.gap = max(self.gap, now - self._pressed)
        if self._filled is not None:
            self.blind = max(self.blind, now - self._filled)

    def lacking(self, wanted: float) -> Iterator[str]:
        """Why this is too little to witness a step of ``wanted`` [s]."""
        mode = self.numbers.mode
        driven = mode not in ("key-on", "idle", "held")
        if self._pressed is None:
            yield "no fuel pressure was seen"
            return
        allowed = GAP if driven else min(STEADY, STALE)
        if self.gap > allowed:
            yield (
                f"no fuel pressure for {self.gap:.1f} s; longer than {allowed:g} s a dip could "
                "pass unseen"
            )
        if self.frozen >= FROZEN:
            yield (
                f"nothing at all changed for {self.frozen:.0f} s while the engine ran: a source "
                "that repeats itself witnesses nothing"
            )
        if driven and self.blind > allowed:
            yield f"no manifold pressure for {self.blind:.1f} s: the fuel is judged by it"
        if driven:
            yield from self._still()
            load = min(wanted, UNDER_LOAD)
            if self.load < load:
                yield f"at the load of the step for {self.load:.1f} s of {load:g} s"
        if (not driven or wanted > PULL) and self.seconds < wanted:
            yield f"in the state of the step for {self.seconds:.0f} s of {wanted:g} s"

    def _still(self) -> Iterator[str]:
        """Sensors that stand still while what they follow moves."""
        low, high = self._range.get("manifold_pressure", (0.0, 0.0))
        if high - low < STILL:
            return
        # what the regulator keeps the same may stand still, the other one may not
        pressure = "rail_gauge" if self.numbers.ratio else "across_injector"
        for name in (pressure, *FOLLOW):
            least, most = self._range.get(name, (0.0, 1.0))
            if least == most:
                yield (
                    f"{name.replace('_', ' ')} stood at one value while the manifold moved by "
                    f"{(high - low) / 1e3:.0f} kPa: a sensor that stands still witnesses nothing"
                )

    def _in_state(self, values: Mapping[str, float]) -> bool:
        speed, mode = values.get("engine_speed"), self.numbers.mode
        if mode == "key-on":
            ambient = self.numbers.barometer
            drawn = abs(values.get("manifold_pressure", ambient) - ambient) > OFF_AMBIENT
            return (speed is None or speed < RUNS) and not drawn
        return speed is not None and speed >= (HELD if mode == "held" else RUNS)

    def _at_load(self, values: Mapping[str, float]) -> bool:
        numbers, manifold = self.numbers, values.get("manifold_pressure")
        if manifold is None or numbers.mode in ("key-on", "idle", "held"):
            return False
        if values.get("engine_speed", 0.0) < max(RUNS, numbers.speed_least):
            return False
        # by the middle of what is expected: its cap is the upper edge, which few cars reach
        boost = numbers.at_manifold - numbers.barometer
        if boost > BOOSTED:
            return manifold >= numbers.barometer + SHARE * boost
        return manifold >= VACUUM * numbers.at_manifold

    def _keep(self, values: Mapping[str, float], due: bool, rail_bound: float | None) -> None:
        numbers, manifold = self.numbers, values.get("manifold_pressure")
        rail = values.get("rail_gauge")
        if rail is None and "across_injector" in values and manifold is not None:
            rail = values["across_injector"] + manifold - numbers.barometer
        if due and rail is not None and rail_bound is not None:
            self._worse("rail-pressure", rail, rail - rail_bound, values)
        speed = values.get("engine_speed")
        for name, (channel, sense, _, _) in MEASURES.items():
            value, bound = values.get(channel), numbers.bounds.get(name, math.nan)
            if name not in numbers.record or value is None:
                continue
            if name == "pump-voltage" and speed is not None and speed < RUNS:
                continue
            if name == "lambda":
                if manifold is None or manifold <= LOADED * numbers.barometer:
                    continue
                wanted = float(np.interp(manifold, numbers.wanted_at, numbers.wanted))
                bound = wanted + numbers.lean
            self._worse(name, value, value - bound if sense == "low" else bound - value, values)

    def _worse(self, name: str, value: float, margin: float, values: Mapping[str, float]) -> None:
        known = self.worst.get(name)
        if known is None or margin < known.margin:
            self.worst[name] = Worst(value, margin, values.get("engine_speed"),
                                     values.get("manifold_pressure"))  # fmt: skip
