"""A flatbed scan as a flat picture: scale by dpi, corrected by a strip measured beside the part.

A scan has no depth: what lies on the glass is at true scale but for the scanner's own two errors,
one along each axis. A strip of known length in the scan settles them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from keyturn.errors import Place, ValueRefused
from keyturn.making import board
from keyturn.making import photo as photos
from keyturn.making.board import SPEC, Spec, StripSeen
from keyturn.making.camera import CHECK_SIGMA, UNCHECKED_SIGMA
from keyturn.making.lens import Numbers
from keyturn.making.photo import Photo
from keyturn.making.rectify import Flat, log_ratio, luma

INCH = 25.4  # [mm]
WOBBLE_SIGMA = 0.03  # [mm] of the feed of a common flatbed scanner
WOBBLE_LENGTH = 15.0  # [mm] along the feed over which it comes and goes
PAPER = 8.0  # [mm] of white left round a strip when it is cut out


@dataclass(frozen=True)
class Strip:
    """A line in the scan whose length was measured: its two ends in pixels, and how it lies."""

    pixels: float  # [px] between its ends in the scan
    length: float  # [mm] as measured on the thing itself
    along: str  # "x": with the rows, "y": down the page, as the carriage moves
    sigma: float = CHECK_SIGMA  # [mm]


@dataclass(frozen=True)
class ScanPlane:
    """Straight scale in both axes."""

    scale: tuple[float, float]  # [mm/px] across, down
    scale_sigma: tuple[float, float]  # [-]
    origin: tuple[float, float]  # [mm]

    def to_photo(self, points: Numbers) -> Numbers:
        column = (points[:, 0] - self.origin[0]) / self.scale[0]
        return np.stack([column, (self.origin[1] - points[:, 1]) / self.scale[1]], axis=1)

    def from_photo(self, pixels: Numbers) -> Numbers:
        x = self.origin[0] + pixels[:, 0] * self.scale[0]
        return np.stack([x, self.origin[1] - pixels[:, 1] * self.scale[1]], axis=1)

    def onto(self, points: Numbers, height: float) -> Numbers:
        """Seen straight on everywhere: height shifts nothing."""
        del height
        return points

    def shifts(self, points: Numbers) -> Numbers:
        scale = points[:, :, None] * np.diag(self.scale_sigma)[None]
        # the feed is uneven from row to row, and alike in rows that lie close together
        rows = (points[:, None, 1] - points[None, :, 1]) / (2.0 * WOBBLE_LENGTH)
        size, shape = np.linalg.eigh(np.exp(-(rows**2)))
        feed = np.zeros((len(points), 2, len(points)))
        feed[:, 1] = WOBBLE_SIGMA * shape * np.sqrt(np.maximum(size, 0.0))
        return np.concatenate([scale, feed], axis=2)

    def wall(self, points: Numbers) -> float:
        del points
        return 0.0


def _scale(strips: tuple[Strip, ...], axis: str, nominal: float) -> tuple[float, float]:
    """Scale [mm/px] of one axis with its relative sigma."""
    told = [s for s in strips if s.along == axis]
    if not told:
        return nominal, UNCHECKED_SIGMA
    strip = max(told, key=lambda s: s.length / s.sigma)
    if not (strip.length > 0.0 and strip.pixels > 10.0):
        raise ValueRefused("the strip has no length", Place(key="strip"), typed=f"{strip.length}")
    scale = strip.length / strip.pixels
    if not 0.97 < scale / nominal < 1.03:
        raise ValueRefused(
            f"the measured strip says {INCH / scale:.0f} dots per inch, the file was said to have"
            f" {INCH / nominal:.0f}",
            Place(key="strip"),
            advice="check the resolution the scanner was set to, and measure the strip again",
        )
    return scale, strip.sigma / strip.length


def flatten(photo: Photo, dpi: float, strips: tuple[Strip, ...] = ()) -> Flat:
    """The scan as a flat picture of square pixels."""
    import cv2

    if not (math.isfinite(dpi) and 100.0 <= dpi <= 2400.0):
        raise ValueRefused(
            f"{dpi:g} dots per inch", Place(key="dpi"), accepted="100 to 2400, 300 is enough"
        )
    for strip in strips:
        if strip.along not in ("x", "y"):
            raise ValueRefused("a strip lies along x or y", Place(key="strip"), typed=strip.along)
    nominal = INCH / dpi
    (sx, ex), (sy, ey) = _scale(strips, "x", nominal), _scale(strips, "y", nominal)
    width, tall = photo.size
    # pixels are made square at the finer of the two scales; one axis may be stretched a little
    pixel = min(sx, sy)
    size = (round((width - 1) * sx / pixel) + 1, round((tall - 1) * sy / pixel) + 1)
    column = (np.arange(size[0]) * pixel / sx).astype(np.float32)
    row = (np.arange(size[1]) * pixel / sy).astype(np.float32)
    u, v = (np.ascontiguousarray(m) for m in np.meshgrid(column, row))
    image = cv2.remap(luma(photo.pixels), u, v, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    plane = ScanPlane((sx, sy), (ex, ey), (0.0, (tall - 1) * sy))
    notes = []  # what is said of a photo, its lens and its size, says nothing of a scan
    if {s.along for s in strips} != {"x", "y"}:
        notes.append("scale not verified in both directions: measure one strip along, one across")
    return Flat(
        np.clip(image, 0.0, 1.0), log_ratio(photo.pixels, u, v),
        np.ones((size[1], size[0]), bool), np.zeros((size[1], size[0]), bool), pixel,
        plane.origin, 0.0, plane, nominal, 1.0, tuple(notes),
    )  # fmt: skip


def _affine(seen: StripSeen, factor: Numbers) -> Numbers:
    """Least-squares map (3, 2) from a strip's true millimetres, with a one beside, to pixels."""
    points = np.column_stack([seen.nominal * factor, np.ones(len(seen.nominal))])
    return np.asarray(np.linalg.lstsq(points, seen.pixels, rcond=None)[0])


