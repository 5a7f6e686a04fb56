"""Lines and arcs through noisy rows of points whose true path is known in closed form."""

from __future__ import annotations

import math

import numpy as np
import pytest
import score
from numpy.typing import NDArray
from renderer import flange

from keyturn.making import fit_path, rows
from keyturn.making.edit import rectangle
from keyturn.making.outline_file import from_text, to_text
from keyturn.making.shape import ClosedPath, Corner, Outline, area, flattened

Floats = NDArray[np.float64]
NOISE = 0.025  # [mm] of an edge point in a photo of 12 megapixels
Q = math.tan(math.pi / 8.0)
# an ell with a round inner corner and two sharp ones; every tangent joint is exact
ELL = ClosedPath(
    (Corner(0, 0), Corner(72, 0, Q), Corner(80, 8), Corner(80, 30), Corner(38, 30, -Q),
     Corner(30, 38), Corner(30, 70), Corner(0, 70))
)  # fmt: skip


def noisy(path: ClosedPath, seed: int, noise: float = NOISE) -> tuple[Floats, Floats]:
    """Points every quarter millimetre, moved along the normals; and the normals."""
    random = np.random.default_rng(seed)
    points = rows.resampled(np.array(flattened(path, 0.001)), 0.25)
    along = np.roll(points, -1, axis=0) - np.roll(points, 1, axis=0)
    normal = np.stack([along[:, 1], -along[:, 0]], axis=1)
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    return points + normal * random.normal(0.0, noise, (len(points), 1)), normal


def apart(a: ClosedPath, b: ClosedPath) -> float:
    """Largest distance of either path to the other by GEOS [mm]."""
    return score.hausdorff(a, b, np.eye(2), np.zeros(2))


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize(
    ("path", "pieces"),
    # the ends of the slot are written as two quarters each and are one half circle
    [(ELL, 8), (rectangle(5, 3, 60, 40, 8.0, 0.3), 8), (rectangle(0, 0, 50, 20, 10.0), 4)],
    ids=["ell", "rectangle", "slot"],
)  # fmt: skip
def test_the_path_comes_back_piece_by_piece(path: ClosedPath, pieces: int, seed: int) -> None:
    points, _ = noisy(path, seed)
    found = fit_path.fit(points)
    assert found.exact
    assert len(found.path.corners) == pieces
    # a sharp corner under this noise is off by a few times the noise of its two sides
    assert apart(found.path, path) < 0.1


@pytest.mark.parametrize("seed", range(1, 7))
def test_bursts_of_wrong_points_leave_no_spike(seed: int) -> None:
    """Runs of 1 to 8 mm stand aside by 0.5 to 2.5 mm, as when an edge leaps to a shadow."""
    random = np.random.default_rng(seed)
    points, normal = noisy(ELL, seed)
    # on the straight stretches: where a corner itself is hidden nobody can know it
    for low, high in ((20, 180), (440, 540), (660, 730)):
        at, long = int(random.integers(low, high)), int(random.integers(4, 32))
        aside = random.uniform(0.5, 2.5) * random.choice([-1.0, 1.0])
        points[at : at + long] += normal[at : at + long] * aside
    found = fit_path.fit(points)
    # the bound set for outlines and ports everywhere
    assert apart(found.path, ELL) < 0.25


def test_a_burst_is_named_and_nothing_else() -> None:
    points, normal = noisy(ELL, 4)
    points[100:120] += normal[100:120] * 0.8
    assert list(np.flatnonzero(rows.bursts(points))) == list(range(100, 120))


def test_points_that_were_not_seen_hardly_pull() -> None:
    points, normal = noisy(ELL, 5)
    good = np.ones(len(points), np.bool_)
    good[60:90] = False
    points[60:90] += normal[60:90] * 0.12
    assert apart(fit_path.fit(points, good).path, ELL) < 0.1


def test_tangent_joints_become_exact() -> None:
    points, _ = noisy(rectangle(0, 0, 60, 40, 8.0), 6)
    corners = fit_path.fit(points).path.corners
    turns = []
    for n, here in enumerate(corners):
        before, after = corners[n - 1], corners[(n + 1) % len(corners)]
        arriving = math.atan2(here.y - before.y, here.x - before.x) + 2 * math.atan(before.bulge)
        leaving = math.atan2(after.y - here.y, after.x - here.x) - 2 * math.atan(here.bulge)
        turns.append(abs(math.remainder(leaving - arriving, 2.0 * math.pi)))
    # 0.05 degree is 0.01 mm over a joint of ten millimetres
    assert max(turns) < math.radians(0.05)


def test_an_edge_that_wavers_does_not_become_a_row_of_short_lines() -> None:
    """72 pieces, the edge wavering by 0.02 mm over 3 mm as on the grain of an old gasket."""
    true = flange(2).outline.outer
    points, normal = noisy(true, 2, 0.012)
    random = np.random.default_rng(2)
    rough = np.convolve(random.normal(0.0, 1.0, len(points)), np.ones(12), "same")
    points += normal * (0.02 * rough / rough.std())[:, None]
    found = fit_path.fit(points)
    assert found.exact
    # within a tenth of the true number, as for photos
    assert abs(len(found.path.corners) / len(true.corners) - 1.0) <= 0.10
    assert apart(found.path, true) < 0.25


def test_a_circle_becomes_two_arcs() -> None:
    circle = ClosedPath((Corner(-20, 0, 1.0), Corner(20, 0, 1.0)))
    points, _ = noisy(circle, 7)
    found = fit_path.fit(points)
    assert apart(found.path, circle) < 0.05
    # the noise of some 500 points moves the mean radius by about a thousandth
    assert area(found.path) == pytest.approx(math.pi * 400.0, rel=5e-4)


def test_a_row_that_is_no_edge_is_kept_and_does_not_cross_itself() -> None:
    """Points strewn by more than their distance: a file of them has to be one that can be read."""
    true = rectangle(0, 0, 12, 8, 0.0)
    points, _ = noisy(true, 1)
    points = points + np.random.default_rng(1).normal(0.0, 0.5, points.shape)
    found = fit_path.fit(points, np.ones(len(points), np.bool_))
    assert not found.exact
    part = Outline(found.path)
    assert from_text(to_text(part)) == part
    # strewn evenly to both sides: 0.5 mm along 40 mm, and some 40 points of it stay
    assert area(found.path) == pytest.approx(12.0 * 8.0, abs=3.0 * 0.5 * 40.0 / 40.0**0.5)
