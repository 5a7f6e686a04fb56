"""Which pixels of a flat picture are the face of the part, and its rough contours.

The table is what reaches the border of the picture. Otsu's threshold (1979) on the log of the
light tells it from the part; on a bright face a second pass keeps only what is about as bright as
the face around it, so that the wall of a hole does not count as face.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from keyturn.errors import ValueRefused
from keyturn.making.rectify import Flat
from keyturn.making.rows import Floats, resampled

Mask = NDArray[np.bool_]
LEAST_HOLE = 3.0  # [mm] diameter; smaller ones are dirt or not worth a punch
LEAST_PART = 400.0  # [mm2]
AROUND = 5.0  # [mm] over which the brightness of the face is averaged
LIKE_FACE = 0.35  # in the log of light
BURNT = 0.97  # light at which a sensor is full
STATION = 0.25  # [mm] between points of a contour
CONTRAST = 0.3  # in the log of light, between face and table, below which no edge is trusted
DARK = 0.2  # light below which a picture without contrast is one of dark things
# Share of the variance that lies between the two sides of the threshold. Two surfaces reach 0.92
# to 0.96 on rendered photos and 0.81 where the light falls to half across them; one surface stays
# below 0.8 in any light: 0.64 when its noise is normal, 0.75 when the light falls evenly.
APART = 0.8
OTHER_SHEET = "lay the part on a sheet that is clearly brighter or darker than its face"
WHITE_SHEET = "lay the part on white paper, in even light, and take the photo again"
DARK_SHEET = "lay the part on a dark, dull sheet, in even light, and take the photo again"
LENS_AGAIN = "take the photo from farther back, with all of the part and both strips in the picture"


@dataclass(frozen=True)
class Rough:
    """Rough contours [mm], all counter-clockwise; the holes and ports in ``inner``."""

    outer: Floats
    inner: tuple[Floats, ...]
    bright: bool  # the part is brighter than the table
    burnt: float  # share of the face in which the sensor was full


def _small(flat: Flat) -> tuple[Any, Mask, Mask, int]:
    """Log of light, what is known, where the strips lie, and how many pixels became one."""
    import cv2

    shrink = max(1, round(0.25 / flat.mm_per_pixel))
    rows, columns = (n // shrink for n in flat.image.shape)
    cut = (slice(0, rows * shrink), slice(0, columns * shrink))
    light = cv2.resize(flat.image[cut], (columns, rows), interpolation=cv2.INTER_AREA)
    near = [
        cv2.resize(m[cut].astype(np.uint8), (columns, rows), interpolation=cv2.INTER_NEAREST) > 0
        for m in (flat.valid, flat.strips)
    ]
    return np.log(light + np.float32(0.004)), near[0], near[1], shrink


def _otsu(values: Floats) -> float:
    """Threshold with the greatest variance between the classes."""
    count, edge = np.histogram(values, 256)
    middle = (edge[1:] + edge[:-1]) / 2.0
    weight = np.cumsum(count)
    mean = np.cumsum(count * middle)
    rest = weight[-1] - weight
    with np.errstate(divide="ignore", invalid="ignore"):
        apart = (mean[-1] * weight / weight[-1] - mean) ** 2 / (weight * rest)
    best = float(np.nanmax(np.where(np.isfinite(apart), apart, 0.0)))
    # an empty valley is flat: its middle, not its first edge
    return float(np.mean(middle[np.isfinite(apart) & (apart >= best * (1.0 - 1e-6))]))


def _apart(bright: Floats, dark: Floats) -> float:
    """Share of the variance of both that lies between their means."""
    share = len(bright) / (len(bright) + len(dark))
    between = share * (1.0 - share) * float(bright.mean() - dark.mean()) ** 2
    within = share * float(bright.var()) + (1.0 - share) * float(dark.var())
    return between / max(between + within, 1e-12)


def _equal(values: Floats) -> ValueRefused:
    """Why nothing can be told apart in a picture of one shade, and what to do."""
    dark = float(np.median(values)) < np.log(DARK)
    said = "both dark" if dark else "neither dark"
    return ValueRefused(
        f"the face and the table are about equally bright, {said}; the edge cannot be told",
        advice=WHITE_SHEET if dark else DARK_SHEET,
    )


def _two(values: Floats, threshold: float) -> bool:
    """Are there two surfaces, and not one in uneven light; refused where all is of one shade."""
    above, below = values[values > threshold], values[values <= threshold]
    # nothing on one side: the picture is of one single value
    if not (len(above) and len(below)) or np.median(above) - np.median(below) < CONTRAST:
        raise _equal(values)
    return _apart(above, below) >= APART


def _largest(mask: Mask, border: Mask) -> tuple[Mask | None, bool]:
    """The largest connected piece, and whether it reaches the border of what is known."""
    import cv2

    count, label, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=4)
    if count < 2:
        return None, False
    best = 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA]))
    chosen = label == best
    return chosen, bool(np.any(chosen & border))


def _face(log: Any, known: Mask, strips: Mask) -> tuple[Mask, bool]:
    """Coarse mask of the part, and whether it is the bright side."""
    import cv2

    usable = known & ~strips
    values = log[usable]
    threshold = _otsu(values[:: max(1, len(values) // 400_000)])
    two = _two(values, threshold)
    inside = cv2.erode(known.astype(np.uint8), np.ones((5, 5), np.uint8), borderValue=0) > 0
    border = known & ~inside
    bright_rim = float(np.mean(log[border & ~strips] > threshold))
    bright = bright_rim < 0.5
    side = (log > threshold) if bright else (log < threshold)
    mask = side & usable
    open_ = cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_OPEN, np.ones((5, 5), np.uint8)) > 0
    part, cut = _largest(open_, border)
    if part is None or part.sum() * 0.0625 < LEAST_PART:
        raise ValueRefused(
            "no part is seen beside the strips",
            advice=OTHER_SHEET,
        )
    if cut or min(bright_rim, 1.0 - bright_rim) > 0.25:
        if not two:
            raise ValueRefused(
                "the part cannot be told from the table, or it is cut off at the picture's edge",
                advice=f"{OTHER_SHEET}, in even light; {LENS_AGAIN}",
            )
        raise ValueRefused("the part is cut off at the edge of the picture", advice=LENS_AGAIN)
    if abs(np.median(log[part]) - np.median(log[usable & ~side])) < CONTRAST:
        raise _equal(values)
    return part, bright


def _like_face(log: Any, part: Mask, bright: bool, pixel: float) -> Mask:
    """Keep what is about as bright as the face around it."""
    import cv2

    sure = cv2.erode(part.astype(np.uint8), np.ones((7, 7), np.uint8)).astype(np.float32)
    size = (0, 0)
    weight = cv2.GaussianBlur(sure, size, AROUND / pixel)
    local = cv2.GaussianBlur(log * sure, size, AROUND / pixel) / np.maximum(weight, 1e-4)
    lean = (log - local) if bright else (local - log)
    like = part & ((lean > -LIKE_FACE) | (weight < 1e-3))
    smooth = cv2.morphologyEx(like.astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    face, _ = _largest(smooth > 0, np.zeros_like(part))
    return part if face is None else face


def _rings(mask: Mask, flat: Flat, shrink: int) -> tuple[Floats, list[Floats]]:
    """Outer and inner contours of the mask in millimetres, counter-clockwise."""
    import cv2

    found, tree = cv2.findContours(mask.astype(np.uint8), cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    outer, inner = None, []
    most = 0.0
    for ring, node in zip(found, tree[0], strict=True):
        pixels = np.asarray(ring, np.float64).reshape(-1, 2)
        if len(pixels) < 12:
            continue
        # a hole's ring runs on the pixels around it; half a pixel back to the true border
        pixels = pixels * shrink + (shrink - 1) / 2.0
        points = flat.xy(pixels[:, 0], pixels[:, 1])
        x, y = points.T
        area = float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)) / 2.0
        if area < 0:
            points = points[::-1]
        if node[3] < 0 and abs(area) > most:
            outer, most = points, abs(area)
        elif node[3] >= 0 and abs(area) > np.pi * LEAST_HOLE**2 / 4.0:
            inner.append(points)
    if outer is None:
        raise ValueRefused("no part is seen beside the strips")
    return outer, inner


def smoothed(points: Floats, width: float, step: float = STATION) -> Floats:
    """The closed row without its pixel steps, at even distances; ``width`` is sigma [mm]."""
    from scipy.ndimage import gaussian_filter1d

    even = resampled(points, step)
    return resampled(gaussian_filter1d(even, width / step, axis=0, mode="wrap"), step)


def rough(flat: Flat) -> Rough:
    """Find the part; refused when it is not there, cut off, or not told from the table."""
    log, known, strips, shrink = _small(flat)
    part, bright = _face(log, known, strips)
    pixel = flat.mm_per_pixel * shrink
    face = _like_face(log, part, bright, pixel)
    outer, inner = _rings(face, flat, shrink)
    burnt = float(np.mean(log[part] > np.log(BURNT)))
    return Rough(smoothed(outer, 0.4), tuple(smoothed(ring, 0.4) for ring in inner), bright, burnt)
