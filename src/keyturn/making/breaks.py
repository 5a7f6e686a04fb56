"""Where a closed row of edge points changes from one line or arc to the next.

Dynamic programming over the points (Bellman 1961; Perez and Vidal 1994 for curves): the set of
breaks with the least sum of squared distances in units of their noise, plus a price for every
piece. The cost of a line and of an arc over any run of points comes from running sums: the line
by its smaller principal moment, the arc by the algebraic circle fit of Kasa (1976).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
PRICE = 14.0  # of a free parameter, in squared standard deviations
LINE, ARC = 2.0, 3.0  # free parameters of a piece
LEAST_ARC = 1.0  # [mm] radius below which no arc is offered
MOST_ARC = 4000.0  # [mm] beyond, an arc is a line within any cut


@dataclass(frozen=True)
class Pieces:
    """Start index of every piece among the points, and whether it is an arc."""

    starts: NDArray[np.int64]
    arcs: NDArray[np.bool_]


def _sums(points: Floats, weight: Floats) -> Floats:
    """Running sums of the moments up to the fourth order, one row a moment."""
    x, y = points[:, 0], points[:, 1]
    z = x * x + y * y
    rows = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y, z * x, z * y, z * z]) * weight
    total = np.cumsum(np.asarray(rows, np.longdouble), axis=1)
    return np.concatenate([np.zeros((9, 1), np.longdouble), total], axis=1)


def _costs(moments: Floats) -> tuple[Floats, Floats]:
    """Sum of squared distances [mm2] to the best line and to the best circle."""
    n, x, y, xx, xy, yy, zx, zy, zz = moments
    n = np.maximum(n, 1e-9)
    mx, my = x / n, y / n
    uu, uv, vv = xx - x * mx, xy - x * my, yy - y * my
    line = np.maximum(((uu + vv) - np.sqrt((uu - vv) ** 2 + 4 * uv * uv)) / 2, 0.0)
    # moments of z about the mean, with z = u2 + v2 taken there: shift of the origin
    square = mx * mx + my * my
    z = xx + yy
    q0 = z - n * square  # sum of u2 + v2
    q_x = zx - mx * z - 2 * mx * (xx - x * mx) - 2 * my * (xy - x * my)
    q_y = zy - my * z - 2 * mx * (xy - y * mx) - 2 * my * (yy - y * my)
    q_q = (
        zz + 4 * mx * mx * xx + 4 * my * my * yy + n * square * square
        - 4 * mx * zx - 4 * my * zy + 2 * square * z + 8 * mx * my * xy
        - 4 * square * (mx * x + my * y)
    )  # fmt: skip
    spread = np.maximum(uu * vv - uv * uv, 1e-12)
    a = 0.5 * (q_x * vv - q_y * uv) / spread
    b = 0.5 * (q_y * uu - q_x * uv) / spread
    radius2 = a * a + b * b + q0 / n
    rest = np.maximum(q_q - q0 * q0 / n - 2 * (a * q_x + b * q_y), 0.0)
    circle = rest / (4 * np.maximum(radius2, 1e-9))
    bad = (radius2 < LEAST_ARC**2) | (radius2 > MOST_ARC**2)
    return line.astype(np.float64), np.where(bad, np.inf, circle).astype(np.float64)


def costs(
    points: Floats, weight: Floats, starts: NDArray[np.int64], ends: NDArray[np.int64]
) -> tuple[Floats, Floats]:
    """Weighted squares to the best line and to the best arc of each run of the closed row."""
    count = len(points)
    centred = points - points.mean(axis=0)
    sums = _sums(np.concatenate([centred, centred]), np.concatenate([weight, weight]))
    return _costs(sums[:, np.where(ends > starts, ends, ends + count)] - sums[:, starts])


def _open(points: Floats, weight: Floats, every: int, least: int, price: float) -> Pieces:
    """The best breaks of an open row; breaks stand on every ``every``-th point."""
    sums = _sums(points, weight)
    nodes = np.arange(0, len(points) + 1, every)
    if nodes[-1] != len(points):
        nodes = np.append(nodes, len(points))
    count = len(nodes)
    best = np.full(count, np.inf)
    best[0] = 0.0
    back = np.zeros(count, np.int64)
    arc = np.zeros(count, np.bool_)
    at = sums[:, nodes]
    reach = max(1, least // every)
    for end in range(reach, count):
        first = np.arange(0, end - reach + 1)
        line, circle = _costs(at[:, end : end + 1] - at[:, first])
        line, circle = line + LINE * price, circle + ARC * price
        total = best[first] + np.minimum(line, circle)
        n = int(np.argmin(total))
        best[end], back[end], arc[end] = total[n], n, circle[n] < line[n]
    starts, arcs = [], []
    end = count - 1
    while end > 0:
        starts.append(int(nodes[back[end]]))
        arcs.append(bool(arc[end]))
        end = int(back[end])
    return Pieces(np.array(starts[::-1], np.int64), np.array(arcs[::-1], np.bool_))


def find(
    points: Floats, weight: Floats, every: int = 2, least: int = 4, price: float = PRICE
) -> Pieces:
    """Breaks of the closed row ``points`` [mm]; ``weight`` is 1 / variance [1/mm2], 0 = absent.

    The row is opened anywhere first and a second time at a break found far from there, so that
    the opening itself is no break that nobody asked for.
    """
    centred = points - points.mean(axis=0)
    first = _open(centred, weight, every, least, price)
    if len(first.starts) < 3:
        return first
    lengths = np.diff(np.append(first.starts, len(points)))
    # a break in the middle, between two long pieces, is the surest one
    sure = np.minimum(lengths, np.roll(lengths, 1)).astype(float)
    sure[0] = -1.0
    shift = int(first.starts[int(np.argmax(sure))])
    again = _open(np.roll(centred, -shift, axis=0), np.roll(weight, -shift), every, least, price)
    starts = (again.starts + shift) % len(points)
    order = np.argsort(starts)
    return Pieces(starts[order], again.arcs[order])
