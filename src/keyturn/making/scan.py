"""A flatbed scan as a flat picture: scale by dpi, corrected by a strip measured beside the part.

A scan has no depth: what lies on the glass is at true scale but for the scanner's own two errors,
one along each axis. A strip of known length in the scan settles them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from keyturn.errors import Place, ValueRefused
from keyturn.making import board
from keyturn.making import photo as photos
from keyturn.making.board import SPEC, Spec
from keyturn.making.camera import CHECK_SIGMA, UNCHECKED_SIGMA
from keyturn.making.lens import Numbers
from keyturn.making.photo import Photo
from keyturn.making.rectify import HONEST, Flat, larger_sigma, log_ratio, luma, rigid_removed

INCH = 25.4  # [mm]
WOBBLE_SIGMA = 0.03  # [mm] of the feed of a common flatbed scanner


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

    def covariance(self, points: Numbers) -> Numbers:
        shifts = np.zeros((len(points), 2, 2))
        for axis in (0, 1):
            shifts[:, axis, axis] = points[:, axis] * self.scale_sigma[axis]
        left = rigid_removed(shifts, points)
        spread = np.einsum("nik,njk->nij", left, left) + WOBBLE_SIGMA**2 * np.eye(2)
        return np.asarray(HONEST**2 * spread)

    def sigma(self, points: Numbers) -> Numbers:
        return larger_sigma(self.covariance(points))


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
    notes = list(photo.notes)
    if {s.along for s in strips} != {"x", "y"}:
        notes.append("scale not verified in both directions: measure one strip along, one across")
    return Flat(
        np.clip(image, 0.0, 1.0), log_ratio(photo.pixels, u, v),
        np.ones((size[1], size[0]), bool), np.zeros((size[1], size[0]), bool), pixel,
        plane.origin, 0.0, plane, nominal, 1.0, tuple(notes),
    )  # fmt: skip


def printed_strips(
    scan: Photo, check_lengths: tuple[float, float], spec: Spec = SPEC
) -> tuple[Strip, Strip]:
    """A printed reference strip that lies on the glass, as two measured lengths.

    The strip may lie turned: the least-squares affine map from its millimetres to pixels is a
    turn followed by the scanner's two scales, which are the lengths of its rows.
    """
    factor = np.array(check_lengths) / [spec.check_x, spec.check_y]
    seen = max(board.find(scan, spec).strips, key=lambda s: len(s.numbers))
    points = np.column_stack([seen.nominal * factor, np.ones(len(seen.nominal))])
    fit = np.linalg.lstsq(points, seen.pixels, rcond=None)[0].T[:, :2]
    length = spec.check_x  # the map rests on both check lines, each read with the same sigma
    worse = CHECK_SIGMA * spec.check_x / spec.check_y
    lying = abs(fit[0, 0]) > abs(fit[0, 1])
    across, down = (float(v) * length for v in np.linalg.norm(fit, axis=1))
    return (
        Strip(across, length, "x", CHECK_SIGMA if lying else worse),
        Strip(down, length, "y", worse if lying else CHECK_SIGMA),
    )


def to_plane(
    path: Path | str,
    dpi: float,
    strips: tuple[Strip, ...] = (),
    check_lengths: tuple[float, float] | None = None,
) -> Flat:
    """Read a scan from a file and lay it flat.

    Scale from ``strips``, or from a printed reference strip on the glass whose two
    ``check_lengths`` were measured; without either from ``dpi`` alone, which is noted.
    """
    scan = photos.read(path)
    if not strips and check_lengths is not None:
        strips = printed_strips(scan, check_lengths)
    return flatten(scan, dpi, strips)
