"""Is `find` as sure as it may be? Simulated cars with a known cause, ranks and reliability.

Simulation-based calibration (Talts, Betancourt, Simpson, Vehtari and Gelman 2018): over cars drawn
from the prior, the rank of the true value among posterior samples is uniform. The same cars say
whether causes given 70 to 80 % are right in 70 to 80 % of the cases. With ``--wrong`` the readings
are taken for much better than they are; the same tests must then fail.
"""

from __future__ import annotations

import argparse
import json
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from keyturn import load
from keyturn.evidence.causes import causes
from keyturn.evidence.infer import infer, prepare
from keyturn.evidence.observe import imagined
from keyturn.evidence.pooled import pooled
from keyturn.evidence.reading import Conditions, Reading
from keyturn.evidence.simulate import case

EXAMPLE = Path(__file__).parents[1] / "src/keyturn/examples/pickup-screw/build.toml"
DRAWS = 63
WRONG = 0.25  # of the true spread, for the control that has to fail
FULL = 512


def designs() -> tuple[tuple[Reading, ...], ...]:
    """Which readings are made: poor and rich sets in turn."""
    caught = Conditions(pressure_gauge=3.0e5, duration=30.0)
    held = Conditions(pressure_gauge=3.0e5, duration=300.0)
    key_on = imagined("rail-pressure", "key-on")
    full = imagined("rail-pressure", "full-load")
    idle = imagined("rail-pressure", "idle")
    return (
        (key_on, full, imagined("pressure-held", "shut-off", held)),
        (key_on, idle, full, imagined("return-flow", "key-on")),
        (key_on, imagined("gauge-zero", "vented"), imagined("before-filter", "idle"),
         imagined("pump-voltage", "idle"), full),
        (key_on, idle, full, imagined("gauge-zero", "vented"), imagined("before-filter", "idle"),
         imagined("pump-voltage", "idle"), imagined("timed-volume", "key-on", caught),
         imagined("pump-current", "idle")),
    )  # fmt: skip


def run(count: int, seed: int, wrong: bool, path: Path = EXAMPLE) -> dict[str, Any]:
    """Ranks of every unknown, and (probability, right) of every cause in every case."""
    model = prepare(load(path))
    rows = causes(model.build)
    rng = np.random.default_rng(seed)
    plans = designs()
    ranks: dict[str, list[int]] = {row.name: [] for row in model.unknowns}
    claims: list[tuple[float, bool]] = []
    top: list[tuple[float, bool, bool]] = []
    settled = 0
    started = time.perf_counter()
    for number in range(count):
        true = case(model, plans[number % len(plans)], rows, rng)
        readings = true.readings
        if wrong:
            readings = tuple(replace(item, spread=item.spread * WRONG) for item in readings)
        found = infer(model.build, readings, rng, full=FULL, model=model)
        samples = pooled(found, 4000, rng)
        size = samples["set"].shape[0]
        chosen = rng.choice(size, DRAWS, replace=False)
        for name, value in true.values.items():
            below = samples[name][chosen, 0]
            ties = int(np.sum(below == value[0, 0]))
            ranks[name].append(int(np.sum(below < value[0, 0])) + int(rng.integers(ties + 1)))
        names = [item.cause.name for item in found.suspects]
        claims += [
            (item.probability, item.cause.name == true.cause.name) for item in found.suspects
        ]
        top.append(
            (
                found.suspects[0].probability,
                names[0] == true.cause.name,
                true.cause.name in names[:2],
            )
        )
        settled += all(item.converged for item in found.suspects if item.probability > 0.05)
    return {
        "cases": count,
        "wrong": wrong,
        "ranks": ranks,
        "claims": claims,
        "top": top,
        "settled": settled,
        "seconds": time.perf_counter() - started,
    }


def rank_test(ranks: list[int], bins: int = 16) -> float:
    """p-value of uniform ranks (chi-squared over equal bins)."""
    from scipy.stats import chisquare

    return float(chisquare(np.histogram(ranks, bins, (0, DRAWS + 1))[0]).pvalue)


def reliability(claims: list[tuple[float, bool]]) -> list[tuple[float, float, int, float, float]]:
    """(lowest, highest, cases, claimed, observed) in tenths."""
    given = np.array([item[0] for item in claims])
    right = np.array([item[1] for item in claims], dtype=float)
    rows = []
    for low in np.arange(0.0, 1.0, 0.1):
        chosen = (given >= low) & (given < low + 0.1 + (1e-9 if low > 0.85 else 0.0))
        if chosen.any():
            mean, seen = float(given[chosen].mean()), float(right[chosen].mean())
            rows.append((float(low), float(low + 0.1), int(chosen.sum()), mean, seen))
    return rows


def worst_gap(claims: list[tuple[float, bool]]) -> float:
    """Largest gap of a tenth between claimed and observed, in its standard errors."""
    gaps = [0.0]
    for _, _, count, claimed, seen in reliability(claims):
        error = np.sqrt(max(claimed * (1.0 - claimed), 1e-4) / count)
        gaps.append(abs(seen - claimed) / float(error))
    return max(gaps)


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--cases", type=int, default=500)
    asked.add_argument("--seed", type=int, default=0)
    asked.add_argument("--wrong", action="store_true")
    asked.add_argument("--out", type=Path)
    typed = asked.parse_args()
    found = run(typed.cases, typed.seed, typed.wrong)
    if typed.out:
        typed.out.write_text(json.dumps(found))
    print(f"{found['cases']} cases in {found['seconds']:.0f} s, settled {found['settled']}")
    top = np.array(found["top"])
    claimed, first, second = top.mean(axis=0)
    print(f"top-1 {first:.3f}, claimed {claimed:.3f}, top-2 {second:.3f}")
    for name, ranks in found["ranks"].items():
        print(f"  {name:16s} p = {rank_test(ranks):.4f}")
    for low, high, count, claimed, seen in reliability(found["claims"]):
        print(f"  {low:.1f}-{high:.1f}  {count:5d}  claimed {claimed:.3f}  observed {seen:.3f}")
    print(f"worst gap {worst_gap(found['claims']):.2f} standard errors")


if __name__ == "__main__":
    main()