def printed_strips(
    scan: Photo, check_lengths: tuple[float, float], spec: Spec = SPEC
) -> tuple[Strip, Strip]:
    """A printed reference strip that lies on the glass, as two measured lengths.

    The strip may lie turned: the least-squares affine map from its millimetres to pixels is a
    turn followed by the scanner's two scales, which are the lengths of its rows.
    """
    return _lengths(board.find(scan, spec).strips, check_lengths, spec)


def _lengths(
    strips: Sequence[StripSeen], check_lengths: tuple[float, float], spec: Spec
) -> tuple[Strip, Strip]:
    factor = np.array(check_lengths) / [spec.check_x, spec.check_y]
    fit = _affine(max(strips, key=lambda s: len(s.numbers)), factor).T[:, :2]
    length = spec.check_x  # the map rests on both check lines, each read with the same sigma
    worse = CHECK_SIGMA * spec.check_x / spec.check_y
    lying = abs(fit[0, 0]) > abs(fit[0, 1])
    across, down = (float(v) * length for v in np.linalg.norm(fit, axis=1))
    return (
        Strip(across, length, "x", CHECK_SIGMA if lying else worse),
        Strip(down, length, "y", worse if lying else CHECK_SIGMA),
    )


def _without_paper(flat: Flat, strips: Sequence[StripSeen], spec: Spec) -> Flat:
    """The same picture with the printed strips marked, so that none is taken for the part."""
    import cv2

    marked = np.zeros(flat.image.shape, np.uint8)
    for seen in strips:
        x, y = (-PAPER, spec.width + PAPER), (-PAPER, spec.height + PAPER)
        corners = np.array([(x[0], y[0], 1), (x[1], y[0], 1), (x[1], y[1], 1), (x[0], y[1], 1)])
        place = flat.pixel(flat.plane.from_photo(corners @ _affine(seen, np.ones(2))))
        cv2.fillConvexPoly(marked, np.round(place).astype(np.int32), 1)
    return replace(flat, strips=marked > 0)


def laid(
    scan: Photo,
    dpi: float,
    strips: tuple[Strip, ...] = (),
    check_lengths: tuple[float, float] | None = None,
    spec: Spec = SPEC,
) -> Flat:
    """A scan laid flat.

    Scale from ``strips``, or from a printed reference strip on the glass whose two
    ``check_lengths`` [mm] were measured; without either from ``dpi`` alone, which is noted.
    """
    try:
        seen = board.find(scan, spec).strips
    except ValueRefused as fault:
        if check_lengths is not None and not strips:
            if "not seen" not in fault.problem:
                raise
            raise ValueRefused(
                "no printed strip is seen in the scan", Place(key="strip"),
                advice="lay one strip of the board on the glass beside the part, print down and all"
                " of it in the picture; scan in grey or colour, without sharpening",
            ) from None  # fmt: skip
        seen = ()
    if not strips and check_lengths is not None:
        strips = _lengths(seen, check_lengths, spec)
    return _without_paper(flatten(scan, dpi, strips), seen, spec)


def to_plane(
    path: Path | str,
    dpi: float,
    strips: tuple[Strip, ...] = (),
    check_lengths: tuple[float, float] | None = None,
) -> Flat:
    """As :func:`laid`, from a file."""
    return laid(photos.read(path), dpi, strips, check_lengths)
