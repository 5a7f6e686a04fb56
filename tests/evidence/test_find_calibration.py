"""Simulation-based calibration (Talts et al. 2018) in small, and the control that has to fail.

The whole run is ``scripts/validate.py --only inference``; the bounds are those of
scripts/validation/statistics.py: a true likelihood fails the ranks in one run of a hundred and the
tenths in one of twenty. The seeds are fixed, so a run that passed passes again.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import pytest

sys.path.append(str(Path(__file__).parents[2] / "scripts"))

from validation import statistics
from validation.cases import OTHERS, RICH, Job, answers

CASES = 16  # of each of three reading sets
BINS = 8  # six cases a bin: enough for a chi-squared test


def some(wrong: bool) -> list[dict[str, Any]]:
    sets = (RICH, *OTHERS)
    jobs = [Job("pickup-screw", name, 0, CASES, seed=2, wrong=wrong) for name in sets]
    return [row for job in jobs for row in answers(job)]


@pytest.mark.validate
def test_posterior_is_as_sure_as_it_may_be() -> None:
    assert statistics.calibrated(some(wrong=False), BINS)


@pytest.mark.validate
def test_a_wrong_likelihood_fails_the_same_test() -> None:
    assert not statistics.calibrated(some(wrong=True), BINS)


def test_the_rank_test_can_fail() -> None:
    even = [number % 64 for number in range(640)]
    assert statistics.rank_test(even) > 0.9
    assert statistics.rank_test([number // 2 for number in even]) < 1e-6


def test_the_reliability_test_can_fail() -> None:
    right = [(0.75, number % 4 != 0) for number in range(400)]
    assert all(row.holds for row in statistics.reliability(right))
    assert statistics.stated_row_holds(statistics.reliability(right))
    for claimed in (0.75, 0.95):
        sure = statistics.reliability([(claimed, number % 2 == 0) for number in range(400)])
        assert not any(row.holds for row in sure)
        assert not statistics.stated_row_holds(sure)
    assert not statistics.stated_row_holds(statistics.reliability(right[:59]))  # too few


@pytest.mark.parametrize(
    ("right", "count", "low", "high"),
    [
        # Clopper and Pearson: none of n is known in closed form, 1 - 0.025^(1/n)
        (0, 10, 0.0, 1.0 - 0.025 ** (1.0 / 10.0)),
        (10, 10, 0.025 ** (1.0 / 10.0), 1.0),
        (0, 300, 0.0, 1.0 - 0.025 ** (1.0 / 300.0)),
    ],
)
def test_exact_interval_of_a_share(right: int, count: int, low: float, high: float) -> None:
    found = statistics.share_interval(right, count, 0.95)
    assert found == (pytest.approx(low, abs=1e-12), pytest.approx(high, abs=1e-12))


def test_exact_interval_has_its_tails() -> None:
    """By definition: at either end the tail of the binomial law is 2.5 %."""
    from scipy.stats import binom

    low, high = statistics.share_interval(45, 60, 0.95)
    assert binom.sf(44, 60, low) == pytest.approx(0.025, abs=1e-9)
    assert binom.cdf(45, 60, high) == pytest.approx(0.025, abs=1e-9)
