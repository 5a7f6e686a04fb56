"""Whether a log is good enough to judge by, channel by channel, and what to record next time.

A channel that is refused is taken out before anything is judged: no finding, and no absence of a
finding, rests on it.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from keyturn.logs.clock import rate_of
from keyturn.logs.derive import TURNING
from keyturn.logs.found import Refusal
from keyturn.logs.frame import Frame, Samples
from keyturn.logs.stretches import Stretch

LEAST_RATE = 10.0  # [1/s] common practice for pressure and mixture at load, no printed source
FAST = ("engine_speed", "manifold_pressure", "rail_gauge", "across_injector", "lambda",
        "knock_retard")  # fmt: skip
LOOKED_AT = 200_000  # rows, enough to see how often a channel changes
MOST_ALIKE = 0.4  # correlation of two rows 0.1 s apart in steady running; a damped sensor has more
APART = 0.1  # [s]
PEGGED_FOR = 0.4  # [s] at exactly its greatest value
TOPS = ("rail_gauge", "across_injector", "manifold_pressure")
WORDS = {
    "engine_speed": "engine speed", "manifold_pressure": "manifold pressure",
    "rail_gauge": "fuel pressure at the rail", "across_injector": "pressure across the injectors",
    "lambda": "lambda", "knock_retard": "knock retard",
}  # fmt: skip


def judge(
    frame: Frame, rates: Mapping[str, float], stretches: tuple[Stretch, ...]
) -> tuple[Refusal, ...]:
    """Channels that cannot be used, with the reason; ``rates`` as the recording states them."""
    rate = rate_of(frame.time)
    found = []
    for name in FAST:
        if name not in frame:
            continue
        values = frame[name]
        problem = (
            _empty(values)
            or _slow(values, min(rates.get(name, rate), rate), rate)
            or (name in TOPS and _pegged(values, rate, top=True))
            or (name == "lambda" and _pegged(values, rate, top=False))
            or (name in ("rail_gauge", "across_injector") and _smooth(values, rate, stretches))
        )
        if problem:
            found.append(Refusal(name, f"{WORDS[name]} {problem[0]}", problem[1]))
    return tuple(found)


def missing(frame: Frame) -> tuple[Refusal, ...]:
    """What cannot be judged because nobody recorded it."""
    rows = (
        (("engine_speed",), "anything", "engine speed"),
        (("manifold_pressure",), "pressure across the injectors, boost", "manifold pressure"),
        (("rail_gauge", "across_injector"), "whether the supply holds", "fuel pressure at rail"),
        (("lambda",), "whether the mixture follows", "lambda of a wideband probe"),
        (("voltage",), "wiring", "voltage, best at the pump"),
        (("throttle",), "belt and boost: full load cannot be told", "throttle"),
        (("knock_retard",), "knock", "knock retard"),
    )
    return tuple(
        Refusal(
            what,
            f"not recorded: {words}",
            f"record {words}, {LEAST_RATE:.0f} rows a second or more",
        )
        for names, what, words in rows
        if not any(name in frame for name in names)
    )


def _empty(values: Samples) -> tuple[str, str] | None:
    share = float(np.isnan(values).mean())
    if share <= 0.3:
        return None
    return f"is empty in {100 * share:.0f} % of the rows", "check its wire, and its logging"


def _slow(values: Samples, stated: float, rows: float) -> tuple[str, str] | None:
    """Fewer values a second than limits of 0.3 s need: stated, held, or drawn between points."""
    part = values[:LOOKED_AT]
    part = part[np.isfinite(part)]
    real = min(stated, rows / _hold(np.diff(part)), rows / _hold(np.diff(part, 2)))
    if real >= 0.95 * LEAST_RATE:
        return None
    return (
        f"has {real:.2g} values a second; a fall of half a second can hide between them",
        f"log fewer channels, so that each comes {LEAST_RATE:.0f} times a second, 20 to 50 better",
    )


def _hold(steps: Samples) -> float:
    """Rows between two changes, at least; 1 where it changes from row to row."""
    size = np.abs(steps)
    if not size.size or size.max() == 0.0:
        return 1.0
    changes = np.flatnonzero(size > 1e-6 * size.max())
    if changes.size < 20:
        return 1.0
    return max(1.0, float(np.quantile(np.diff(changes), 0.05)))


def _pegged(values: Samples, rate: float, *, top: bool) -> tuple[str, str] | None:
    """Sits at exactly its end for longer than it ever sits elsewhere: past what it can read."""
    there = values[np.isfinite(values)]
    limit = float(there.max() if top else there.min())
    same = np.concatenate(([False], there == limit, [False]))
    edges = np.flatnonzero(same[1:] != same[:-1])
    longest = int((edges[1::2] - edges[::2]).max())
    levels = np.unique(there[:: max(1, len(there) // 5000)]).size
    if longest < max(4, PEGGED_FOR * rate) or levels < 20:
        return None
    kept = np.concatenate(([True], np.diff(there) != 0.0, [True]))
    lengths = np.diff(np.flatnonzero(kept))
    others = lengths[there[np.flatnonzero(kept)[:-1]] != limit]
    if others.size and longest < 4 * int(np.quantile(others, 0.999)):
        return None
    return (
        f"stands at its end, {limit:.5g} in SI, for {longest / rate:.1f} s: the sensor or its"
        " input is past its range",
        "fit a sensor of a wider range, or check its ground and its supply",
    )


def _smooth(values: Samples, rate: float, stretches: tuple[Stretch, ...]) -> tuple[str, str] | None:
    """In steady running the noise of neighbouring rows is hardly alike, unless it was smoothed."""
    lag, width = max(1, round(APART * rate)), max(4, round(2.0 * rate))
    alike = []
    for one in [s for s in stretches if s.kind == "steady"][:60]:
        part = values[one.first_row : one.last_row + 1]
        part = part[np.isfinite(part)]
        for start in range(0, len(part) - width + 1, width):
            alike.append(_likeness(part[start : start + width], lag))
    known = [item for item in alike if item is not None]
    if len(known) < 5 or float(np.median(known)) < MOST_ALIKE:
        return None
    return (
        "is smoothed or damped: rows a tenth of a second apart move together, so that a short dip"
        " would not show",
        "switch the filter of the logger off; take a damper or a long thin hose out of its line",
    )


def _likeness(values: Samples, lag: int) -> float | None:
    """Correlation of rows ``lag`` apart, slope taken out; None when too coarse to tell."""
    if np.unique(values).size < 5:
        return None
    rows = np.arange(len(values)) - (len(values) - 1) / 2.0
    off = values - values.mean()
    off = off - rows * float(rows @ off) / float(rows @ rows)
    power = float(off @ off)
    return float(off[lag:] @ off[:-lag]) / power * len(off) / (len(off) - lag) if power else None


def unrun(frame: Frame) -> Refusal | None:
    """The engine never turns in this log."""
    if "engine_speed" in frame and not (frame["engine_speed"] > TURNING).any():
        return Refusal("anything", "the engine never turns", "start the log before the drive")
    return None
