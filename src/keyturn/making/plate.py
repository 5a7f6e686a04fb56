"""Contact pressure of a gasket under a flange that bends: plate on an elastic bed.

The flange is a thin plate with the outline of the gasket, holes filled, the face below it rigid.
Rectangular plate elements of twelve degrees of freedom (Adini-Clough-Melosh) on a square grid,
weighted by the share of each cell that is metal or sheet. Newton and millimetre throughout.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache, cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from keyturn.making.shape import Outline, flattened

FloatArray = NDArray[np.float64]
MOST_CELLS = 4500  # of the flange; about half a second to factor
CELLS_ON_LAND = 5.0
FINEST = 0.5  # [mm] a smaller cell tells nothing about a thin plate
LEAST_SHARE = 0.02  # a cell with less metal is left out: it would only be badly conditioned
HALF = 0.5  # a cell with less sheet counts as open when a leak looks for its way
CHORD = 0.02  # [mm]


@dataclass(frozen=True)
class Grid:
    """Cells of size ``cell``, row by row from the lower left; arrays (rows, columns)."""

    cell: float  # [mm]
    left: float
    bottom: float
    gasket: FloatArray  # share of the cell that is sheet
    flange: FloatArray  # share that is metal
    ports: FloatArray  # share that is open to the pressure
    outline: Outline

    @cached_property
    def sealed(self) -> NDArray[np.bool_]:
        """Cells that block a leak."""
        return np.asarray(self.gasket >= HALF)

    @cached_property
    def source(self) -> NDArray[np.bool_]:
        """Cells from which a leak starts."""
        return ~self.sealed & (self.ports >= HALF)

    @cached_property
    def sink(self) -> NDArray[np.bool_]:
        """Cells at which it has got out: beside the part, in bolt holes, in passages."""
        return ~self.sealed & ~self.source

    def at(self, x: float, y: float) -> tuple[int, int]:
        """Row and column of the cell at a point, kept within the grid."""
        rows, columns = self.gasket.shape
        row = min(max(int((y - self.bottom) / self.cell), 0), rows - 1)
        return row, min(max(int((x - self.left) / self.cell), 0), columns - 1)


def grid_of(outline: Outline, land: float, *, cover: bool = False) -> Grid:
    """Grid that puts about five cells on the narrowest land, within the most cells.

    ``cover``: the flange is a lid that runs on across the ports.
    """
    from shapely.geometry import Point, Polygon
    from shapely.ops import unary_union

    outer = Polygon(flattened(outline.outer, CHORD))
    openings = [Polygon(flattened(port, CHORD)) for port in outline.ports]
    discs = [Point(h.x, h.y).buffer(h.diameter / 2.0, 32) for h in outline.holes]
    sheet = outer.difference(unary_union([*openings, *discs]))
    metal = outer if cover else outer.difference(unary_union(openings))
    cell = max(land / CELLS_ON_LAND, math.sqrt(metal.area / MOST_CELLS), FINEST)
    x0, y0, x1, y1 = outer.bounds
    columns, rows = math.ceil((x1 - x0) / cell) + 2, math.ceil((y1 - y0) / cell) + 2
    left = (x0 + x1 - columns * cell) / 2.0
    bottom = (y0 + y1 - rows * cell) / 2.0
    gasket, flange, ports = (
        _shares(shape, left, bottom, cell, rows, columns)
        for shape in (sheet, metal, unary_union(openings))
    )
    return Grid(cell, left, bottom, gasket, flange, ports, outline)


def _shares(
    shape: Any, left: float, bottom: float, cell: float, rows: int, columns: int
) -> FloatArray:
    """Share of every cell that lies in a shape."""
    import shapely

    x = left + cell * np.arange(columns)
    y = bottom + cell * np.arange(rows)
    xs, ys = np.meshgrid(x, y)
    boxes = shapely.box(xs, ys, xs + cell, ys + cell)
    shapely.prepare(shape)
    share = np.where(shapely.contains(shape, boxes), 1.0, 0.0)
    cut = shapely.intersects(shape, boxes) & (share == 0.0)
    share[cut] = shapely.area(shapely.intersection(boxes[cut], shape)) / cell**2
    return np.asarray(share, dtype=float)


@dataclass(frozen=True)
class Fields:
    """Contact pressure [MPa] for unit loads, arrays (loads, rows, columns)."""

    bolts: FloatArray  # for 1 N in each bolt
    lift: FloatArray  # taken away by 1 MPa in the ports
    lift_area: float  # [mm2] on which that pressure works


def unit_fields(
    grid: Grid,
    stiffness: float,
    poisson: float,
    beds: Sequence[float],
    bolts: Sequence[tuple[float, float]],
    head: float,
    half_land: float,
) -> list[Fields]:
    """Solve the plate for every bolt and for the pressure, on each bed.

    ``stiffness`` D [N mm], ``beds`` stress over squeeze distance of the sheet [N/mm3], ``head``
    outside diameter that bears [mm], ``half_land`` how far the pressure reaches in under [mm].
    """
    nodes, table = _numbered(grid)
    area, lift = lift_load(grid, half_land)
    loads = [_spread(grid, x, y, head) for x, y in bolts] + [lift]
    right = np.stack([_nodal(load, grid, table, len(nodes)) for load in loads], axis=1)
    active = grid.flange >= LEAST_SHARE
    found = []
    for bed in beds:
        moved = _factored(grid, table, len(nodes), stiffness, poisson, bed)(right)
        pressure = np.zeros((len(loads), *grid.gasket.shape))
        pressure[:, active] = bed * np.einsum("k,nkl->ln", _mean_row(grid.cell), moved[table])
        found.append(Fields(pressure[:-1], pressure[-1], area))
    return found


def _numbered(grid: Grid) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Corner numbers in use, and per active cell its twelve unknowns."""
    rows, columns = np.nonzero(grid.flange >= LEAST_SHARE)
    wide = grid.flange.shape[1] + 1
    corner = rows * wide + columns
    corners = np.stack([corner, corner + 1, corner + wide + 1, corner + wide], axis=1)
    nodes, index = np.unique(corners, return_inverse=True)
    index = index.reshape(corners.shape)
    return nodes, (3 * index[:, :, None] + np.arange(3)).reshape(len(corner), 12)


