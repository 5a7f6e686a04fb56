"""Random cars on the ladder: it crosses fewer limits than going straight, or stepping by gauge.

Forty cars by the way of `make validate`, which drives a thousand."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def simulated():
    sys.path.insert(0, str(ROOT / "bench"))
    try:
        import ladder
    finally:
        sys.path.remove(str(ROOT / "bench"))
    return ladder


@pytest.mark.slow
def test_the_ladder_crosses_fewer_limits(simulated) -> None:
    found = simulated.run(40, seed=5, draws=3000)
    shares = found["all"]
    assert found["cases"] == 40
    # the cars are such that it matters
    assert shares["straight"] >= 0.2
    # by design at most 1 in 20 of each opened step; of 40 cars that is 2, and chance may double it
    assert shares["ladder"] <= 0.1
    assert shares["ladder"] < shares["stepping"] <= shares["straight"]
    # a ladder that never opens would cross nothing
    assert shares["ladder_top"] >= 0.2


def test_a_thousand_cars_of_weights_keep_enough_draws(simulated) -> None:
    import numpy as np

    rng = np.random.default_rng(0)
    for scale in (0.0, 1.0, 50.0, 5000.0):
        weight = simulated.weights(scale * rng.standard_normal(2000))
        assert weight.sum() == pytest.approx(1.0)
        assert 1.0 / float((weight**2).sum()) >= simulated.LEAST
