"""Three distances measured on the part confirm or correct the scale of its outline.

The outline is thought to be stretched by one factor along x and one along y. Three readings over
two unknowns leave one check. That a camera or a scanner stretches by more than a few parts in a
hundred, or much more one way than the other, is held to be unlikely: it is what tells a mistyped
reading from a stretched outline.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from keyturn.errors import CannotAnswer, ValueRefused
from keyturn.making.shape import ClosedPath, Corner, Hole, Outline, arc_of, flattened

READS = 0.05  # [mm] 1 sigma of a calliper reading in ordinary hands
POINT = 0.04  # [mm] 1 sigma of an edge of the outline where nothing is said
STRETCH = 0.01  # 1 sigma of a scale that is off
LEANING = 0.003  # 1 sigma of the difference of the two scales
CONFIRMS = 0.1  # [mm] over the whole part: less is not worth a correction; common practice
BLUNDER = 3.5  # sigmas by which a reading may miss the fit
CLEAR = 9.0  # chi-square by which leaving out one reading must beat any other to name it
ROUND_LOSS = 0.02  # [mm] by which an arc may miss the stretched one before a note says so
LEAST_LONG = 15.0  # [mm] a shorter distance says nothing about scale
MOST_MM = 5_000.0

Array = NDArray[np.float64]
Point = tuple[float, float]


@dataclass(frozen=True)
class Wanted:
    """One distance to measure on the part, between two points of the outline."""

    words: str
    a: Point  # [mm]
    b: Point  # [mm]
    sigma: float  # [mm] of the outline's own ends

    @property
    def value(self) -> float:
        """As the outline has it [mm]."""
        return math.dist(self.a, self.b)


@dataclass(frozen=True)
class Row:
    """One reading and what became of it."""

    words: str
    drawn: float  # [mm] before
    measured: float  # [mm]
    fitted: float  # [mm] after the scales
    sigmas: float  # the fit misses the reading by that

    @property
    def left(self) -> float:
        """Reading less fit [mm]."""
        return self.measured - self.fitted


@dataclass(frozen=True)
class Proof:
    scale_x: float
    scale_y: float
    uncertainty_x: float  # 95 %
    uncertainty_y: float  # 95 %
    rows: tuple[Row, ...]
    confirmed: bool  # the outline can stay as it is
    outline: Outline  # corrected where that is called for
    notes: tuple[str, ...]

    @property
    def largest(self) -> float:
        """The largest disagreement that is left [mm]."""
        return max(abs(row.left) for row in self.rows)

    def sentence(self) -> str:
        """What came of it, in words."""
        left = f"the largest disagreement is {self.largest:.2f} mm"
        if self.confirmed:
            return f"The scale is confirmed: {left}."
        return (
            f"The scale is corrected by {100 * (self.scale_x - 1):+.2f} % along x and"
            f" {100 * (self.scale_y - 1):+.2f} % along y; after that {left}."
        )


def wanted(part: Outline, longest: float = math.inf) -> tuple[Wanted, ...]:
    """The three distances that say most: along x, along y, and across.

    Over the outsides of two holes where there are holes; else over all of the part. ``longest``
    [mm] is what the callipers reach; between holes none is longer.
    """
    found = [_over(part.holes, a, b) for a, b in combinations(range(len(part.holes)), 2)]
    found = [row for row in found if LEAST_LONG <= row.value <= longest]
    chosen: list[Wanted] = []
    for way, whole in ((0, "whole width, along x"), (1, "whole height, along y")):
        best = max(found, key=lambda row: _gain(row, way), default=None)
        size = _whole(part, way, whole)
        # a row of holes that hardly spans the part says less than the part itself
        short = min(size.value, longest)
        if best is None or best in chosen or _gain(best, way) < 0.5 * short:
            best = size
        chosen.append(best)
    left = [row for row in found if row not in chosen]
    across = max(left, key=lambda row: min(_gain(row, 0), _gain(row, 1)), default=None)
    for way, whole in ((0, "whole width, along x"), (1, "whole height, along y")):
        size = _whole(part, way, whole)
        if across is None and size not in chosen:
            across = size
    return (*chosen, across or _port(part))


def _gain(row: Wanted, way: int) -> float:
    """How much of the distance the scale along x (0) or y (1) moves [mm]."""
    return (row.b[way] - row.a[way]) ** 2 / max(row.value, 1e-9)


def _over(holes: Sequence[Hole], a: int, b: int) -> Wanted:
    p, q = holes[a], holes[b]
    long = math.dist((p.x, p.y), (q.x, q.y))
    if long < 1e-6:
        return Wanted("", (p.x, p.y), (q.x, q.y), POINT)
    ux, uy = (q.x - p.x) / long, (q.y - p.y) / long
    r, s = p.diameter / 2.0, q.diameter / 2.0
    names = [hole.name or f"hole {n + 1}" for hole, n in ((p, a), (q, b))]
    ends = [hole.centre_uncertainty for hole in (p, q)]
    sides = [hole.diameter_uncertainty for hole in (p, q)]
    # stated values are at 95 %; half of a diameter counts at each end
    sigma = math.hypot(*(POINT if e is None else e / 1.96 for e in ends),
                       *(POINT / 2.0 if d is None else d / 3.92 for d in sides))  # fmt: skip
    return Wanted(f"{names[0]} to {names[1]}, over the outsides of both holes",
                  (p.x - r * ux, p.y - r * uy), (q.x + s * ux, q.y + s * uy), sigma)  # fmt: skip


def _whole(part: Outline, way: int, words: str) -> Wanted:
    return _extent(part.outer, way, f"{words} of the part")


def _extent(path: ClosedPath, way: int, words: str) -> Wanted:
    values = [point[way] for point in flattened(path, 0.001)]
    low, high = min(values), max(values)
    a, b = ((low, 0.0), (high, 0.0)) if way == 0 else ((0.0, low), (0.0, high))
    sigma = math.sqrt(2.0) * (POINT if path.uncertainty is None else path.uncertainty / 1.96)
    return Wanted(words, a, b, sigma)


def _port(part: Outline) -> Wanted:
    """The third distance where there are no two holes to spare: a port, or the part again."""
    sizes = [
        _extent(port, way, f"{('width', 'height')[way]} of {port.name or f'port {n}'}")
        for n, port in enumerate(part.ports, 1) for way in (0, 1)
    ]  # fmt: skip
    return max(sizes, key=lambda row: row.value,
               default=_whole(part, 0, "once more, elsewhere: whole width, along x"))  # fmt: skip


def confirm(
    part: Outline, measured: Sequence[float], sigma: float = READS, longest: float = math.inf
) -> Proof:
    """Hold three readings [mm] against the distances of :func:`wanted`, in the same order.

    ``sigma`` [mm] is how well was read: 0.05 with callipers, 0.25 with a steel rule; ``longest``
    as it was when the distances were asked for.

    Raises
    ------
    ValueRefused
        Not three plausible readings, or one that does not fit the others: it is named.
    CannotAnswer
        The three contradict each other and it cannot be told which is wrong.
    """
    asked = wanted(part, longest)
    _judge(asked, measured)
    spread = np.array([math.hypot(row.sigma, sigma) for row in asked])
    values = np.array(measured, np.float64)
    scales, covariance = _fit(asked, values, spread)
    if _worst(asked, values, spread, scales) > BLUNDER or _stretched(scales):
        _accuse(asked, values, spread)
    rows = tuple(
        Row(row.words, row.value, float(value), (made := _long(row, scales)),
            (float(value) - made) / float(s))
        for row, value, s in zip(asked, values, spread, strict=True)
    )  # fmt: skip
    wide = 1.96 * np.sqrt(np.diag(covariance))
    return _concluded(part, scales, wide, rows)


def _judge(asked: Sequence[Wanted], measured: Sequence[float]) -> None:
    if len(measured) != len(asked):
        raise ValueRefused(f"{len(measured)} readings for {len(asked)} distances",
                           accepted="; ".join(row.words for row in asked))  # fmt: skip
    for row, value in zip(asked, measured, strict=True):
        if not (math.isfinite(value) and 0.0 < value <= MOST_MM):
            raise ValueRefused(f"{row.words}: the reading cannot be taken", typed=f"{value:g} mm",
                               accepted=f"about {row.value:.1f} mm, as drawn")  # fmt: skip
        if abs(value / row.value - 1.0) > 0.2:
            raise ValueRefused(
                f"{row.words}: the drawing has {row.value:.1f} mm", typed=f"{value:g} mm",
                accepted="within a fifth of that", advice=_slip(row, value),
            )  # fmt: skip


def _slip(row: Wanted, value: float) -> str:
    """What may have happened to a reading that is far off."""
    ratio = value / row.value
    for factor, words in ((1 / 25.4, "inches? enter millimetres"),
                          (0.1, "a decimal point too far left?"),
                          (10.0, "a decimal point too far right?"),
                          (25.4, "converted from inches twice?")):  # fmt: skip
        if abs(ratio / factor - 1.0) < 0.05:
            return words
    return "measure it again, between the named ends"


def _long(row: Wanted, scales: Array) -> float:
    dx, dy = row.b[0] - row.a[0], row.b[1] - row.a[1]
    return math.hypot(scales[0] * dx, scales[1] * dy)


def _fit(asked: Sequence[Wanted], values: Array, spread: Array) -> tuple[Array, Array]:
    """Scales along x and y with their covariance; Gauss-Newton, all but linear."""
    scales = np.ones(2)
    inverse = np.eye(2)
    for _ in range(20):
        long = np.array([_long(row, scales) for row in asked])
        square = np.array([[(row.b[k] - row.a[k]) ** 2 for k in (0, 1)] for row in asked])
        rows = square * scales / long[:, None] / spread[:, None]
        rest = (values - long) / spread
        prior = np.array([[1.0 / STRETCH, 0.0], [0.0, 1.0 / STRETCH],
                          [1.0 / LEANING, -1.0 / LEANING]])  # fmt: skip
        pulled = -prior @ (scales - 1.0)
        whole = np.concatenate([rows, prior])
        inverse = np.linalg.inv(whole.T @ whole)
        step = inverse @ whole.T @ np.concatenate([rest, pulled])
        scales = scales + step
        if float(np.max(np.abs(step))) < 1e-13:
            break
    return scales, inverse


def _chi(asked: Sequence[Wanted], values: Array, spread: Array, scales: Array) -> float:
    rest = [(v - _long(row, scales)) / s for row, v, s in zip(asked, values, spread, strict=True)]
    off = (scales - 1.0) / STRETCH
    return float(sum(r * r for r in rest) + off @ off + ((scales[0] - scales[1]) / LEANING) ** 2)


def _worst(asked: Sequence[Wanted], values: Array, spread: Array, scales: Array) -> float:
    long = np.array([_long(row, scales) for row in asked])
    return float(np.max(np.abs(values - long) / spread))


def _stretched(scales: Array) -> bool:
    """More stretch, or more one way than the other, than cameras and scanners show."""
    off = max(abs(float(scales[0]) - 1.0), abs(float(scales[1]) - 1.0)) > 3.0 * STRETCH
    return off or abs(float(scales[0] - scales[1])) > 3.0 * LEANING


def _accuse(asked: Sequence[Wanted], values: Array, spread: Array) -> None:
    """Name the reading without which the others agree; say so where none stands out."""
    trials = []
    for n in range(len(asked)):
        rest = [k for k in range(len(asked)) if k != n]
        some, part = [asked[k] for k in rest], values[rest]
        scales, _ = _fit(some, part, spread[rest])
        trials.append((_chi(some, part, spread[rest], scales), n, _long(asked[n], scales)))
    trials.sort()
    (chi, n, fitted), others = trials[0], trials[1]
    if chi < CLEAR and others[0] - chi > CLEAR:
        raise ValueRefused(
            f"{asked[n].words}: does not fit the other readings, which make it {fitted:.1f} mm",
            typed=f"{values[n]:.2f} mm", accepted="a reading taken again",
            advice="measure it again, over the outsides, and look at the digits",
        )  # fmt: skip
    raise CannotAnswer(
        "the readings contradict each other, and it cannot be told which is wrong",
        [f"{row.words}: measure again" for row in asked],
    )


def _concluded(part: Outline, scales: Array, wide: Array, rows: tuple[Row, ...]) -> Proof:
    xs, ys = zip(*flattened(part.outer, 0.1), strict=True)
    size = np.array([max(xs) - min(xs), max(ys) - min(ys)])
    grown = np.abs(scales - 1.0) * size
    # what is within the uncertainty, or too small to matter, is left alone
    confirmed = bool(np.all((grown < CONFIRMS) | (np.abs(scales - 1.0) < wide)))
    notes = [
        f"along {axis} the scale is known to {100 * w:.2f} % only, {w * s:.2f} mm over the part"
        for axis, w, s in zip("xy", wide, size, strict=True)
        if w * s > 0.3
    ]
    made = part if confirmed else scaled(part, float(scales[0]), float(scales[1]))
    lost = 0.0 if confirmed else out_of_round(part, float(scales[0]), float(scales[1]))
    if lost > ROUND_LOSS:
        notes.append(f"arcs stay arcs; stretched they would differ by up to {lost:.2f} mm")
    return Proof(float(scales[0]), float(scales[1]), float(wide[0]), float(wide[1]), rows,
                 confirmed, replace(made, scale_verified=True), tuple(notes))  # fmt: skip


def scaled(part: Outline, x: float, y: float) -> Outline:
    """The part stretched along x and y; an arc keeps its angle, a hole stays round."""

    def path(old: ClosedPath) -> ClosedPath:
        return replace(old, corners=tuple(Corner(p.x * x, p.y * y, p.bulge) for p in old.corners))

    mean = math.sqrt(x * y)
    holes = tuple(replace(hole, x=hole.x * x, y=hole.y * y, diameter=hole.diameter * mean)
                  for hole in part.holes)  # fmt: skip
    return replace(
        part, outer=path(part.outer), holes=holes, ports=tuple(path(port) for port in part.ports)
    )


def out_of_round(part: Outline, x: float, y: float) -> float:
    """How far the arcs of :func:`scaled` are from truly stretched ones, at their middles [mm]."""
    worst = 0.0
    for path in (part.outer, *part.ports):
        count = len(path.corners)
        for n, a in enumerate(path.corners):
            b = path.corners[(n + 1) % count]
            if arc_of(a, b) is None:
                continue
            # middle of the arc from the middle of its chord: bulge / 2 of the chord, to the right
            sag = (a.bulge / 2.0 * (b.y - a.y), -a.bulge / 2.0 * (b.x - a.x))
            true = (sag[0] * x, sag[1] * y)
            kept = (a.bulge / 2.0 * (b.y - a.y) * y, -a.bulge / 2.0 * (b.x - a.x) * x)
            worst = max(worst, math.dist(true, kept))
    return worst


@dataclass(frozen=True)
class Printed:
    """What a printer did to the proof."""

    scale_x: float
    scale_y: float

    def sentence(self, width: float, height: float) -> str:
        """What that means on a part of that size [mm]."""
        off = (width * (self.scale_x - 1.0), height * (self.scale_y - 1.0))
        if max(abs(value) for value in off) <= CONFIRMS:
            return "The print is true: it differs by no more than 0.1 mm over the part."
        return (
            f"The print is {off[0]:+.1f} mm off along the paper and {off[1]:+.1f} mm down the paper"
            " over the whole part. The cut file is not; print at actual size, or allow for it"
            " when you lay the proof on the part."
        )


def printed(measured_x: float, measured_y: float, nominal_x: float, nominal_y: float) -> Printed:
    """The printer's scales from both check lines [mm].

    Raises
    ------
    ValueRefused
        A reading that no printer makes.
    """
    scales = []
    for words, value, line in (("along the paper", measured_x, nominal_x),
                               ("down the paper", measured_y, nominal_y)):  # fmt: skip
        if not (math.isfinite(value) and abs(value / line - 1.0) <= 0.1):
            raise ValueRefused(f"check line {words}: the reading cannot be taken",
                               typed=f"{value:g} mm", accepted=f"near {line:g} mm",
                               advice="print at 100 %, measure between the ends")  # fmt: skip
        scales.append(value / line)
    return Printed(*scales)
