"""Contour lines and filled regions of a map on a rectangular grid (marching squares)."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from keyturn.system.result import FloatArray

Pair = tuple[float, float]
Corner = tuple[float, float, float]  # x, y, height above the level


def _crossing(a: Corner, b: Corner) -> Pair:
    part = a[2] / (a[2] - b[2])
    return a[0] + (b[0] - a[0]) * part, a[1] + (b[1] - a[1]) * part


def _corners(x: FloatArray, y: FloatArray, z: FloatArray, i: int, j: int) -> list[Corner]:
    around = ((i, j), (i + 1, j), (i + 1, j + 1), (i, j + 1))
    return [(float(x[a]), float(y[b]), float(z[a, b])) for a, b in around]


def lines(x: FloatArray, y: FloatArray, z: FloatArray, level: float) -> list[list[Pair]]:
    """Polylines along which z(x, y) = level; z has shape (x, y); cells with NaN are left out."""
    height = np.where(z == level, 1e-12, z - level)
    pieces: list[tuple[Pair, Pair]] = []
    high = height > 0.0
    known = np.isfinite(height)
    count = high[:-1, :-1].astype(int) + high[1:, :-1] + high[1:, 1:] + high[:-1, 1:]
    whole = known[:-1, :-1] & known[1:, :-1] & known[1:, 1:] & known[:-1, 1:]
    for i, j in np.argwhere(whole & (count > 0) & (count < 4)):
        cell = _corners(x, y, height, int(i), int(j))
        cuts = [
            _crossing(a, b)
            for a, b in zip(cell, cell[1:] + cell[:1], strict=True)
            if (a[2] > 0) != (b[2] > 0)
        ]
        if len(cuts) == 4 and (sum(c[2] for c in cell) > 0) == (cell[0][2] > 0):
            cuts = cuts[1:] + cuts[:1]  # saddle: the middle belongs to the first corner's side
        pieces += [(cuts[n], cuts[n + 1]) for n in range(0, len(cuts), 2)]
    return _join(pieces)


def _key(point: Pair) -> tuple[int, int]:
    return round(point[0] * 1e6), round(point[1] * 1e6)


def _join(pieces: Sequence[tuple[Pair, Pair]]) -> list[list[Pair]]:
    """Chains of pieces that share an end."""
    ends: dict[tuple[int, int], list[int]] = {}
    for n, piece in enumerate(pieces):
        for point in piece:
            ends.setdefault(_key(point), []).append(n)
    left = set(range(len(pieces)))
    chains: list[list[Pair]] = []
    while left:
        start = min(left)
        left.discard(start)
        chain = list(pieces[start])
        for _ in range(2):
            while True:
                following = [n for n in ends[_key(chain[-1])] if n in left]
                if not following:
                    break
                left.discard(following[0])
                a, b = pieces[following[0]]
                chain.append(b if _key(a) == _key(chain[-1]) else a)
            chain.reverse()
        chains.append(chain)
    return chains


def smooth(z: FloatArray, rounds: int = 2) -> FloatArray:
    """A 3 x 3 mean, edges repeated: takes the stairs out of a map of yes and no."""
    for _ in range(rounds):
        wide = np.pad(z, 1, mode="edge")
        rows = wide[:-2] + wide[1:-1] + wide[2:]
        z = (rows[:, :-2] + rows[:, 1:-1] + rows[:, 2:]) / 9.0
    return z


def region(x: FloatArray, y: FloatArray, z: FloatArray) -> list[list[Pair]]:
    """Polygons that fill z > 0; full cells of one column are merged."""
    height = np.where(z == 0.0, 1e-12, z)
    high = height > 0.0
    count = high[:-1, :-1].astype(int) + high[1:, :-1] + high[1:, 1:] + high[:-1, 1:]
    polygons: list[list[Pair]] = []
    for i in range(count.shape[0]):
        start: int | None = None
        for j in range(count.shape[1] + 1):
            full = j < count.shape[1] and count[i, j] == 4
            if full and start is None:
                start = j
            if not full and start is not None:
                x1, x2, y1, y2 = float(x[i]), float(x[i + 1]), float(y[start]), float(y[j])
                polygons.append([(x1, y1), (x2, y1), (x2, y2), (x1, y2)])
                start = None
            if j < count.shape[1] and 0 < count[i, j] < 4:
                polygons.append(_clipped(_corners(x, y, height, i, j)))
    return polygons


def _clipped(cell: list[Corner]) -> list[Pair]:
    polygon: list[Pair] = []
    for a, b in zip(cell, cell[1:] + cell[:1], strict=True):
        if a[2] > 0:
            polygon.append((a[0], a[1]))
        if (a[2] > 0) != (b[2] > 0):
            polygon.append(_crossing(a, b))
    return polygon


def depth(
    mask: np.ndarray[tuple[int, ...], np.dtype[np.bool_]],
) -> np.ndarray[tuple[int, ...], np.dtype[np.int64]]:
    """How many cells each cell lies inside the mask (a distance by repeated erosion)."""
    total = mask.astype(np.int64)
    inner = mask
    while inner.any():
        wide = np.pad(inner, 1, constant_values=False)
        inner = wide[:-2, 1:-1] & wide[2:, 1:-1] & wide[1:-1, :-2] & wide[1:-1, 2:] & inner
        total = total + inner
    return total
