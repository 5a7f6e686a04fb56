"""Simulation-based calibration (Talts et al. 2018) in small, and the control that has to fail.

The whole run of 500 cases is ``python scripts/calibrate_find.py``. Bounds: the least p-value of 18
tests of uniform ranks stays above 0.001 / 18 (a true null fails once in a thousand runs), and no
tenth of the claimed probabilities is off by more than 4 standard errors.
"""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from typing import Any

import pytest

spec = importlib.util.spec_from_file_location(
    "calibrate_find", Path(__file__).parents[2] / "scripts" / "calibrate_find.py"
)
assert spec is not None
assert spec.loader is not None
calibrate: Any = importlib.util.module_from_spec(spec)
sys.modules["calibrate_find"] = calibrate
spec.loader.exec_module(calibrate)

CASES = 80
LEAST_P = 0.001
MOST_GAP = 4.0


def passes(found: dict[str, Any]) -> bool:
    ranks = found["ranks"]
    least = min(calibrate.rank_test(row, bins=8) for row in ranks.values())
    return least > LEAST_P / len(ranks) and calibrate.worst_gap(found["claims"]) < MOST_GAP


@pytest.mark.validate
def test_posterior_is_as_sure_as_it_may_be() -> None:
    assert passes(calibrate.run(CASES, seed=2, wrong=False))


@pytest.mark.validate
def test_a_wrong_likelihood_fails_the_same_test() -> None:
    assert not passes(calibrate.run(CASES, seed=2, wrong=True))


def test_the_rank_test_can_fail() -> None:
    even = [number % 64 for number in range(640)]
    assert calibrate.rank_test(even) > 0.9
    assert calibrate.rank_test([number // 2 for number in even]) < 1e-6
    right = [(0.75, number % 4 != 0) for number in range(400)]
    assert calibrate.worst_gap(right) < 1.0
    assert calibrate.worst_gap([(0.95, number % 2 == 0) for number in range(400)]) > 4.0
