"""Several parts and copies on one sheet, with little waste: bottom-left on a raster.

A cell of the raster counts as taken when its centre lies in a part grown by half of the gap and
half of the cell's diagonal; two parts whose cells are apart are then at least the gap apart. All
places of a part are tried together by a Fourier transform. Same input, same answer. Openings are
not used: a part laid into another's port would fall out with it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations_with_replacement, islice
from typing import Any

import numpy as np
from numpy.typing import NDArray

from keyturn.errors import CannotSolve, ValueRefused
from keyturn.making.contours import CHORD, moved, outline_points, polygon
from keyturn.making.shape import Outline

GAP = 3.0  # [mm]
CELL = 1.0  # [mm]
MOST_CELLS = 1000  # along the longer side of the sheet; a larger sheet has larger cells
PLACINGS = 240  # of parts, in all trials together: some seconds at most
MORE = 6  # further trials once all lie on the sheet, for less waste
MOST_PARTS = 60
SLACK = 1e-6  # [mm]

Mask = NDArray[np.bool_]


@dataclass(frozen=True)
class Placement:
    """A part turned by quarters of a circle about its origin, then moved."""

    part: int  # of the parts as given
    turn: int
    x: float  # [mm]
    y: float  # [mm]


@dataclass(frozen=True)
class Nested:
    """What lies where; ``parts`` are the parts in place."""

    placements: tuple[Placement, ...]
    parts: tuple[Outline, ...]
    sheet: tuple[float, float]  # [mm]
    used: tuple[float, float]  # [mm] from the lower left corner
    waste: float  # share of the used corner that is no part
    smallest_gap: float  # [mm] between parts, by polygons; infinite for one part


@dataclass(frozen=True)
class _Turned:
    """One part in one of its four positions, as a raster."""

    cells: Mask
    offset: tuple[float, float]  # [mm] of the raster's corner from the part's origin and the margin
    low: tuple[int, int]  # first cell from the margin at which the part lies on the sheet, x and y
    high: tuple[int, int]  # last one


def nest(
    parts: Sequence[Outline], sheet: tuple[float, float], gap: float = GAP,
    margin: float | None = None,
) -> Nested:  # fmt: skip
    """Lay all parts on the sheet; ``margin`` [mm] to its edge is the gap when unsaid.

    Raises
    ------
    ValueRefused
        The sheet is too small; says for which part, or how many lie on it.
    """
    edge = gap if margin is None else margin
    _judge(parts, sheet, gap, edge)
    cell = max(CELL, max(sheet) / MOST_CELLS)
    # copies are the same object: each part is drawn once
    drawn = {id(part): part for part in parts}
    ways_of = {key: _positions(part, sheet, gap, edge, cell) for key, part in drawn.items()}
    turned = [ways_of[id(part)] for part in parts]
    for part, ways in zip(parts, turned, strict=True):
        if not ways:
            xs, ys = zip(*outline_points(part.outer), strict=True)
            raise ValueRefused(
                f"the sheet is too small for {part.name}, which is"
                f" {max(xs) - min(xs):.1f} x {max(ys) - min(ys):.1f} mm",
                typed=f"{sheet[0]:g} x {sheet[1]:g} mm",
                accepted=f"a sheet with {edge:g} mm to spare on every side",
                advice="a larger sheet, a smaller gap, or a part with a joint",
            )  # fmt: skip
    order = sorted(range(len(parts)), key=lambda n: -_area(parts[n]))
    found = _search(order, turned, cell)
    if len(found) < len(parts):
        raise ValueRefused(
            f"only {len(found)} of {len(parts)} parts were laid on the sheet",
            typed=f"{sheet[0]:g} x {sheet[1]:g} mm", accepted="a larger sheet, or fewer copies",
        )  # fmt: skip
    placements = tuple(sorted(found, key=lambda p: p.part))
    return _finished(parts, placements, sheet, gap, edge)


def _judge(parts: Sequence[Outline], sheet: tuple[float, float], gap: float, edge: float) -> None:
    if not parts:
        raise ValueRefused("there is nothing to lay on the sheet", accepted="one part or more")
    if len(parts) > MOST_PARTS:
        raise ValueRefused("that is too many for one sheet", typed=f"{len(parts)} parts",
                           accepted=f"up to {MOST_PARTS}")  # fmt: skip
    if not all(math.isfinite(side) and 1.0 <= side <= 10_000.0 for side in sheet):
        raise ValueRefused("the sheet cannot be taken", typed=f"{sheet[0]:g} x {sheet[1]:g} mm",
                           accepted="sides of 1 to 10000 mm")  # fmt: skip
    if not all(math.isfinite(v) and 0.0 <= v <= 200.0 for v in (gap, edge)):
        raise ValueRefused("the gap cannot be taken", typed=f"{gap:g} mm",
                           accepted="0 to 200 mm")  # fmt: skip


def _area(part: Outline) -> float:
    from shapely.geometry import Polygon

    return float(Polygon(outline_points(part.outer)).area)


def _positions(
    part: Outline, sheet: tuple[float, float], gap: float, edge: float, cell: float
) -> list[_Turned | None]:
    """The turns in which the part lies on the sheet at all; those that look alike once."""
    made: list[_Turned | None] = []
    for turn in range(4):
        raster = _raster(moved(part, turn, 0.0, 0.0), sheet, gap, edge, cell)
        alike = raster is not None and any(
            old.cells.shape == raster.cells.shape and bool(np.all(old.cells == raster.cells))
            for old in made if old is not None
        )  # fmt: skip
        # the number of the turn is the place in the list
        made.append(None if alike else raster)
    return made if any(raster is not None for raster in made) else []


def _raster(
    part: Outline, sheet: tuple[float, float], gap: float, edge: float, cell: float
) -> _Turned | None:
    import shapely
    from shapely.geometry import Polygon

    plain = Polygon(outline_points(part.outer))
    left, bottom, right, top = plain.bounds
    grown = plain.buffer(gap / 2.0 + cell * math.sqrt(0.5) + CHORD)
    # cells are counted from the margin, and a part's own left and lowest points lie on their
    # borders: so a part that just fits lies on the sheet
    reach = math.ceil((left - grown.bounds[0]) / cell)
    gx, gy = left - reach * cell, bottom - reach * cell
    spare = (sheet[0] - 2.0 * edge - (right - left), sheet[1] - 2.0 * edge - (top - bottom))
    if min(spare) < -SLACK:
        return None
    high = (math.floor((spare[0] + SLACK) / cell), math.floor((spare[1] + SLACK) / cell))
    xs = gx + cell * (np.arange(math.ceil((grown.bounds[2] - gx) / cell)) + 0.5)
    ys = gy + cell * (np.arange(math.ceil((grown.bounds[3] - gy) / cell)) + 0.5)
    shapely.prepare(grown)
    grid_x, grid_y = np.meshgrid(xs, ys)
    cells = np.asarray(shapely.contains_xy(grown, grid_x.ravel(), grid_y.ravel()), np.bool_)
    return _Turned(
        cells.reshape(grid_x.shape), (gx - edge, gy - edge),
        (-reach, -reach), (high[0] - reach, high[1] - reach),
    )  # fmt: skip


class _Sheet:
    """The raster of the sheet, with room around for what the grown parts stand over."""

    def __init__(self, turned: Sequence[Sequence[_Turned | None]], cell: float) -> None:
        from scipy.fft import next_fast_len

        rasters = [raster for ways in turned for raster in ways if raster is not None]
        # a part's raster may begin below 0: its margin is smaller than its growth
        self.pad = max(0, *(-min(raster.low) for raster in rasters))
        tall = max(raster.high[1] + raster.cells.shape[0] for raster in rasters) + self.pad
        wide = max(raster.high[0] + raster.cells.shape[1] for raster in rasters) + self.pad
        self.shape = (next_fast_len(int(tall), real=True), next_fast_len(int(wide), real=True))
        self.turned, self.cell = turned, cell
        self.spectra: dict[int, Any] = {}  # by raster; copies share theirs

    def spectrum(self, raster: _Turned) -> Any:
        from scipy.fft import rfft2

        if id(raster) not in self.spectra:
            cells = raster.cells.astype(np.float32)
            self.spectra[id(raster)] = np.conj(rfft2(cells, s=self.shape))
        return self.spectra[id(raster)]

    def free(self, taken: Any, raster: _Turned) -> Mask:
        """Where the part may go, over the places at which it lies on the sheet; rows are y."""
        from scipy.fft import irfft2

        hits = irfft2(taken * self.spectrum(raster), s=self.shape)
        (x0, y0), (x1, y1), pad = raster.low, raster.high, self.pad
        return np.asarray(hits[y0 + pad : y1 + pad + 1, x0 + pad : x1 + pad + 1] < 0.5)

    def lay(self, order: Sequence[int], turns: Sequence[int], by_rows: bool) -> list[Placement]:
        """Place after place, each as low (or as far left) as it goes."""
        from scipy.fft import rfft2

        grid, made = np.zeros(self.shape, np.float32), []
        for part, turn in zip(order, turns, strict=True):
            raster = self.turned[part][turn]
            if raster is None:
                continue
            free = self.free(rfft2(grid), raster)
            if not free.any():
                continue
            if by_rows:
                row, column = divmod(int(np.argmax(free)), free.shape[1])
            else:
                column, row = divmod(int(np.argmax(free.T)), free.shape[0])
            x, y = raster.low[0] + column, raster.low[1] + row
            tall, wide = raster.cells.shape
            top, left = y + self.pad, x + self.pad
            grid[top : top + tall, left : left + wide] += raster.cells
            made.append(Placement(part, turn, x * self.cell - raster.offset[0],
                                  y * self.cell - raster.offset[1]))  # fmt: skip
        return made


def _search(
    order: Sequence[int], turned: Sequence[Sequence[_Turned | None]], cell: float
) -> list[Placement]:
    """The trial that lays most parts, then the one in the smallest corner."""
    board = _Sheet(turned, cell)
    best: list[Placement] = []
    least, after = math.inf, 0
    for turns in islice(_ways(order, turned), max(4, PLACINGS // len(order))):
        for by_rows in (True, False):
            found = board.lay(order, turns, by_rows)
            size = _corner(found, turned, cell)
            if (len(found), -size) > (len(best), -least):
                best, least = found, size
        after += len(best) == len(order)
        if after > min(MORE, PLACINGS // len(order)):
            break
    return best


def _ways(
    order: Sequence[int], turned: Sequence[Sequence[_Turned | None]]
) -> Iterator[tuple[int, ...]]:
    """Turns of all parts: all alike first, then every sorted choice."""
    can = [[n for n, raster in enumerate(turned[part]) if raster is not None] for part in order]
    seen = set()
    alike = [[turn if turn in ways else ways[0] for ways in can] for turn in range(4)]
    choices = combinations_with_replacement(range(4), len(order))
    mixed = ([c if c in ways else ways[0] for c, ways in zip(choice, can, strict=True)]
             for choice in choices)  # fmt: skip
    for choice in (*alike, *islice(mixed, 20 * PLACINGS)):
        key = tuple(choice)
        if key not in seen:
            seen.add(key)
            yield key


def _corner(
    found: Sequence[Placement], turned: Sequence[Sequence[_Turned | None]], cell: float
) -> float:
    """Area of the corner that the placements need [mm2]."""
    wide = tall = 0.0
    for place in found:
        raster = turned[place.part][place.turn]
        if raster is not None:
            high, long = raster.cells.shape
            wide = max(wide, place.x + raster.offset[0] + long * cell)
            tall = max(tall, place.y + raster.offset[1] + high * cell)
    return wide * tall


def _finished(
    parts: Sequence[Outline], placements: tuple[Placement, ...], sheet: tuple[float, float],
    gap: float, edge: float,
) -> Nested:  # fmt: skip
    """The parts in place, checked by their polygons and not by the raster."""
    from shapely.geometry import box
    from shapely.strtree import STRtree

    placed = tuple(moved(parts[p.part], p.turn, p.x, p.y) for p in placements)
    shapes = [polygon(part) for part in placed]
    tree = STRtree(shapes)
    smallest = math.inf
    for n, shape in enumerate(shapes):
        near = [m for m in tree.query(shape.buffer(4.0 * gap + 20.0)) if m > n]
        smallest = min([smallest, *(float(shape.distance(shapes[m])) for m in near)])
    inside = box(edge, edge, sheet[0] - edge, sheet[1] - edge).buffer(1e-6)
    if smallest < gap - 1e-6 or not all(inside.covers(shape) for shape in shapes):
        raise CannotSolve("the parts on the sheet are nearer than they may be",
                          {"gap [mm]": smallest})  # fmt: skip
    right, top = max(s.bounds[2] for s in shapes), max(s.bounds[3] for s in shapes)
    used = (min(right + edge, sheet[0]), min(top + edge, sheet[1]))
    waste = 1.0 - sum(float(shape.area) for shape in shapes) / (used[0] * used[1])
    return Nested(placements, placed, sheet, used, waste, smallest)
