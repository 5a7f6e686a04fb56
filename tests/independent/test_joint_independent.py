"""Contact pressure between real bolts against a beam model of its own (Hermite elements)."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from keyturn.making.plate import grid_of, unit_fields
from keyturn.making.shape import ClosedPath, Corner, Outline

FloatArray = NDArray[np.float64]


def hermite_beam(
    length: float, bending: float, bed: float, loads: list[tuple[float, float]], count: int
) -> tuple[FloatArray, FloatArray]:
    """Free beam on a bed: nodes and deflection. Cubic elements, load on the nearest node."""
    h = length / count
    k = bending / h**3 * np.array([
        [12, 6 * h, -12, 6 * h], [6 * h, 4 * h * h, -6 * h, 2 * h * h],
        [-12, -6 * h, 12, -6 * h], [6 * h, 2 * h * h, -6 * h, 4 * h * h],
    ])  # fmt: skip
    m = bed * h / 420.0 * np.array([
        [156, 22 * h, 54, -13 * h], [22 * h, 4 * h * h, 13 * h, -3 * h * h],
        [54, 13 * h, 156, -22 * h], [-13 * h, -3 * h * h, -22 * h, 4 * h * h],
    ])  # fmt: skip
    whole = np.zeros((2 * count + 2, 2 * count + 2))
    for n in range(count):
        whole[2 * n : 2 * n + 4, 2 * n : 2 * n + 4] += k + m
    force = np.zeros(2 * count + 2)
    for x, pull in loads:
        force[2 * round(x / h)] += pull
    return np.linspace(0.0, length, count + 1), np.linalg.solve(whole, force)[::2]


@pytest.mark.parametrize(
    ("thickness", "bed"), [(6.0, 2.0), (10.0, 2.0), (10.0, 12.0)], ids=["thin", "soft", "hard"]
)
def test_uneven_bolts_on_a_free_strip(thickness: float, bed: float) -> None:
    """Unequal pulls and spacings, free ends. 0.5 % of the peak: cells and heads of 2 mm, the beam
    under a point."""
    corners = (Corner(0, 0), Corner(400, 0), Corner(400, 12), Corner(0, 12))
    grid = grid_of(Outline(ClosedPath(corners)), 10.0)
    bolts = [(20.0, 1000.0), (110.0, 1500.0), (180.0, 700.0), (330.0, 1200.0)]
    modulus = 70e3
    places = [(x, 6.0) for x, _ in bolts]
    (fields,) = unit_fields(grid, modulus * thickness**3 / 12.0, 0.0, [bed], places, 2.0, 0.0)
    field = np.tensordot(np.array([pull for _, pull in bolts]), fields.bolts, 1)
    x = grid.left + grid.cell * (np.arange(field.shape[1]) + 0.5)
    inside = (x > 1.0) & (x < 399.0)
    share = grid.gasket.sum(axis=0)[inside]
    got = (field * grid.gasket).sum(axis=0)[inside] / share
    nodes, sunk = hermite_beam(400.0, modulus * 12.0 * thickness**3 / 12.0, bed * 12.0, bolts, 800)
    wanted = bed * np.interp(x[inside], nodes, sunk)
    assert got == pytest.approx(wanted, abs=0.005 * float(wanted.max()))


def ritz_ring(
    inner: float, outer: float, at: float, stiffness: float, poisson: float, bed: float
) -> tuple[FloatArray, FloatArray]:
    """Deflection of an annular plate on a bed under 1 N spread over the circle ``at``.

    Least energy over polynomials in r: D/2 (w''^2 + (w'/r)^2 + 2 nu w'' w'/r) + k/2 w^2.
    """
    degree = 14
    x, weight = np.polynomial.legendre.leggauss(60)
    half = (outer - inner) / 2.0
    r = (inner + outer) / 2.0 + half * x
    base = np.eye(degree + 1)
    legendre = np.polynomial.legendre
    w = np.array([legendre.legval(x, row) for row in base])
    d1 = np.array([legendre.legval(x, legendre.legder(row)) for row in base]) / half
    d2 = np.array([legendre.legval(x, legendre.legder(row, 2)) for row in base]) / half**2
    ring = 2.0 * np.pi * r * weight * half
    bent = d2 * ring @ d2.T + (d1 / r**2 * ring) @ d1.T
    mixed = (d2 / r * ring) @ d1.T
    matrix = stiffness * (bent + poisson * (mixed + mixed.T)) + bed * (w * ring) @ w.T
    load = np.array([legendre.legval((at - inner) / half - 1.0, row) for row in base])
    solved = np.linalg.solve(matrix, load)
    return r, solved @ w


def circle(radius: float) -> ClosedPath:
    return ClosedPath((Corner(-radius, 0.0, 1.0), Corner(radius, 0.0, 1.0)))


@pytest.mark.parametrize(("thickness", "bed"), [(4.0, 3.0), (8.0, 3.0)], ids=["thin", "thick"])
def test_ring_of_many_bolts(thickness: float, bed: float) -> None:
    """Ring 160 / 80 mm, 24 bolts on radius 68, mean over the cells of each radius.

    0.5 % of the peak: heads of 3 mm in place of a circle without width, square cells at the edges.
    """
    stiffness = 70e3 * thickness**3 / 12.0 / (1.0 - 0.33**2)
    grid = grid_of(Outline(circle(80.0), (), (circle(40.0),)), 10.0)
    turn = 2.0 * np.pi * np.arange(24) / 24.0
    bolts = [(68.0 * np.cos(a), 68.0 * np.sin(a)) for a in turn]
    field = unit_fields(grid, stiffness, 0.33, [bed], bolts, 3.0, 0.0)[0].bolts.mean(axis=0)
    rows, columns = np.indices(field.shape)
    x = grid.left + grid.cell * (columns + 0.5)
    y = grid.bottom + grid.cell * (rows + 0.5)
    radius = np.hypot(x, y)
    r, sunk = ritz_ring(40.0, 80.0, 68.0, stiffness, 0.33, bed)
    peak = bed * float(sunk.max())
    for ring in (45.0, 52.0, 60.0, 68.0, 75.0):
        near = np.abs(radius - ring) < 2.0
        wanted = bed * np.interp(radius[near], r, sunk)
        assert float(field[near].mean()) == pytest.approx(float(wanted.mean()), abs=0.005 * peak)
