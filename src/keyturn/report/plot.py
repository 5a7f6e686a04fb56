"""Axes, ticks and labels that keep out of each other's way."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from keyturn.report.show import whole
from keyturn.report.svg import LINE, SMALL, TEXT, THIN, Drawing, text_width
from keyturn.system.result import FloatArray

Box = tuple[float, float, float, float]  # x, y (top), width, height


def ticks(low: float, high: float, wanted: int) -> list[float]:
    """Round numbers in the closed range, about ``wanted`` of them."""
    if not (math.isfinite(low) and math.isfinite(high)) or high <= low:
        return []
    raw = (high - low) / max(wanted, 1)
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(power * m for m in (1.0, 2.0, 2.5, 5.0, 10.0) if power * m >= raw * 0.999)
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [n * step for n in range(first, last + 1)]


def rounded_range(low: float, high: float, wanted: int = 5) -> tuple[float, float]:
    """The range widened to round numbers; never empty."""
    if not (math.isfinite(low) and math.isfinite(high)):
        return 0.0, 1.0
    if high - low < 1e-6 * max(1.0, abs(high)):
        low, high = low - 1.0, high + 1.0
    marks = ticks(low, high, wanted)
    step = marks[1] - marks[0] if len(marks) > 1 else (high - low) / 2
    return math.floor(low / step + 1e-9) * step, math.ceil(high / step - 1e-9) * step


CHUNK = 24  # places tried together: most labels find room among the first few
ROUNDED = 3  # decimals of a cost: below that two places are equally good


@dataclass
class Places:
    """Boxes already taken on a figure."""

    bounds: Box
    taken: list[Box] = field(default_factory=list)
    _rows: FloatArray = field(default_factory=lambda: np.empty((0, 4)))  # left, top, right, bottom

    def costs(self, boxes: Sequence[Box]) -> FloatArray:
        """How much of each box is taken already or lies out of bounds; 0 when it is free."""
        self._catch_up()
        x, y, w, h = np.array(boxes, dtype=float).T
        bx, by, bw, bh = self.bounds
        cost: FloatArray = 4.0 * (np.maximum(0.0, bx - x) + np.maximum(0.0, x + w - bx - bw)) * h
        cost += 4.0 * (np.maximum(0.0, by - y) + np.maximum(0.0, y + h - by - bh)) * w
        left, top, right, bottom = self._rows.T
        wide = np.minimum((x + w)[:, None], right) - np.maximum(x[:, None], left)
        high = np.minimum((y + h)[:, None], bottom) - np.maximum(y[:, None], top)
        cost += (np.maximum(wide, 0.0) * np.maximum(high, 0.0)).sum(axis=1)
        return cost

    def _catch_up(self) -> None:
        fresh = self.taken[len(self._rows) :]
        if fresh:
            x, y, w, h = np.array(fresh, dtype=float).T
            self._rows = np.concatenate([self._rows, np.stack([x, y, x + w, y + h], axis=1)])

    def take(self, box: Box) -> None:
        self.taken.append(box)

    def take_line(self, pairs: Sequence[tuple[float, float]], pad: float = 2.0) -> None:
        """Keep labels off a drawn line."""
        for (x1, y1), (x2, y2) in pairwise(pairs):
            steps = max(1, int(math.hypot(x2 - x1, y2 - y1) / 6))
            for n in range(steps):
                x = x1 + (x2 - x1) * n / steps
                y = y1 + (y2 - y1) * n / steps
                self.taken.append((x - pad, y - pad, 2 * pad, 2 * pad))

    def best(self, boxes: Sequence[Box], most: float = math.inf) -> Box | None:
        """The first free box, else the least bad, taken at once; none when that costs too much."""
        least, found = math.inf, boxes[0]
        for start in range(0, len(boxes), CHUNK):
            some = boxes[start : start + CHUNK]
            costs = np.round(self.costs(some), ROUNDED)
            n = int(np.argmin(costs))
            if costs[n] < least:
                least, found = float(costs[n]), some[n]
            if least <= 0.0:
                break
        if least > most:
            return None
        self.take(found)
        return found


def label(
    drawing: Drawing,
    places: Places,
    spots: Sequence[tuple[float, float]],
    words: str,
    *,
    size: float = SMALL,
    colour: str = "ink",
    bold: bool = False,
    must: bool = True,
) -> Box | None:
    """Words centred on the first free spot, with paper behind; left out if not a must.

    Returns the box that they fill.
    """
    lines = words.split("\n")
    w, h = max(text_width(line, size) for line in lines) + 6, (size + 2) * len(lines) + 2
    boxes = [(cx - w / 2, cy - h / 2, w, h) for cx, cy in spots]
    found = places.best(boxes, math.inf if must else 0.0)
    if found is None:
        return None
    x, y, _, _ = found
    drawing.box(x, y, w, h, fill="paper", opacity=0.86)
    for n, line in enumerate(lines):
        base = y + 1 + (size + 2) * n + size * 0.92
        drawing.text(x + w / 2, base, line, size, anchor="middle", colour=colour, bold=bold)
    return x, y, w, h


def leader(drawing: Drawing, x: float, y: float, box: Box | None) -> None:
    """A thin line from a mark to its label when the label had to go far."""
    if box is None:
        return
    left, top, w, h = box
    end_x, end_y = min(max(x, left), left + w), min(max(y, top), top + h)
    far = math.hypot(end_x - x, end_y - y)
    if far > 16:
        start = 7 / far
        drawing.line(x + (end_x - x) * start, y + (end_y - y) * start, end_x, end_y, width=THIN)


def around(x: float, y: float, words: str, gap: float = 9.0) -> list[tuple[float, float]]:
    """Spots for a label near a point, nearest first."""
    w = max(text_width(line, SMALL) for line in words.split("\n")) / 2 + 3
    spots = []
    for far in (gap, gap + 12, gap + 26, gap + 44, gap + 64):
        spots += [(x + w + far, y - far), (x - w - far, y - far), (x + w + far, y + far)]
        spots += [(x - w - far, y + far), (x, y - far - 8), (x, y + far + 8)]
    return spots


@dataclass
class Plot:
    """A rectangle of the drawing with two scales."""

    drawing: Drawing
    left: float
    top: float
    width: float
    height: float
    x_range: tuple[float, float]
    y_range: tuple[float, float]

    def px(self, x: float) -> float:
        low, high = self.x_range
        return self.left + (x - low) / (high - low) * self.width

    def py(self, y: float) -> float:
        low, high = self.y_range
        return self.top + self.height - (y - low) / (high - low) * self.height

    def along(self, xs: Sequence[float], ys: Sequence[float]) -> list[tuple[float, float]]:
        """Pixel pairs of the finite points."""
        return [
            (self.px(x), self.py(y))
            for x, y in zip(xs, ys, strict=True)
            if math.isfinite(x) and math.isfinite(y)
        ]

    def places(self) -> Places:
        return Places((self.left + 2, self.top + 2, self.width - 4, self.height - 4))

    def x_axis(self, title: str) -> None:
        bottom = self.top + self.height
        for mark in ticks(*self.x_range, max(3, int(self.width / 80))):
            x = self.px(mark)
            self.drawing.line(x, bottom, x, bottom + 5, width=THIN)
            self.drawing.text(x, bottom + 17, whole(mark), SMALL, anchor="middle")
        self.drawing.text(self.left + self.width / 2, bottom + 34, title, TEXT, anchor="middle")

    def y_axis(self, title: str, *, grid: bool = True) -> None:
        """Left scale; its title stands above it, so that nobody has to turn the head."""
        for mark in ticks(*self.y_range, max(3, int(self.height / 45))):
            y = self.py(mark)
            if grid:
                self.drawing.line(
                    self.left, y, self.left + self.width, y, "quiet", THIN * 0.7, "1 3"
                )
            self.drawing.line(self.left - 5, y, self.left, y, width=THIN)
            self.drawing.text(
                self.left - 8, y + SMALL * 0.36, _tick_text(mark), SMALL, anchor="end"
            )
        self.drawing.text(0, self.top - 10, title, TEXT)

    def grid_levels(self) -> list[float]:
        return [self.py(mark) for mark in ticks(*self.y_range, max(3, int(self.height / 45)))]

    def right_axis(self, title: str, convert: Callable[[float], float]) -> None:
        """A second reading of the same scale in another unit (linear)."""
        low, high = (convert(v) for v in self.y_range)
        edge = self.left + self.width
        for mark in ticks(low, high, max(3, int(self.height / 38))):
            y = self.top + self.height - (mark - low) / (high - low) * self.height
            self.drawing.line(edge, y, edge + 5, y, width=THIN)
            self.drawing.text(edge + 8, y + SMALL * 0.36, _tick_text(mark), SMALL)
        self.drawing.text(self.drawing.width, self.top - 10, title, TEXT, anchor="end")

    def frame(self) -> None:
        self.drawing.box(self.left, self.top, self.width, self.height, stroke="ink", line=LINE)


def _tick_text(mark: float) -> str:
    if abs(mark - round(mark)) < 1e-6:
        return whole(mark)
    return f"{mark:.1f}".replace("-", "−")
