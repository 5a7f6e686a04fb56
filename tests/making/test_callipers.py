"""Holes from calliper distances: simulated parts with a known truth, and closed forms."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from keyturn.errors import CannotAnswer, ValueRefused
from keyturn.making.callipers import (
    Distance,
    Sketch,
    moved_onto,
    next_distance,
    place,
    plan,
    rigid,
)

HOLES = 10
PLANNED = 25


def part(rng: np.random.Generator) -> np.ndarray:
    """Ten holes around a plate of 300 x 120 mm, none where a drawing would have it."""
    x = np.array([0, 75, 150, 225, 300, 300, 225, 150, 75, 0], float)
    y = np.array([0, -8, 0, -8, 0, 120, 128, 120, 128, 120], float)
    return np.column_stack([x, y]) + rng.normal(0, 2.0, (HOLES, 2))


def sketched(truth: np.ndarray, rng: np.random.Generator, off: float = 3.0) -> list[Sketch]:
    rough = truth + rng.normal(0, off, truth.shape)
    return [Sketch(x, y, 6.6 + rng.normal(0, 0.03)) for x, y in rough]


def measured(
    truth: np.ndarray, pairs: list[tuple[int, int]], rng: np.random.Generator
) -> list[Distance]:
    """Over the outsides, each with its own error."""
    return [
        Distance(a, b, math.dist(truth[a], truth[b]) + 6.6 + rng.normal(0, 0.05), "outside")
        for a, b in pairs
    ]


def errors(truth: np.ndarray, sketch: list[Sketch], distances: list[Distance]) -> np.ndarray:
    """Distance of every centre from the truth after a rigid fit, without scale [mm]."""
    goal = [Sketch(x, y, 6.6) for x, y in truth]
    found = moved_onto(place(sketch, distances), goal)
    return np.hypot(found.x - truth[:, 0], found.y - truth[:, 1])


def test_25_planned_distances_place_ten_holes() -> None:
    """Goal of the work: 0.05 mm median, 0.20 mm largest at 0.05 mm a reading."""
    off: list[float] = []
    inside: list[bool] = []
    for seed in range(60):
        rng = np.random.default_rng(seed)
        truth = part(rng)
        sketch = sketched(truth, rng)
        distances = measured(truth, plan(sketch, PLANNED), rng)
        found = moved_onto(place(sketch, distances), [Sketch(x, y, 6.6) for x, y in truth])
        error = np.hypot(found.x - truth[:, 0], found.y - truth[:, 1])
        off += error.tolist()
        inside += (error < found.uncertainty).tolist()
    assert np.median(off) <= 0.05
    assert max(off) <= 0.20
    # 600 centres: a stated 95 % that is honest lies within 90 to 99 %
    assert 0.90 <= np.mean(inside) <= 0.99


def test_exact_distances_give_the_triangle_of_pythagoras() -> None:
    sketch = [Sketch(1, -1, 5), Sketch(29, 2, 5), Sketch(-1, 41, 5)]
    found = place(
        sketch,
        [Distance(0, 1, 30, "centre"), Distance(0, 2, 40, "centre"), Distance(1, 2, 50, "centre")],
    )
    assert found.x == pytest.approx([0, 30, 0], abs=1e-6)
    assert found.y == pytest.approx([0, 0, 40], abs=1e-6)


@pytest.mark.parametrize(("over", "value"), [("outside", 36.0), ("inside", 24.0), ("centre", 30.0)])
def test_what_a_distance_is_taken_over_counts(over: str, value: float) -> None:
    sketch = [Sketch(0, 0, 6), Sketch(29, 2, 6), Sketch(-1, 41, 6)]
    rest = [Distance(0, 2, 40, "centre"), Distance(1, 2, 50, "centre")]
    found = place(sketch, [Distance(0, 1, value, over), *rest])  # type: ignore[arg-type]
    assert found.x[1] == pytest.approx(30.0, abs=1e-3)


def test_a_mistyped_distance_is_named_with_what_it_should_be() -> None:
    """One of 25 is 1 mm off: the study before this found it in 40 of 40 cases."""
    named = 0
    for seed in range(40):
        rng = np.random.default_rng(1000 + seed)
        truth = part(rng)
        sketch = sketched(truth, rng)
        distances = measured(truth, plan(sketch, PLANNED), rng)
        wrong = int(rng.integers(PLANNED))
        right = distances[wrong].value
        distances[wrong] = replace(distances[wrong], value=right + 1.0)
        found = place(sketch, distances)
        named += found.suspect == wrong and abs((found.without or 0.0) - right) < 0.5
    assert named >= 38


def test_clean_distances_name_none() -> None:
    accused = 0
    for seed in range(40):
        rng = np.random.default_rng(2000 + seed)
        truth = part(rng)
        sketch = sketched(truth, rng)
        accused += place(sketch, measured(truth, plan(sketch, PLANNED), rng)).suspect is not None
    assert accused <= 1


def test_neighbours_only_do_not_hold_and_the_next_distance_is_named() -> None:
    rng = np.random.default_rng(3)
    truth = part(rng)
    sketch = sketched(truth, rng)
    ring = [(k, (k + 1) % HOLES) for k in range(HOLES)]
    distances = measured(truth, ring, rng)
    assert not rigid(sketch, distances)[0]
    with pytest.raises(CannotAnswer, match="not held") as refusal:
        place(sketch, distances)
    assert "measure from hole" in refusal.value.missing[0]


def test_the_next_distance_is_one_that_was_not_taken_and_within_reach() -> None:
    rng = np.random.default_rng(4)
    truth = part(rng)
    sketch = sketched(truth, rng, 0.0)
    pairs = plan(sketch, 20, reach=170.0)
    assert len(set(map(frozenset, pairs))) == 20
    assert all(math.dist(truth[a], truth[b]) <= 170.0 for a, b in pairs)
    a, b = next_distance(sketch, measured(truth, pairs, rng), reach=170.0)
    assert frozenset((a, b)) not in set(map(frozenset, pairs))


@pytest.mark.parametrize(
    ("distance", "words"),
    [
        (Distance(0, 9, 10.0), "not there"),
        (Distance(1, 1, 10.0), "one hole twice"),
        (Distance(0, 1, -3.0), "cannot be"),
        (Distance(0, 1, math.nan), "cannot be"),
        (Distance(0, 1, 4.0), "shorter than"),
    ],
)
def test_a_distance_that_cannot_be_is_refused(distance: Distance, words: str) -> None:
    sketch = [Sketch(0, 0, 6), Sketch(30, 0, 6), Sketch(0, 40, 6)]
    with pytest.raises(ValueRefused, match=words):
        place(sketch, [distance])
