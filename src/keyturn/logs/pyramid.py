"""Smallest and largest value in every pixel, so that no spike of one sample is ever lost.

A trace of a million samples is drawn on a thousand pixels. Each pixel gets the minimum and the
maximum of exactly the samples that fall into it, the last sample of the window included. Blocks
of samples reduced beforehand make a view cost as many steps as it has pixels, not samples.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from keyturn.logs.frame import Samples

FIRST = 64  # samples in the smallest block
GROWTH = 16  # blocks in a block of the next level


@dataclass(frozen=True)
class View:
    """What to draw: pixel ``i`` covers ``edges[i]`` to ``edges[i+1]``; NaN where nothing is."""

    edges: Samples
    low: Samples
    high: Samples


class Pyramid:
    """One channel, ready to be drawn at any zoom."""

    def __init__(self, time: Samples, values: Samples) -> None:
        if len(time) != len(values):
            raise ValueError("time and values differ in length")
        self.time = time
        self.levels: list[tuple[int, Samples, Samples]] = [(1, values, values)]
        size = FIRST
        while size * 2 <= len(values):
            width, low, high = self.levels[-1]
            starts = np.arange(0, len(low), size // width)
            low = np.fmin.reduceat(low, starts)
            high = np.fmax.reduceat(high, starts)
            self.levels.append((size, low, high))
            size *= GROWTH

    def view(self, start: float, end: float, pixels: int) -> View:
        """Smallest and largest value of each pixel from ``start`` to ``end`` [s].

        The last pixel includes a sample at ``end`` exactly.
        """
        edges = np.linspace(start, end, pixels + 1)
        cuts = np.searchsorted(self.time, edges, "left")
        cuts[-1] = np.searchsorted(self.time, end, "right")
        level = self._level((cuts[-1] - cuts[0]) / max(pixels, 1))
        return View(edges, self._reduce(cuts, level, np.fmin), self._reduce(cuts, level, np.fmax))

    def whole(self, pixels: int) -> View:
        """The whole recording."""
        if not len(self.time):
            return View(np.zeros(pixels + 1), np.full(pixels, np.nan), np.full(pixels, np.nan))
        return self.view(float(self.time[0]), float(self.time[-1]), pixels)

    def _row(self, level: int, which: int) -> Samples:
        _, low, high = self.levels[level]
        return low if which == 1 else high

    def _level(self, samples_a_pixel: float) -> int:
        """The coarsest level with at least two blocks in a pixel."""
        fit = [i for i, (size, _, _) in enumerate(self.levels) if 2 * size <= samples_a_pixel]
        return fit[-1] if fit else 0

    def _reduce(self, cuts: NDArray[np.intp], level: int, pick: np.ufunc) -> Samples:
        """Whole blocks inside a pixel from ``level``, its two ends from the samples themselves."""
        begin, end = cuts[:-1], cuts[1:]
        which = 1 if pick is np.fmin else 2
        samples = self._row(0, which)
        if level == 0:
            return _ranges(samples, begin, end, pick)
        size = self.levels[level][0]
        blocks = self._row(level, which)
        inner, outer = -(-begin // size), end // size
        whole = _ranges(blocks, inner, outer, pick)
        head = _ranges(samples, begin, np.minimum(inner * size, end), pick)
        tail = _ranges(samples, np.maximum(outer * size, begin), end, pick)
        found: Samples = pick(pick(whole, head), tail)
        return found


def _ranges(
    values: Samples, begin: NDArray[np.intp], end: NDArray[np.intp], pick: np.ufunc
) -> Samples:
    """``pick`` over values[begin:end] of each pair; NaN where the range is empty."""
    out = np.full(len(begin), np.nan)
    some = np.flatnonzero(end > begin)
    if len(some):
        pairs = np.empty(2 * len(some), dtype=np.intp)
        pairs[0::2], pairs[1::2] = begin[some], end[some]
        # reduceat wants starts inside the array; a last end may be its length
        pairs = pairs[:-1] if pairs[-1] == len(values) else pairs
        out[some] = pick.reduceat(values, pairs)[0::2]
    return out
