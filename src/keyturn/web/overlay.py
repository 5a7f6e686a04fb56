"""What lies under the fitted features: the flat picture in the part's coordinates, edge points."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from keyturn.making.trace import Traced

AROUND = 12.0  # [mm] of picture around the part
MOST_PIXELS = 2400  # along the longer side of the picture
MOST_POINTS = 90  # of one feature that are drawn


def flat_picture(found: Traced, mirror: bool) -> tuple[bytes, dict[str, float]]:
    """The laid-flat photo as JPEG, x to the right and y up like the outline, and its place [mm]."""
    import cv2

    from keyturn.making.shape import flattened

    edge = np.array(flattened(found.outline.outer, 0.1))
    low, high = edge.min(axis=0) - AROUND, edge.max(axis=0) + AROUND
    pixel = max(found.flat.mm_per_pixel, float((high - low).max()) / MOST_PIXELS)
    width, height = (math.ceil(v / pixel) for v in high - low)
    # corners of the picture in the outline, then on the board, then in the flat picture
    corners = np.array([[low[0], high[1]], [low[0] + width * pixel, high[1]],
                        [low[0], high[1] - height * pixel]])  # fmt: skip
    source = found.flat.pixel(found.placement.board(corners)).astype(np.float32)
    target = np.array([[0, 0], [width, 0], [0, height]], np.float32)
    turn = cv2.getAffineTransform(source, target)
    grey = np.clip(found.flat.image, 0.0, 1.0)
    # light to levels as a screen shows them (IEC 61966-2-1)
    levels = np.where(grey <= 0.0031308, 12.92 * grey, 1.055 * grey ** (1 / 2.4) - 0.055)
    shown = cv2.warpAffine((255.0 * levels).astype(np.uint8), turn, (width, height),
                           flags=cv2.INTER_AREA, borderValue=128)  # fmt: skip
    left = float(low[0])
    if mirror:
        shown, left = cv2.flip(shown, 1), -float(low[0]) - width * pixel
    done, coded = cv2.imencode(".jpg", shown, [cv2.IMWRITE_JPEG_QUALITY, 88])
    if not done:
        raise ValueError("the picture cannot be coded")
    place = {"left": left, "top": float(high[1]), "width": width * pixel, "height": height * pixel}
    return coded.tobytes(), place


def seen_rows(found: Traced, mirror: bool) -> list[dict[str, Any]]:
    """Edge points of every feature, those that were not believed apart."""
    rows = []
    side = -1.0 if mirror else 1.0
    for about in found.drawn:
        step = max(1, len(about.points) // MOST_POINTS)
        spots = [[round(side * float(x), 3), round(float(y), 3)] for x, y in about.points]
        pairs = list(zip(spots, about.used, strict=True))
        rows.append({
            "name": about.name, "kind": about.kind, "seen": round(float(about.seen), 3),
            "rms": None if math.isnan(about.rms) else round(float(about.rms), 4),
            "points": [spot for spot, used in pairs[::step] if used],
            "doubted": [spot for spot, used in pairs if not used][::step],
        })  # fmt: skip
    return rows
