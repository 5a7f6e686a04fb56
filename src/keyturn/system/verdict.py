"""From samples of a ratio to a verdict word, its worst point and what would settle it."""

from __future__ import annotations

import numpy as np
from scipy.special import ndtri

from keyturn.build.model import Curve, Value
from keyturn.build.unstated import how_to_measure
from keyturn.system.circuit import FloatArray
from keyturn.system.draws import Draws
from keyturn.system.headroom import Need
from keyturn.system.result import VERDICTS, Band, Headroom
from keyturn.system.thresholds import limit

WEAK = ("hearsay", "assumed")
SEEN = 0.02  # share of the spread below which a value does not show above the sampling noise


def band(samples: FloatArray) -> Band:
    """5, 50 and 95 % quantiles over the first axis; NaN when there is nothing."""
    flat = np.asarray(samples, dtype=float).reshape(-1)
    flat = flat[np.isfinite(flat)]
    if flat.size == 0:
        return Band(float("nan"), float("nan"), float("nan"))
    if flat.size == 1:  # middle values: a quantile of one number costs as much as of many
        return Band(float(flat[0]), float(flat[0]), float(flat[0]))
    low, middle, high = np.quantile(flat, (0.05, 0.5, 0.95))
    return Band(float(low), float(middle), float(high))


def shares(ratio: FloatArray, draws: Draws) -> list[tuple[float, Value | Curve]]:
    """Share of the spread of a ratio that each uncertain value explains, largest first.

    Squared correlation of the value's standard normal deviate with the normal score of the
    ratio's rank (van der Waerden), so that a few extreme ratios do not drown the rest. Values are
    drawn independently: the shares add up to about one where the answer is nearly monotone.
    """
    samples = np.asarray(ratio[1:])
    if np.ptp(samples) <= 1e-9 * max(abs(float(samples.mean())), 1e-9):
        return []
    rank = np.argsort(np.argsort(samples, kind="stable"), kind="stable")
    target = ndtri((rank + 0.5) / samples.size)
    spread = float(np.sqrt(np.mean(target**2)))
    deviates = draws.deviation[1:]
    centred = deviates - deviates.mean(axis=0)
    norm = np.sqrt(np.mean(centred**2, axis=0))
    correlation = (centred * target[:, None]).mean(axis=0) / (norm * spread)
    order = np.argsort(-np.abs(correlation))
    return [(float(correlation[n] ** 2), draws.known[n]) for n in order]


def judge(need: Need, draws: Draws) -> Headroom:
    """Verdict on one part over all its points.

    The worst point is where the median ratio is least. The probability is that of holding at
    every point in the same sample. A verdict is never better than its evidence: where hearsay or
    assumption carries a good part of the spread, "holds" needs every sample to hold with a margin.
    """
    ratio = np.broadcast_to(need.ratio, (draws.samples + 1, need.engine_speed.size))
    worst = int(np.argmin(np.median(ratio[1:], axis=0)))
    least = ratio.min(axis=1)
    p_holds = float(np.mean(least[1:] >= 1.0))
    at_worst = band(least[1:])
    telling = shares(least, draws)
    weak = sum(share for share, known in telling if known.grade in WEAK)
    own_weak = any(
        known.grade in WEAK and known.key.startswith(need.keys) and share > SEEN
        for share, known in telling
    )
    word = _word(p_holds, at_worst, weak, own_weak)
    if word == "holds" and draws.samples < limit("verdict", "least_draws"):
        word = "not proven"
    needed = np.broadcast_to(need.need, ratio.shape)[1:, worst]
    able = np.broadcast_to(need.has, ratio.shape)[1:, worst]
    return Headroom(
        part=need.part,
        quantity=need.quantity,
        need=band(needed),
        has=band(able),
        unit=need.unit,
        ratio=at_worst,
        p_holds=p_holds,
        verdict=word,
        why=_why(need, word, at_worst, p_holds, telling),
        settles=_settles(need, telling) if word == "not proven" else None,
        engine_speed=float(need.engine_speed[worst]),
        manifold_pressure=float(need.manifold_pressure[worst]),
    )


def _word(p_holds: float, ratio: Band, weak: float, own_weak: bool) -> str:
    """One of the verdict words."""
    half_width = 0.5 * (ratio.p95 - ratio.p05) / max(ratio.p50, 1e-9)
    if p_holds >= limit("verdict", "holds"):
        leaning = weak > limit("verdict", "weak_share") or own_weak
        wide = p_holds == 1.0 and ratio.p05 >= limit("verdict", "weak_margin")
        return "not proven" if leaning and not wide else "holds"
    # p95 below one: even a lucky car is short, however wide the spread
    if p_holds <= limit("verdict", "short") and ratio.p50 < 1.0:
        return "short" if not (own_weak and ratio.p95 >= 1.0) else "not proven"
    if half_width <= limit("verdict", "tight_spread") and weak <= limit("verdict", "weak_share"):
        return "tight" if ratio.p50 >= 1.0 else "short"
    return "not proven"


def _why(
    need: Need,
    word: str,
    ratio: Band,
    p_holds: float,
    telling: list[tuple[float, Value | Curve]],
) -> str:
    times = f"{ratio.p50:.2f} times what it must do (from {ratio.p05:.2f} to {ratio.p95:.2f})"
    if word == "not proven" and telling:
        leading = telling[0][1]
        return f"can do {times}; the spread comes mostly from {leading.key} ({leading.grade})"
    if word == "short":
        return f"can do only {times}"
    return f"can do {times}"


def _settles(need: Need, telling: list[tuple[float, Value | Curve]]) -> str:
    """The one measurement that narrows the answer most."""
    for share, known in telling:
        if share > 0.05 and not known.key.startswith(need.keys or ("-",)):
            found = how_to_measure(known.key)
            if found:
                return found
        break
    return need.hint or (how_to_measure(telling[0][1].key) if telling else "") or need.quantity


def worst(rows: tuple[Headroom, ...]) -> Headroom:
    """The part that decides: worst word first, then least probability, then least ratio."""
    return max(rows, key=lambda row: (VERDICTS.index(row.verdict), -row.p_holds, -row.ratio.p50))