def _factored(
    grid: Grid, table: NDArray[np.int64], count: int, stiffness: float, poisson: float, bed: float
) -> Any:
    from scipy.sparse import coo_matrix
    from scipy.sparse.linalg import splu

    bending, winkler = element(grid.cell, poisson)
    active = grid.flange >= LEAST_SHARE
    metal, sheet = grid.flange[active], grid.gasket[active]
    values = stiffness * metal[:, None, None] * bending + bed * sheet[:, None, None] * winkler
    across = np.broadcast_to(table[:, :, None], values.shape).ravel()
    down = np.broadcast_to(table[:, None, :], values.shape).ravel()
    matrix = coo_matrix((values.ravel(), (across, down)), shape=(3 * count, 3 * count)).tocsc()
    options = {"SymmetricMode": True}
    return splu(matrix, permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options=options).solve


def _powers(x: FloatArray, y: FloatArray, dx: int, dy: int) -> FloatArray:
    """The twelve terms of the deflection, derived dx and dy times; (..., 12)."""
    terms = ((0, 0), (1, 0), (0, 1), (2, 0), (1, 1), (0, 2),
             (3, 0), (2, 1), (1, 2), (0, 3), (3, 1), (1, 3))  # fmt: skip
    found = []
    for a, b in terms:
        factor = float(math.perm(a, dx) * math.perm(b, dy))
        found.append(factor * x ** max(a - dx, 0) * y ** max(b - dy, 0))
    return np.stack(found, axis=-1)


@cache
def _shape_terms(cell: float) -> FloatArray:
    """From the unknowns (deflection, two slopes at four corners) to the twelve terms."""
    x, y = np.array([0.0, cell, cell, 0.0]), np.array([0.0, 0.0, cell, cell])
    rows = [_powers(x, y, *order) for order in ((0, 0), (1, 0), (0, 1))]
    return np.asarray(np.linalg.inv(np.stack(rows, axis=1).reshape(12, 12)), dtype=float)


