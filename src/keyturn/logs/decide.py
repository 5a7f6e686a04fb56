"""Which unit, which side of a pressure, which fuel's AFR: decided by evidence, or left open.

Every reading of the numbers that is possible is tried and judged: rejected by the values,
possible, or supported by something that would be a coincidence otherwise. One that is supported
alone is taken; one that is possible alone is taken with less confidence; else it is asked.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from keyturn.logs.columns import Column, Kind
from keyturn.logs.frame import Samples
from keyturn.logs.units_seen import SEEN, Unit, read_unit, unit

OFF = 0.5  # rev/s, below: the engine stands
RUNS = 5.0  # rev/s, above: it runs
IDLE = 18.0  # rev/s, below and running: no blower holds boost there
FEW = 3  # samples that make a state
ZERO = 6e3  # Pa around a zero or the weather that a sensor may err by
# What a display multiplies lambda by: the numbers printed on instruments (common practice).
AFR_SCALES = {"petrol": 14.7, "E10": 14.1, "E85": 9.765, "ethanol": 9.0, "methanol": 6.4}
NEGATIVE = " negative"  # a retard that is logged below zero
DWELL = 0.012  # half width around stoichiometric where a closed loop stays


@dataclass(frozen=True)
class Context:
    """What is known from outside the file."""

    barometer: float = 101325.0  # of the build's site [Pa]
    fuel: str | None = None  # kind of fuel in build.toml
    fuel_density: float = 745.0  # [kg/m3]
    speed: Samples | None = None  # engine speed of the sampled rows [1/s]
    logged_barometer: float | None = None  # of a column of the file [Pa]

    @property
    def ambient(self) -> float:
        return self.logged_barometer or self.barometer

    def off(self, size: int) -> NDArray[np.bool_]:
        """Rows with the engine standing; none where its speed is not known."""
        return _state(self.speed, size, lambda speed: speed < OFF)

    def runs(self, size: int) -> NDArray[np.bool_]:
        return _state(self.speed, size, lambda speed: speed > RUNS)

    def idles(self, size: int) -> NDArray[np.bool_]:
        return _state(self.speed, size, lambda speed: (speed > RUNS) & (speed < IDLE))


@dataclass(frozen=True)
class Choice:
    """How the numbers of one column are taken."""

    text: str  # "psi gauge", "AFR of petrol"
    scale: float
    offset: float
    support: int  # 0 possible, 1 supported
    reasons: tuple[str, ...]


@dataclass(frozen=True)
class Decision:
    """The choice taken, or the open question with what is possible."""

    choice: Choice | None
    question: str | None = None
    options: tuple[Choice, ...] = ()
    confidence: float = 0.0
    conflict: bool = False  # the values speak against it


def _state(
    speed: Samples | None, size: int, test: Callable[[Samples], NDArray[np.bool_]]
) -> NDArray[np.bool_]:
    if speed is None or len(speed) != size:
        return np.zeros(size, dtype=bool)
    with np.errstate(invalid="ignore"):
        return test(speed)


def decide(column: Column, kind: Kind, context: Context, forced: str | None = None) -> Decision:
    """Take the numbers of ``column`` as ``kind``; ``forced`` is the unit that the user said."""
    readings = _readings(column, kind, context, forced)
    judged = [found for reading in readings if (found := _judge(column, kind, context, *reading))]
    if forced is not None:
        return _forced(column, kind, readings, judged, forced)
    if not judged:
        return Decision(None, _no_reading(column, kind, readings), conflict=True)
    supported = [choice for choice in judged if choice.support]
    said = column.unit is not None and len(readings) == 1
    if len(supported) == 1:
        return Decision(supported[0], options=tuple(judged), confidence=0.97)
    if len(judged) == 1:
        return Decision(judged[0], options=tuple(judged), confidence=0.95 if said else 0.75)
    options = tuple(supported or judged)
    texts = " or ".join(choice.text for choice in options)
    return Decision(None, f"{column.name!r} as {kind.name}: {texts}?", options, 0.4)


def _forced(
    column: Column,
    kind: Kind,
    readings: Sequence[tuple[str, float, float]],
    judged: list[Choice],
    forced: str,
) -> Decision:
    if not readings:
        return Decision(None, f"{forced!r} is no unit of {kind.name}", conflict=True)
    if len(readings) > 1 and len({choice.text for choice in judged}) != 1:
        texts = " or ".join(text for text, _, _ in readings)
        return Decision(None, f"{column.name!r} as {kind.name}: {texts}?", tuple(judged), 0.4)
    if judged:
        choice = judged[0]
        return Decision(choice, confidence=0.99)
    text, scale, offset = readings[0]
    choice = Choice(text, scale, offset, 0, (_range(column, scale, offset, kind),))
    return Decision(choice, confidence=0.5, conflict=True)


def _no_reading(column: Column, kind: Kind, readings: Sequence[tuple[str, float, float]]) -> str:
    low, middle, high = column.quantiles(0.005, 0.5, 0.995)
    written = str(column.unit) if column.unit else "any unit that is usual"
    return (
        f"{column.name!r} runs from {low:.4g} over {middle:.4g} to {high:.4g}: in {written} that "
        f"is no {kind.name.replace('_', ' ')} ({kind.reason}). Which unit is it, or is it "
        "something else?"
    )


def _range(column: Column, scale: float, offset: float, kind: Kind) -> str:
    low, high = (value * scale + offset for value in column.quantiles(0.005, 0.995))
    return f"{low:.4g} to {high:.4g} in SI, where {kind.low:.4g} to {kind.high:.4g} is usual"


def _readings(
    column: Column, kind: Kind, context: Context, forced: str | None
) -> list[tuple[str, float, float]]:
    """Every way to take the numbers: (text, scale, offset to SI)."""
    units = _units(column, kind, forced)
    if kind.kind == "mixture":
        return _mixtures(units, forced)
    found = []
    for one in units:
        if kind.kind == "pressure" and kind.side in ("gauge", "absolute"):
            for side in (one.side,) if one.side else ("gauge", "absolute"):
                shift = 0.0
                if side != kind.side:
                    shift = context.ambient if side == "gauge" else -context.ambient
                found.append((f"{one.name} {side}", one.scale, one.offset + shift))
        elif one.kind == "mass flow" and kind.kind == "volume flow":
            found.append((one.name, one.scale / context.fuel_density, 0.0))
        elif kind.name == "knock_retard":
            for text, sign in ((one.name, 1.0), (f"{one.name}{NEGATIVE}", -1.0)):
                if forced is None or forced.endswith(NEGATIVE) == (sign < 0):
                    found.append((text, sign * one.scale, 0.0))
        elif one.kind == "angle" and kind.kind == "ratio":
            found.append((one.name, 1.0 / 90.0, 0.0))
        else:
            found.append((one.name, one.scale, one.offset))
    return found


def _units(column: Column, kind: Kind, forced: str | None) -> list[Unit]:
    text = (forced or "").lower().split(" of ")[0].removesuffix(NEGATIVE).strip()
    if forced is not None:
        one = read_unit(text)
        return [one] if one is not None and fits(one, kind) else []
    if column.unit is not None and fits(column.unit, kind):
        side = column.unit.side or _side_in_name(column, kind)
        return [Unit(**{**vars(column.unit), "side": side})]
    side = _side_in_name(column, kind)
    return [unit(name, _kind_of(name, kind), side) for name in kind.units]


def _kind_of(name: str, kind: Kind) -> str:
    for found, names in SEEN.items():
        if name in names and fits(Unit(name, found, 1.0, 0.0), kind):
            return found
    return kind.kind


def fits(one: Unit, kind: Kind) -> bool:
    """May a channel of this kind be recorded in this unit?"""
    return one.kind == kind.kind or (one.kind, kind.kind) in (
        ("mass flow", "volume flow"),
        ("angle", "ratio"),
    )


def _side_in_name(column: Column, kind: Kind) -> str | None:
    """A side that the name itself says in so many words."""
    if kind.kind != "pressure" or kind.side == "difference":
        return None
    words = column.label.split()
    if "absolute" in words or "abs" in words:
        return "absolute"
    if "gauge" in words or "gage" in words or "rel" in words or "relative" in words:
        return "gauge"
    return None


def _mixtures(units: list[Unit], forced: str | None) -> list[tuple[str, float, float]]:
    found = []
    for one in units:
        if one.name == "lambda":
            found.append(("lambda", 1.0, 0.0))
            continue
        wanted = (forced or "").lower().partition(" of ")[2].strip()
        for fuel, scale in AFR_SCALES.items():
            if not wanted or wanted == fuel.lower():
                found.append((f"AFR of {fuel}", 1.0 / scale, 0.0))
    return found


def _judge(
    column: Column, kind: Kind, context: Context, text: str, scale: float, offset: float
) -> Choice | None:
    """None where the values reject this reading."""
    values = column.values * scale + offset
    runs = context.runs(len(values)) & np.isfinite(values)
    low, high = (found * scale + offset for found in column.quantiles(0.005, 0.995))
    low, high = min(low, high), max(low, high)
    if not np.isfinite(low) or low < kind.low or high > kind.high:
        return None
    running = values[runs] if runs.sum() >= FEW else None
    if kind.usual is not None and running is not None:
        middle = float(np.median(running))
        if not kind.usual[0] <= middle <= kind.usual[1]:
            return None
    special = {
        "manifold_pressure": _manifold, "rail_gauge": _rail, "barometer": _barometer,
        "lambda": _lambda, "lambda_target": _lambda, "throttle": _share, "duty": _share,
        "knock_retard": _knock,
    }.get(kind.name)  # fmt: skip
    if special is None:
        return Choice(text, scale, offset, 0, ("the values lie where they should",))
    found = special(values, running, context, text)
    return None if found is None else Choice(text, scale, offset, *found)


Judged = tuple[int, tuple[str, ...]] | None


def _manifold(values: Samples, running: Samples | None, context: Context, text: str) -> Judged:
    """Engine off it is the weather; a running, throttled engine draws a vacuum."""
    reasons: list[str] = []
    support = 0
    off = values[context.off(len(values)) & np.isfinite(values)]
    if len(off) >= FEW:
        standing = float(np.median(off))
        if abs(standing - context.ambient) > ZERO:
            return None
        reasons.append(
            f"engine off it reads {standing / 1e3:.1f} kPa absolute as {text}, the barometer is "
            f"{context.ambient / 1e3:.1f}"
        )
        support = 1
    idle = context.idles(len(values)) & np.isfinite(values)
    if idle.sum() >= FEW:
        drawn = float(np.median(values[idle]))
        # a throttled engine idles in a vacuum, a wild cam too; no blower holds boost there
        if not 0.15 * context.ambient < drawn < 0.88 * context.ambient:
            return None
        reasons.append(f"at idle it reads {drawn / 1e3:.0f} kPa absolute")
        if running is not None and float(np.quantile(running, 0.995)) > 0.9 * context.ambient:
            reasons.append(f"under load {float(np.quantile(running, 0.995)) / 1e3:.0f}")
            support = 1
    return support, tuple(reasons or ("the values lie where they should",))


def _rail(values: Samples, running: Samples | None, context: Context, text: str) -> Judged:
    """With the pump off it falls to zero gauge."""
    good = values[np.isfinite(values)]
    rest = good[np.abs(good) < ZERO]
    if len(rest) >= FEW and len(rest) >= 0.002 * len(good):
        return 1, (f"at rest it reads {float(np.median(rest)) / 1e3:+.1f} kPa gauge as {text}",)
    if len(good) and float(np.min(good)) < -ZERO:
        return None
    return 0, ("the values lie where a fuel pressure lies",)


def _barometer(values: Samples, running: Samples | None, context: Context, text: str) -> Judged:
    middle = float(np.nanmedian(values))
    if np.nanmax(values) - np.nanmin(values) > 2 * ZERO:
        return None
    near = abs(middle - context.barometer) < ZERO
    return int(near), (f"it stays at {middle / 1e3:.1f} kPa",)


def _lambda(values: Samples, running: Samples | None, context: Context, text: str) -> Judged:
    """A closed loop dwells at 1; on the scale of another fuel it would dwell elsewhere."""
    good = running if running is not None else values[np.isfinite(values)]
    if text == "lambda":
        middle = float(np.median(good)) if len(good) else np.nan
        return (1, (f"its median is {middle:.2f}",)) if 0.6 < middle < 1.5 else None
    at = float(np.mean(np.abs(good - 1.0) < DWELL))
    around = float(np.mean(np.abs(good - 1.0) < 4 * DWELL))
    fuel = text.split()[-1]
    # a slightly rich idle on the scale of petrol lies at the ratio of E10, one on the scale of E85
    # at that of ethanol: there the dwell proves nothing
    if at > 0.12 and at > 0.5 * around and fuel not in ("E10", "ethanol"):
        return 1, (f"{100 * at:.0f} % of the running rows lie at {fuel}'s own ratio",)
    return 0, ("the values lie where they should",)


def _knock(values: Samples, running: Samples | None, context: Context, text: str) -> Judged:
    """Ignition taken back counts up from zero, or down from it; never both."""
    lowest, highest = float(np.nanmin(values)), float(np.nanmax(values))
    if highest <= 0.0 and lowest >= 0.0:
        # zero throughout: either sign is the same
        return None if text.endswith(NEGATIVE) else (1, ("no retard in this log",))
    if lowest < -0.01:
        return None
    return 1, (f"it goes from zero to {np.degrees(highest):.1f} deg taken back",)


def _share(values: Samples, running: Samples | None, context: Context, text: str) -> Judged:
    """A share between 0 and 1, or the same times 100: told apart by how far it goes."""
    highest = float(np.nanquantile(values, 0.995))
    if text == "one":
        return 1, ("it never passes 1.5",)
    if highest < 0.0101:
        # nothing above 1 in percent or degrees: closed throughout, or a plain share
        return 0, ("it never passes 1",)
    return int(text == "percent" and highest > 0.02), ("it passes 1.5 by far",)
