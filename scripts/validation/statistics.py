"""Are ranks uniform, and are claims met as often as they say? With stated bounds.

Talts, Betancourt, Simpson, Vehtari and Gelman 2018, Validating Bayesian inference algorithms with
simulation-based calibration; Clopper and Pearson 1934 for the intervals of a share.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.stats import beta, chisquare

from validation.cases import DRAWS

BINS = 16
FALSE_ALARM = 0.01  # chance that true calibration fails the tests of all ranks together
INTERVAL = 0.95
# All tenths together raise a false alarm in one run of twenty: each has a twentieth over ten of it.
ROW_INTERVAL = 1.0 - 0.05 / 10
STATED = (0.7, 0.8)  # "of the cases given 70 to 80 %, 70 to 80 % are so"
LEAST_CLAIMS = 60


@dataclass(frozen=True)
class Tenth:
    """One row of the reliability table."""

    low: float
    high: float
    claims: int
    right: int
    claimed: float  # mean
    interval: tuple[float, float]  # of the observed share, 95 %
    holds: bool  # the wider interval covers what was claimed

    @property
    def observed(self) -> float:
        return self.right / self.claims


def share_interval(right: int, count: int, level: float) -> tuple[float, float]:
    """Exact binomial interval of a share (Clopper and Pearson)."""
    tail = 0.5 * (1.0 - level)
    low = 0.0 if right == 0 else float(beta.ppf(tail, right, count - right + 1))
    high = 1.0 if right == count else float(beta.ppf(1.0 - tail, right + 1, count - right))
    return low, high


def claims(rows: Sequence[Mapping[str, Any]]) -> list[tuple[float, bool]]:
    """(probability, right) of every cause in every case."""
    return [(p, name == row["cause"]) for row in rows for name, p in row["claims"].items()]


def reliability(given: Sequence[tuple[float, bool]]) -> list[Tenth]:
    """Claims in tenths, those with none left out."""
    p = np.array([item[0] for item in given])
    right = np.array([item[1] for item in given], dtype=bool)
    tenth = np.minimum((p * 10.0).astype(int), 9)
    rows = []
    for at in range(10):
        chosen = tenth == at
        count, hits = int(chosen.sum()), int(right[chosen].sum())
        if count == 0:
            continue
        claimed = float(p[chosen].mean())
        low, high = share_interval(hits, count, ROW_INTERVAL)
        rows.append(
            Tenth(
                at / 10,
                (at + 1) / 10,
                count,
                hits,
                claimed,
                share_interval(hits, count, INTERVAL),
                low <= claimed <= high,
            )
        )
    return rows


def stated_row_holds(rows: Sequence[Tenth]) -> bool:
    """Enough claims of 70 to 80 %, and their 95 % interval covers what was claimed."""
    row = next((row for row in rows if abs(row.low - STATED[0]) < 1e-9), None)
    if row is None or row.claims < LEAST_CLAIMS:
        return False
    return row.interval[0] <= row.claimed <= row.interval[1]


def ranks_of(rows: Sequence[Mapping[str, Any]]) -> dict[str, list[int]]:
    """Ranks of each unknown over all cases that have it."""
    found: dict[str, list[int]] = {}
    for row in rows:
        for name, rank in row["ranks"].items():
            found.setdefault(name, []).append(rank)
    return found


def rank_test(ranks: Sequence[int], bins: int = BINS) -> float:
    """p-value of uniform ranks: chi-squared over equal bins."""
    return float(chisquare(np.histogram(ranks, bins, (0, DRAWS + 1))[0]).pvalue)


def least_p(unknowns: int) -> float:
    """Bound for the p-value of each of so many unknowns (Bonferroni)."""
    return FALSE_ALARM / unknowns


def ranks_hold(ranks: Mapping[str, Sequence[int]], bins: int = BINS) -> bool:
    bound = least_p(len(ranks))
    return all(rank_test(row, bins) > bound for row in ranks.values())


def calibrated(rows: Sequence[Mapping[str, Any]], bins: int = BINS) -> bool:
    """The test that the true likelihood has to pass and a wrong one has to fail."""
    tenths = reliability(claims(rows))
    return ranks_hold(ranks_of(rows), bins) and all(row.holds for row in tenths)
