"""Everything that is known of one watch: newest values, alarms, and what was witnessed.

The watch feeds it live, and a watch whose program was killed is judged by its record through the
same. The caller keeps threads apart.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from keyturn.glossary import quantities
from keyturn.logs.alarm import MEASURES, PRESSURE, Change, Judge, Numbers, Status
from keyturn.logs.cries import Cries
from keyturn.logs.live import Live, Sample
from keyturn.logs.witness import Witness

LOST = "lost "  # before the channel, in the name of an alarm
DERIVED = ("rail_gauge", "manifold_pressure")
GLOSSARY = {"lambda": "air_fuel_equivalence"}  # where the quantity has another name
# side on which an impossible value would hide what it is watched for; the other side cries
HIDES: Mapping[str, str] = {
    "manifold_pressure": "low",  # the pressure that is wanted of the rail sinks with it
    **dict.fromkeys(PRESSURE, "high"),
    **{row[0]: "low" if row[1] == "high" else "high" for row in MEASURES.values()},
}


class Session:
    """Values in, changes out; what speaks against a clean step at the end."""

    def __init__(self, numbers: Numbers, seconds: float) -> None:
        """``seconds`` that the step lasts."""
        self.numbers, self._seconds = numbers, seconds
        more = [MEASURES[name][0] for name in numbers.record if name in MEASURES]
        self.live = Live((*PRESSURE, "manifold_pressure", "engine_speed", *more))
        self.judge = Judge(numbers, math.inf)
        self.cries, self.witness = Cries(), Witness(numbers)
        self._measured = False  # the source brings the pressure across the injector itself

    def take(self, samples: Sequence[Sample], at: float) -> tuple[Change, ...]:
        """Values that came at one moment; what began or ended with them."""
        self._measured |= any(one.name == "across_injector" for one in samples)
        back, self.judge.down = self.judge.down, ""
        self.live.put([_possible(one) for one in samples], at)
        self.judge.derived = not self._measured
        if self.judge.derived:
            self._derive(at)
        changes = self.judge.see(at, self.live)
        if back:
            changes += (Change(at, "source", "", False, "lost", "the source is back"),)
        self._witness(at)
        self.cries.hear(changes)
        return changes

    def tick(self, now: float, unrecorded: str) -> tuple[Change, ...]:
        """No value came: holds that end, values that grow old, a record that fails."""
        words = f"NOT RECORDED: {unrecorded}" if unrecorded else ""
        unlike = bool(words) != bool(self.judge.unrecorded)
        self.judge.unrecorded = words
        changes = self.judge.see(now, self.live)
        if unlike:
            told = words or "recorded again"
            changes += (Change(now, "record", "", bool(words), "unrecorded", told),)
            if words:
                self.judge.crossed.setdefault("record", words)
        self.cries.hear(changes)
        return changes

    def lose(self, now: float, words: str) -> tuple[Change, ...]:
        """The source is gone; a change the first time."""
        known, self.judge.down = self.judge.down, words
        self.judge.crossed.setdefault("source", words)
        if known:
            return ()
        change = Change(now, "source", "", True, "lost", words)
        self.cries.hear((change,))
        return (change,)

    def status(self) -> Status:
        """The whole in one word."""
        return self.judge.status(self.live)

    def against(self) -> tuple[str, ...]:
        """Whatever makes this no clean drive of the step."""
        crossed = self.judge.crossed
        found = [f"alarm: {crossed[name]}" for name in crossed if not name.startswith(LOST)]
        silent = [name.removeprefix(LOST) for name in crossed if name.startswith(LOST)]
        if silent:
            names = ", ".join(name.replace("_", " ") for name in silent)
            found.append(f"alarm: NO SIGNAL: {names}")
        found += self.witness.lacking(self._seconds)
        found += self.judge.blind(self.live)
        return tuple(dict.fromkeys(found))

    def _witness(self, at: float) -> None:
        fresh = self.live.fresh(at)
        values = {name: value for name, (value, _) in fresh.items()}
        bound = None
        if "rail-pressure" in self.numbers.bounds:
            bound = self.judge.rail_bound(values.get("manifold_pressure", self.numbers.at_manifold))
        self.witness.see(at, fresh, self.judge.due(at), bound)

    def _derive(self, at: float) -> None:
        fresh = self.live.fresh(at)
        if all(name in fresh for name in DERIVED):
            rail, manifold = (fresh[name][0] for name in DERIVED)
            oldest = min(fresh[name][1] for name in DERIVED)
            across = rail - (manifold - self.numbers.barometer)
            self.live.put([Sample("across_injector", across)], oldest)


def _possible(sample: Sample) -> Sample:
    """No number where a broken sensor would hide what it is watched for."""
    side = HIDES.get(sample.name)
    row = quantities().get(GLOSSARY.get(sample.name, sample.name))
    if side is None or row is None or not math.isfinite(sample.value):
        return sample
    if sample.value < row.low if side == "low" else sample.value > row.high:
        return Sample(sample.name, math.nan, f"{sample.value:.6g} {row.unit} is not possible")
    return sample
