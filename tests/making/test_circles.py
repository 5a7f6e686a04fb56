"""Circles: closed-form truth, and the stated sigma against many draws."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from keyturn.making import circles


def ring(seed: int, share: float = 1.0, noise: float = 0.02) -> NDArray[np.float64]:
    random = np.random.default_rng(seed)
    angle = np.linspace(0.0, 2.0 * np.pi * share, 84, endpoint=False)
    radius = 3.3 + random.normal(0.0, noise, len(angle))
    return np.stack([10.0 + radius * np.cos(angle), -4.0 + radius * np.sin(angle)], axis=1)


def test_an_exact_circle_comes_back() -> None:
    found = circles.fit(ring(1, noise=0.0), np.ones(84, np.bool_))
    assert found is not None
    assert (found.x, found.y, found.diameter) == pytest.approx((10.0, -4.0, 6.6), abs=1e-6)


def test_stated_sigma_is_not_smaller_than_the_true_scatter() -> None:
    fits = [circles.fit(ring(n), np.ones(84, np.bool_)) for n in range(200)]
    errors = np.array([(f.x - 10.0, f.diameter - 6.6) for f in fits if f is not None])
    stated = np.array([(f.sigma, f.diameter_sigma) for f in fits if f is not None])
    assert len(errors) == 200
    # neighbours are taken to share their noise, which they do not here: careful, not smaller
    assert np.all(errors.std(axis=0) < stated.mean(axis=0))
    assert np.all(errors.std(axis=0) > stated.mean(axis=0) / 4.0)


def test_a_burst_of_wrong_points_does_not_move_it() -> None:
    points = ring(3)
    points[10:24] += 0.6
    found = circles.fit(points, np.ones(84, np.bool_))
    assert found is not None
    assert np.hypot(found.x - 10.0, found.y + 4.0) < 0.03
    assert found.used < 0.9


def test_blur_is_put_back() -> None:
    """The steepest place of a blurred disc lies soft^2 / (2 R) nearer to its centre (log slope of
    the disc's radial profile, sqrt(R / r) times a Gaussian)."""
    sharp = circles.fit(ring(4, noise=0.0), np.ones(84, np.bool_))
    soft = circles.fit(ring(4, noise=0.0), np.ones(84, np.bool_), soft=0.3)
    assert sharp is not None
    assert soft is not None
    assert soft.diameter - sharp.diameter == pytest.approx(0.09 / 3.3, rel=1e-6)


def test_too_few_points_make_no_circle() -> None:
    assert circles.fit(ring(5)[:8], np.ones(8, np.bool_)) is None
