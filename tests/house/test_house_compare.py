"""The fixture that holds our numbers against those of a source must be able to say no."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest


def told(theirs: float, ours: float, tolerance: float) -> dict[str, object]:
    return {
        "source": "this test",
        "quantity": "a number",
        "theirs": theirs,
        "ours": ours,
        "tolerance": tolerance,
    }


def test_numbers_within_the_tolerance_agree(compare: Callable[..., None]) -> None:
    compare(**told(1.23, 1.234, 0.005))
    compare(**told(1.23, 1.225, 0.005))


@pytest.mark.parametrize("ours", [1.2351, 1.2249, math.nan, math.inf, -1.23])
def test_other_numbers_do_not(ours: float, compare: Callable[..., None]) -> None:
    with pytest.raises(AssertionError, match="this test prints"):
        compare(**told(1.23, ours, 0.005))


@pytest.mark.parametrize("tolerance", [0.0, -0.1, math.nan])
def test_a_tolerance_is_a_positive_width(tolerance: float, compare: Callable[..., None]) -> None:
    with pytest.raises(ValueError, match="positive width"):
        compare(**told(1.23, 1.23, tolerance))
