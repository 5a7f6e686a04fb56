"""Threads, the row of bolts, creep and the plate on its bed against closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.special import kei

from keyturn.making import plate
from keyturn.making.plate import FloatArray, Grid, grid_of, unit_fields, weakest_path
from keyturn.making.shape import ClosedPath, Corner, Hole, Outline
from keyturn.physics import gasket, joint


def rectangle(x0: float, y0: float, x1: float, y1: float) -> ClosedPath:
    return ClosedPath((Corner(x0, y0), Corner(x1, y0), Corner(x1, y1), Corner(x0, y1)))


def test_thread_shears_over_seven_eighths() -> None:
    """Basic profile of ISO 68-1: the crest is P/8 wide, so 7/8 of the cylinder is metal."""
    area = joint.tapped_shear_area(0.008, 0.00125, 0.010)
    assert area == pytest.approx(7.0 / 8.0 * math.pi * 0.008 * 0.010, rel=1e-12)


def test_two_diameters_of_aluminium_outlast_the_bolt() -> None:
    """Design texts: two diameters in aluminium carry a class 8.8 bolt to its breaking load."""
    for diameter, pitch in ((0.006, 0.001), (0.008, 0.00125), (0.010, 0.0015)):
        area = joint.tapped_shear_area(diameter, pitch, 2.0 * diameter)
        holds = joint.strip_load(area, 200e6, 0.65)
        assert holds > 800e6 * joint.stress_area(diameter, pitch)


@pytest.mark.parametrize("turn", [0.4, 1.0, 2.0, 3.5, 5.0, 7.0])
def test_row_of_bolts_is_the_sum_over_single_bolts(turn: float) -> None:
    """Hetenyi 1946: one load gives P beta/2 e^-z (cos z + sin z); summed bolt by bolt."""
    z = np.arange(-200, 201) * turn

    def one(at: FloatArray) -> float:
        r = np.abs(at)
        return float(np.sum(0.5 * 3.0 * 40.0 * np.exp(-r) * (np.cos(r) + np.sin(r))))

    under, midway = gasket.row_of_bolts(3.0, turn / 40.0, 40.0)
    assert under == pytest.approx(one(z), rel=1e-9)
    assert midway == pytest.approx(one(z + turn / 2.0), rel=1e-9)


def test_row_of_bolts_lifts_beyond_its_reach() -> None:
    """tan(u) = -tanh(u) first at u = 2.3650, the free-free beam's root: 2 u = 4.7300."""
    assert gasket.row_of_bolts(1.0, 4.7299, 1.0)[1] > 0.0
    assert gasket.row_of_bolts(1.0, 4.7302, 1.0)[1] < 0.0


def test_close_bolts_press_evenly() -> None:
    under, midway = gasket.row_of_bolts(6.0, 0.02, 1.0)
    assert under == pytest.approx(6.0 / 0.02, rel=1e-6)
    assert midway == pytest.approx(6.0 / 0.02, rel=1e-6)


def test_effective_width_has_no_step() -> None:
    at = gasket.effective_width(np.array([0.0127 - 1e-9, 0.0127 + 1e-9]))
    assert at[0] == pytest.approx(at[1], abs=2e-9)


def test_creep_only_takes() -> None:
    cycles = np.array([0.0, 0.5, 1.0, 10.0, 100.0])
    left = gasket.retained_share(0.4, cycles, 0.1)
    assert left == pytest.approx([1.0, 0.8, 0.6, 0.6 * 0.9, 0.6 * 0.81], rel=1e-12)


def test_blow_out_balances_the_push() -> None:
    """10 mm of 1.5 mm sheet, 0.3 on both faces, 2 MPa: 2 x 0.3 x 2 x 10 = p x 1.5."""
    assert gasket.blow_out_pressure(2e6, 0.010, 0.0015, 0.3) == pytest.approx(8e6, rel=1e-12)


def strip(bolts: list[tuple[float, float]], length: float, bed: float) -> tuple[Grid, FloatArray]:
    """A flange 8 mm thick and 10 mm wide without a sideways bend (Poisson 0)."""
    grid = grid_of(Outline(rectangle(0.0, 0.0, length, 10.0)), 10.0)
    bend = 70e3 * 8.0**3 / 12.0
    fields = unit_fields(grid, bend, 0.0, [bed], bolts, 2.0, 0.0)[0]
    return grid, fields.bolts


