"""Belt length against the convex hull of sampled circles (SciPy)."""

from __future__ import annotations

import numpy as np
import pytest

from keyturn.physics import belt

spatial = pytest.importorskip("scipy.spatial")


@pytest.mark.parametrize("seed", range(6))
def test_outside_belt_is_the_hull(seed: int) -> None:
    """Five pulleys on a rough circle, so that each one touches the belt.

    1e-6: 20 000 chords for a circle are short by (pi/20 000)^2/6 of the arc, some 4e-9, and the
    ends of the arcs fall between samples.
    """
    rng = np.random.default_rng(seed)
    angle = np.linspace(0.0, 2.0 * np.pi, 5, endpoint=False) + rng.uniform(-0.1, 0.1, 5)
    x, y = 0.3 * np.cos(angle), 0.3 * np.sin(angle)
    diameter = rng.uniform(0.05, 0.12, 5)
    length, wrap = belt.belt_route(x, y, diameter, np.ones(5))
    around = np.linspace(0.0, 2.0 * np.pi, 20000, endpoint=False)
    circle = np.column_stack((np.cos(around), np.sin(around)))
    points = np.vstack(
        [c + d / 2 * circle for c, d in zip(np.column_stack((x, y)), diameter, strict=True)]
    )
    assert length == pytest.approx(spatial.ConvexHull(points).area, rel=1e-6)
    assert wrap.sum() == pytest.approx(2.0 * np.pi, rel=1e-12)
