"""Every pixel shows the smallest and the largest of exactly its samples."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from keyturn.logs.pyramid import Pyramid


def plain(time: np.ndarray, values: np.ndarray, start: float, end: float, pixels: int):
    """The definition, pixel by pixel."""
    edges = np.linspace(start, end, pixels + 1)
    low, high = np.full(pixels, np.nan), np.full(pixels, np.nan)
    for i in range(pixels):
        last = time <= edges[i + 1] if i == pixels - 1 else time < edges[i + 1]
        inside = values[(time >= edges[i]) & last]
        inside = inside[~np.isnan(inside)]
        if len(inside):
            low[i], high[i] = inside.min(), inside.max()
    return low, high


@settings(max_examples=150, deadline=None, derandomize=True)
@given(
    size=st.integers(1, 9000), pixels=st.integers(1, 60), seed=st.integers(0, 999),
    window=st.tuples(st.floats(-0.1, 1.1), st.floats(-0.1, 1.1)),
)  # fmt: skip
def test_as_defined(size: int, pixels: int, seed: int, window: tuple[float, float]) -> None:
    rng = np.random.default_rng(seed)
    time = np.cumsum(rng.choice([0.0, 0.01, 0.01, 5.0], size, p=[0.1, 0.5, 0.39, 0.01]))
    values = np.where(rng.random(size) < 0.1, np.nan, rng.normal(size=size))
    span = time[-1] - time[0] + 1e-3
    start, end = sorted(time[0] + span * edge for edge in window)
    end = max(end, start + 1e-6)
    view = Pyramid(time, values).view(start, end, pixels)
    low, high = plain(time, values, start, end, pixels)
    assert np.array_equal(view.low, low, equal_nan=True)
    assert np.array_equal(view.high, high, equal_nan=True)


@pytest.mark.parametrize("at", [0, 1, 63, 64, 123_456, 999_998, 999_999])
@pytest.mark.parametrize("pixels", [1, 300, 1_200, 5_000])
def test_a_spike_of_one_sample_is_seen(at: int, pixels: int) -> None:
    time = np.arange(1_000_000) / 100.0
    values = np.zeros(1_000_000)
    values[at] = -1.0
    view = Pyramid(time, values).whole(pixels)
    assert (view.low == -1.0).sum() == 1
    pixel = int(np.flatnonzero(view.low == -1.0)[0])
    assert view.edges[pixel] <= time[at] <= view.edges[pixel + 1]


def test_nothing_to_see() -> None:
    assert np.isnan(Pyramid(np.empty(0), np.empty(0)).whole(10).low).all()
    empty = Pyramid(np.arange(5.0), np.full(5, np.nan)).whole(3)
    assert np.isnan(empty.low).all()
    with pytest.raises(ValueError, match="length"):
        Pyramid(np.arange(5.0), np.arange(4.0))