def line_load(grid: Grid, field: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Middle of each column [mm] and load per length there [N/mm]."""
    x = grid.left + grid.cell * (np.arange(field.shape[1]) + 0.5)
    whole = grid.gasket.sum(axis=0) > 0.999 * grid.gasket.sum(axis=0).max()
    return x[whole], (field * grid.gasket).sum(axis=0)[whole] * grid.cell


def test_narrow_flange_is_hetenyis_beam() -> None:
    """Endless beam under one load; 1.5 % of the peak: cells and head of 2 mm, no point."""
    grid, fields = strip([(250.0, 5.0)], 500.0, 3.0)
    x, got = line_load(grid, fields[0])
    root = float(gasket.foundation_root(3.0 * 10.0, 70e3 * 10.0 * 8.0**3 / 12.0))
    z = root * np.abs(x - 250.0)
    exact = root / 2.0 * np.exp(-z) * (np.cos(z) + np.sin(z))
    assert got == pytest.approx(exact, abs=0.015 * root / 2.0)


def test_row_on_the_plate_is_the_closed_form() -> None:
    """Nine bolts 70 mm apart, looked at in the middle; 2 % of the peak as above."""
    bolts = [(50.0 + 70.0 * n, 5.0) for n in range(9)]
    grid, fields = strip(bolts, 660.0, 3.0)
    x, got = line_load(grid, fields.sum(axis=0))
    root = float(gasket.foundation_root(30.0, 70e3 * 10.0 * 8.0**3 / 12.0))
    under, midway = gasket.row_of_bolts(1.0, 70.0, root)
    assert float(np.interp(330.0, x, got)) == pytest.approx(under, abs=0.02 * under)
    assert float(np.interp(365.0, x, got)) == pytest.approx(midway, abs=0.02 * under)


def wide_plate_error(cells: int, monkeypatch: pytest.MonkeyPatch) -> float:
    """Largest fault in contact pressure over the peak, beyond the head."""
    monkeypatch.setattr(plate, "MOST_CELLS", cells)
    grid = grid_of(Outline(rectangle(0.0, 0.0, 400.0, 400.0)), 1.0)
    bend = 70e3 * 8.0**3 / 12.0 / (1.0 - 0.3**2)
    field = unit_fields(grid, bend, 0.3, [3.0], [(200.0, 200.0)], 6.0, 0.0)[0].bolts[0]
    reach = (bend / 3.0) ** 0.25
    rows, columns = np.indices(field.shape)
    x = grid.left + grid.cell * (columns + 0.5) - 200.0
    y = grid.bottom + grid.cell * (rows + 0.5) - 200.0
    radius = np.hypot(x, y)
    near = (radius > 12.0) & (radius < 100.0)
    exact = -3.0 * reach**2 / (2.0 * math.pi * bend) * kei(radius[near] / reach)
    peak = 3.0 / (8.0 * math.sqrt(3.0 * bend))
    return float(np.abs(field[near] - exact).max() / peak)


def test_wide_plate_under_one_load(monkeypatch: pytest.MonkeyPatch) -> None:
    """Timoshenko, Theory of Plates and Shells: endless plate on a bed under P,
    w = -P L^2 / (2 pi D) kei(r / L), at r = 0 P / 8 (k D)^0.5.

    1 % of the peak with five cells to the length L; half the cell must leave less than 0.4 of the
    fault (a quarter for an element of second order).
    """
    coarse, fine = wide_plate_error(1100, monkeypatch), wide_plate_error(4500, monkeypatch)
    assert fine < 0.01
    assert fine < 0.4 * coarse


def framed() -> Outline:
    holes = tuple(Hole(x, y, 7.0) for x in (10.0, 150.0) for y in (10.0, 90.0))
    return Outline(rectangle(0, 0, 160, 100), holes, (rectangle(20, 20, 140, 80),))


def test_rigid_flange_tilts_by_the_beam_formula() -> None:
    """F/A + F e x / I for an off-centre pull on a flange that does not bend."""
    grid = grid_of(Outline(rectangle(0, 0, 160, 100), (), (rectangle(20, 20, 140, 80),)), 10.0)
    field = unit_fields(grid, 1e13, 0.3, [5.0], [(150.0, 50.0)], 8.0, 0.0)[0].bolts[0]
    area = 160.0 * 100.0 - 120.0 * 60.0
    inertia = (100.0 * 160.0**3 - 60.0 * 120.0**3) / 12.0
    row, column = grid.at(5.0, 50.0)
    x = grid.left + grid.cell * (column + 0.5) - 80.0
    # 1 %: the port's edge is met by parts of cells
    assert field[row, column] == pytest.approx(1 / area + 70.0 * x / inertia, rel=0.01)


def test_contact_carries_every_newton() -> None:
    grid = grid_of(framed(), 10.0)
    bolts = [(hole.x, hole.y) for hole in framed().holes]
    (fields,) = unit_fields(grid, 3e6, 0.3, [5.0], bolts, 12.0, 5.0)
    carried = (fields.bolts * grid.gasket).sum(axis=(1, 2)) * grid.cell**2
    assert carried == pytest.approx(np.ones(4), rel=1e-8)
    lifted = -(fields.lift * grid.gasket).sum() * grid.cell**2
    assert lifted == pytest.approx(fields.lift_area, rel=1e-8)
    # port grown by 5 mm with round corners
    assert fields.lift_area == pytest.approx(120 * 60 + 2 * 5 * 180 + math.pi * 25, rel=0.003)


def test_a_leak_takes_the_weakest_way() -> None:
    grid = grid_of(framed(), 10.0)
    field = np.full((3, *grid.gasket.shape), 2.0)
    row, column = grid.at(80.0, 10.0)
    field[1, : row + 6, column] = 0.5  # a scratch right across one land
    field[2, : grid.at(80.0, 8.0)[0], column] = 0.5  # one that ends half way
    assert weakest_path(grid, field) == pytest.approx([2.0, 0.5, 2.0], rel=0.01)