def _points(cell: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Gauss points and weights of one cell, exact to the seventh power."""
    at, weight = np.polynomial.legendre.leggauss(4)
    x, y = np.meshgrid((at + 1.0) * cell / 2.0, (at + 1.0) * cell / 2.0)
    return x.ravel(), y.ravel(), np.outer(weight, weight).ravel() * cell * cell / 4.0


@cache
def element(cell: float, poisson: float) -> tuple[FloatArray, FloatArray]:
    """Bending and bed matrices of one square cell for D = 1 and bed = 1."""
    x, y, weight = _points(cell)
    terms = _shape_terms(cell)
    xx, yy, xy = (_powers(x, y, *order) @ terms for order in ((2, 0), (0, 2), (1, 1)))
    curved = np.stack([xx, yy, 2.0 * xy], axis=1)
    law = np.array([[1.0, poisson, 0.0], [poisson, 1.0, 0.0], [0.0, 0.0, (1.0 - poisson) / 2.0]])
    bending = np.einsum("pai,ab,pbj,p->ij", curved, law, curved, weight)
    deflection = _powers(x, y, 0, 0) @ terms
    return bending, np.einsum("pi,pj,p->ij", deflection, deflection, weight)


def _mean_row(cell: float) -> FloatArray:
    """Mean deflection of a cell from its twelve unknowns."""
    x, y, weight = _points(cell)
    row: FloatArray = weight @ (_powers(x, y, 0, 0) @ _shape_terms(cell)) / cell**2
    return row


def _spread(grid: Grid, x: float, y: float, diameter: float) -> FloatArray:
    """Force on each cell from 1 N under a head."""
    from shapely.geometry import Point

    low_row, low_column = grid.at(x - diameter / 2.0, y - diameter / 2.0)
    high_row, high_column = grid.at(x + diameter / 2.0, y + diameter / 2.0)
    share = np.zeros(grid.flange.shape)
    share[low_row : high_row + 1, low_column : high_column + 1] = _shares(
        Point(x, y).buffer(diameter / 2.0, 16),
        grid.left + low_column * grid.cell,
        grid.bottom + low_row * grid.cell,
        grid.cell,
        high_row - low_row + 1,
        high_column - low_column + 1,
    )
    share = np.where(grid.flange >= LEAST_SHARE, share, 0.0)
    return np.asarray(share / share.sum())


def lift_load(grid: Grid, half_land: float) -> tuple[float, FloatArray]:
    """Area [mm2] that 1 MPa in the ports works on, and the force it puts on each cell.

    A lid carries it on its face. An open flange gets it through its walls: on the metal beside
    each port.
    """
    from shapely.geometry import Polygon

    rows, columns = grid.flange.shape
    outer = Polygon(flattened(grid.outline.outer, CHORD))
    area, force = 0.0, np.zeros((rows, columns))
    for port in grid.outline.ports:
        shape = Polygon(flattened(port, CHORD))
        reach = shape.buffer(half_land).intersection(outer)
        share = _shares(reach, grid.left, grid.bottom, grid.cell, rows, columns)
        share = np.where(grid.flange >= LEAST_SHARE, share * grid.flange, 0.0)
        if share.sum() > 0.0:
            area += reach.area
            force -= reach.area * share / share.sum()
    return area, force


def _nodal(force: FloatArray, grid: Grid, table: NDArray[np.int64], count: int) -> FloatArray:
    """Forces on cells as loads on the unknowns."""
    load = np.zeros(3 * count)
    active = grid.flange >= LEAST_SHARE
    values: FloatArray = force[active][:, None] * _mean_row(grid.cell)[None, :]
    np.add.at(load, table.ravel(), values.ravel())
    return load


def weakest_path(grid: Grid, strength: FloatArray, tolerance: float = 0.01) -> FloatArray:
    """For each field the strength that a leak from a port to the outside must overcome.

    A leak goes the way on which the strongest cell is weakest. Bolt holes and passages count as
    outside. Positive fields (samples, rows, columns); found to a relative tolerance.
    """
    found = np.empty(len(strength))
    guess = float(np.median(strength[0][grid.sealed]))
    for n, field in enumerate(strength):
        found[n] = guess = _weakest(grid, field, guess, tolerance)
    return found


def _weakest(grid: Grid, field: FloatArray, guess: float, tolerance: float) -> float:
    """Bracket around the guess, then halved in the logarithm."""
    cells = field[grid.sealed]
    low, high = float(cells.min()), float(cells.max())
    step = 1.3
    middle = min(max(guess, low), high)
    while high > low * (1.0 + tolerance):
        if leaks(grid, field, middle):
            high = middle
            middle = max(middle / step, math.sqrt(low * high))
        else:
            low = middle
            middle = min(middle * step, math.sqrt(low * high))
    return math.sqrt(low * high)


def leaks(grid: Grid, field: FloatArray, threshold: float) -> bool:
    """Whether cells not above the threshold join a port to the outside."""
    from scipy.ndimage import label

    marks, count = label(~grid.sealed | (field <= threshold), np.ones((3, 3)))
    reached = np.zeros(count + 1, dtype=bool)
    reached[marks[grid.source]] = True
    return bool(reached[marks[grid.sink]].any())
