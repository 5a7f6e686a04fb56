"""Common shapes on noisy points: the right one is named, and it lies on the truth."""

from __future__ import annotations

import math

import numpy as np
import pytest
import score

from keyturn.making import ports, rows
from keyturn.making.edit import rectangle
from keyturn.making.shape import ClosedPath, Corner, flattened

CIRCLE = ClosedPath((Corner(-15, 2, 1.0), Corner(15, 2, 1.0)))
TEE = ClosedPath((Corner(0, 0), Corner(40, 0), Corner(34, 30), Corner(6, 30)))


def points_of(path: ClosedPath, seed: int) -> np.ndarray:
    points = rows.resampled(np.array(flattened(path, 0.001)), 0.25)
    return points + np.random.default_rng(seed).normal(0.0, 0.02, points.shape)


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize(
    ("path", "kind"),
    [(CIRCLE, "circle"), (rectangle(3, 1, 60, 36, 9.0, 0.2), "rectangle"),
     (rectangle(3, 1, 60, 36, 18.0, -0.4), "slot"),
     (rectangle(0, 0, 40, 40, 6.0, 0.7), "rectangle")],
    ids=["circle", "rectangle", "slot", "square"],
)  # fmt: skip
def test_the_shape_is_named_and_lies_on_the_truth(path: ClosedPath, kind: str, seed: int) -> None:
    points = points_of(path, seed)
    points[40:52] += 1.5  # a burst
    found = ports.template(points, np.ones(len(points), np.bool_))
    assert found is not None
    assert found.kind == kind
    assert score.hausdorff(found.path, path, np.eye(2), np.zeros(2)) < 0.05


def test_another_shape_is_left_to_lines_and_arcs() -> None:
    points = points_of(TEE, 1)
    assert ports.template(points, np.ones(len(points), np.bool_)) is None


def test_signed_distance_of_a_slot_in_closed_form() -> None:
    unknowns = np.array([0.0, 0.0, 0.0, 20.0, 5.0, 5.0])
    at = np.array([[0.0, 7.0], [23.0, 0.0], [0.0, 0.0], [15.0 + 4.0, 3.0]])
    # straight side, end cap, middle, and a point on the cap's 3-4-5 triangle
    assert ports.distance(at, unknowns) == pytest.approx([2.0, 3.0, -5.0, 0.0], abs=1e-12)
    assert not math.isnan(ports.distance(at, unknowns)[0])
