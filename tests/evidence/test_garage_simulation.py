"""The garage simulation can tell a good way of choosing tests from a bad one."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[2] / "bench" / "garage"))

CASES = 40


@pytest.mark.validate
def test_tests_chosen_at_random_do_clearly_worse() -> None:
    """The same cars, the same inference, the same rule to stop: only the choice of test differs.

    Clearly: the mean of the differences, case by case, is more than three standard errors above
    zero.
    """
    import policies

    import run

    policies.POLICIES["at random"] = lambda car, bank: policies.reasoned(
        car, bank, policies.at_random
    )
    found = run.cases(CASES, seed=7, policies=("keyturn", "at random"))
    more = np.array([row["at random"]["total"] - row["keyturn"]["total"] for row in found])
    assert more.mean() > 3.0 * more.std(ddof=1) / np.sqrt(CASES)
