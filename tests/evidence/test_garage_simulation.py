"""The garage simulation can tell a good way from a bad one, and its bound is one."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[2] / "bench" / "garage"))

CASES = 40
FIRST = 7_000


@pytest.fixture(scope="module")
def found() -> list[dict[str, Any]]:
    """The same cars, the same inference, the same rule to stop."""
    import policies

    import run

    policies.POLICIES["at random"] = lambda car, bank: policies.reasoned(
        car, bank, policies.at_random
    )
    policies.POLICIES["scrambled"] = policies.scrambled
    names = ("keyturn", "at random", "scrambled", "oracle")
    return run.cases(CASES, FIRST, policies=names)


def _surely_above(more: np.ndarray) -> bool:
    """Mean of the differences, case by case, more than three standard errors above zero."""
    return bool(more.mean() > 3.0 * more.std(ddof=1) / np.sqrt(more.size))


@pytest.mark.validate
def test_tests_chosen_at_random_cost_clearly_more(found: list[dict[str, Any]]) -> None:
    more = np.array([row["at random"]["total"] - row["keyturn"]["total"] for row in found])
    assert _surely_above(more)


@pytest.mark.validate
def test_the_readings_of_another_car_do_clearly_worse(found: list[dict[str, Any]]) -> None:
    """Needless parts and wrong all-clears together: evidence that says nothing must harm."""

    def harm(row: dict[str, Any]) -> float:
        return float(row["needless"] + row["wrong"])

    assert _surely_above(np.array([harm(row["scrambled"]) - harm(row["keyturn"]) for row in found]))


@pytest.mark.validate
def test_no_good_way_goes_below_the_bound(found: list[dict[str, Any]]) -> None:
    for row in found:
        assert row["bound"] >= min(row["oracle"]["total"], row["keyturn"]["total"]) - 1e-9
        if row["keyturn"]["end"] != "gave up" and not row["keyturn"]["wrong"]:
            assert row["keyturn"]["total"] >= row["bound"] - 1e-9
