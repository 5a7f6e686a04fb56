"""Edges finer than a pixel: where the face ends, along a rough contour of it.

Across every station of the contour the light is sampled along the normal, averaged over the
neighbours, and its steepest places are candidates, each placed at the centroid of the slope above
55 % of its peak. One candidate per station is chosen so that the row is strong and even
(Viterbi 1967): an edge that leaps to a shadow and back costs more than one that stays.

Two models of what is seen. "face": the first strong edge on the way out of the face is its rim;
what follows is the wall. "silhouette": the strongest edge is where the part ends against the
table, which is its lower rim wherever the wall is in view, and is carried up from there.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from keyturn.making.rectify import Flat
from keyturn.making.rows import Floats, bursts
from keyturn.making.segment import smoothed

Model = Literal["face", "silhouette"]
PEAK = 0.55  # share of the peak above which the slope counts
CANDIDATES = 4
WEAK = 0.30  # of the usual slope: below, a candidate is none
STRONG = 0.35  # of the usual slope: a candidate inside of another that counts as the rim
LEAP = 0.12  # [mm] sideways step between stations that costs as much as a lost edge
# Phones sharpen after the tone curve, which moves an edge towards its dark side: 0.016 to 0.055 px
# for a blur of 0.7 to 1.25 px and usual strengths, computed from the curve of sRGB.
SHARPENED = 0.03  # [px]
NONE = 1.0  # cost of a station without an edge


@dataclass(frozen=True)
class Edge:
    """A closed row of edge points [mm] at the height of the face, counter-clockwise."""

    points: Floats
    good: NDArray[np.bool_]  # False where no edge was seen and the rough contour fills in
    normal: Floats  # away from the material
    slope: Floats  # steepness relative to the usual one of this contour
    model: Model

    @property
    def seen(self) -> float:
        """Share of the contour on which an edge was seen."""
        return float(np.mean(self.good))


def softness(flat: Flat) -> float:
    """Sigma [mm] of an edge in the flat picture."""
    return max(0.12, flat.source_blur * flat.source_mm_per_pixel)


def normals(points: Floats, outward: bool) -> Floats:
    """Unit normals of a counter-clockwise row, away from the material."""
    along = np.roll(points, -2, axis=0) - np.roll(points, 2, axis=0)
    along /= np.maximum(np.linalg.norm(along, axis=1, keepdims=True), 1e-9)
    right = np.stack([along[:, 1], -along[:, 0]], axis=1)
    return right if outward else -right


def _profiles(flat: Flat, points: Floats, normal: Floats, at: Floats) -> Floats:
    """Light along the normals, averaged along the contour; one row a station."""
    import cv2
    from scipy.ndimage import gaussian_filter, gaussian_filter1d

    place = points[:, None, :] + at[None, :, None] * normal[:, None, :]
    pixel = flat.pixel(place).astype(np.float32)
    light = cv2.remap(
        flat.image,
        np.ascontiguousarray(pixel[..., 0]),
        np.ascontiguousarray(pixel[..., 1]),
        cv2.INTER_LINEAR,
    )
    light = gaussian_filter1d(np.asarray(light, np.float64), 0.8, axis=0, mode="wrap")
    return np.asarray(gaussian_filter(light, (0.0, 1.0), mode="nearest"))


def _peaks(slope: Floats, at: Floats, reach: float) -> tuple[Floats, Floats]:
    """The steepest places of every station: offset [mm] (nan if none) and steepness."""
    size = np.abs(slope)
    inner = size[:, 1:-1]
    top = (inner >= size[:, :-2]) & (inner > size[:, 2:])
    value = np.where(top, inner, 0.0)
    chosen = np.argsort(-value, axis=1)[:, :CANDIDATES]
    rows = np.arange(len(slope))[:, None]
    height = value[rows, chosen]
    column = chosen + 1
    width = max(2, round(reach / (at[1] - at[0])))
    span = np.arange(-width, width + 1)
    index = np.clip(column[..., None] + span, 0, slope.shape[1] - 1)
    same = np.sign(slope[rows[..., None], index]) == np.sign(slope[rows, column])[..., None]
    local = np.where(same, size[rows[..., None], index], 0.0)
    weight = np.maximum(local - PEAK * height[..., None], 0.0)
    # only the hill of this peak: what lies beyond a valley belongs to another edge
    open_left = np.minimum.accumulate(weight[..., width::-1] > 0, axis=-1)[..., ::-1]
    open_right = np.minimum.accumulate(weight[..., width:] > 0, axis=-1)
    weight = weight * np.concatenate([open_left, open_right[..., 1:]], axis=-1)
    total = np.sum(weight, axis=-1)
    offset = np.sum(weight * at[index], axis=-1) / np.maximum(total, 1e-12)
    return np.where(height > 0.0, offset, np.nan), height


def _costs(offset: Floats, height: Floats, usual: float, model: Model, sign: Floats) -> Floats:
    """What it costs to take each candidate for the rim; the last column is 'none'."""
    strength = height / usual
    cost = 1.0 - np.minimum(strength, 1.0)
    if model == "face":
        # strong edges that lie nearer to the face than this one
        nearer = (offset[:, None, :] < offset[:, :, None]) & (strength[:, None, :] > STRONG)
        cost = 0.5 * cost + 0.6 * np.sum(nearer, axis=2)
    cost = cost + 0.3 * (sign > 0) + 0.15 * np.abs(offset)
    cost = np.where(np.isnan(offset) | (strength < WEAK), np.inf, cost)
    return np.concatenate([cost, np.full((len(cost), 1), NONE)], axis=1)


def _chain(offset: Floats, cost: Floats) -> NDArray[np.int64]:
    """The cheapest even choice of candidates along the closed row."""
    count = len(cost)
    lap = min(count, 60)
    order = np.concatenate([np.arange(count), np.arange(lap)])
    place = np.concatenate([offset, np.full((count, 1), np.nan)], axis=1)
    total = cost[0].copy()
    back = np.zeros((len(order), cost.shape[1]), np.int64)
    step = np.abs(place[order[1:]][:, None, :] - place[order[:-1]][:, :, None])  # from, to
    step = np.where(np.isnan(step), 0.25, np.minimum((step / LEAP) ** 2, 2.5))
    for n in range(1, len(order)):
        through = total[:, None] + step[n - 1]
        back[n] = np.argmin(through, axis=0)
        total = through[back[n], np.arange(cost.shape[1])] + cost[order[n]]
    chosen = np.zeros(len(order), np.int64)
    chosen[-1] = int(np.argmin(total))
    for n in range(len(order) - 1, 0, -1):
        chosen[n - 1] = back[n, chosen[n]]
    # the second lap knows what came before it
    found = chosen[:count].copy()
    found[: lap // 2] = chosen[count : count + lap // 2]
    return found


def _pass(
    flat: Flat, points: Floats, outward: bool, bright: bool, model: Model, reach: float
) -> tuple[Floats, NDArray[np.bool_], Floats, Floats]:
    """Offset of the edge at every station, whether one was seen, the normals, the slope."""
    soft = softness(flat)
    step = soft / 2.4
    at = np.arange(-reach, reach + step / 2.0, step)
    normal = normals(points, outward)
    slope = np.gradient(_profiles(flat, points, normal, at), step, axis=1)
    offset, height = _peaks(slope, at, 2.0 * soft)
    usual = float(np.median(np.max(height, axis=1)))
    # going out of a bright face the light falls
    index = np.clip(np.searchsorted(at, np.nan_to_num(offset)), 0, len(at) - 1)
    sign = np.sign(slope[np.arange(len(points))[:, None], index]) * (1.0 if bright else -1.0)
    cost = _costs(offset, height, max(usual, 1e-9), model, sign)
    chosen = _chain(offset, cost)
    rows = np.arange(len(points))
    good = chosen < offset.shape[1]
    taken = np.where(good, chosen, 0)
    found = np.where(good, offset[rows, taken], np.nan)
    return found, good, normal, np.where(good, height[rows, taken] / max(usual, 1e-9), 0.0)


def _filled(offset: Floats, good: NDArray[np.bool_]) -> Floats:
    """Offsets with the gaps bridged evenly from one side to the other."""
    if not good.any():
        return np.zeros_like(offset)
    at = np.flatnonzero(good)
    return np.interp(np.arange(len(offset)), at, offset[at], period=len(offset))


def find(
    flat: Flat, rough: Floats, *, outward: bool, bright: bool, model: Model, reach: float = 1.2
) -> Edge:
    """The edge along a rough contour: once from afar, once more from close by."""
    offset, good, normal, _ = _pass(flat, rough, outward, bright, model, reach)
    near = smoothed(rough + _filled(offset, good)[:, None] * normal, 0.3)
    close = max(0.5, 3.2 * softness(flat))
    offset, good, normal, slope = _pass(flat, near, outward, bright, model, close)
    # back to the bright side
    offset = offset + SHARPENED * flat.source_mm_per_pixel * (-1.0 if bright else 1.0)
    wrong = bursts(near + _filled(offset, good)[:, None] * normal)
    good = good & ~wrong
    points = near + _filled(offset, good)[:, None] * normal
    # last, as the carried stretches step along the edge where they begin and end
    carried = _carried(flat, points, normal, model)
    kept = _forward(carried, points, normal)
    return Edge(carried[kept], good[kept], normal[kept], slope[kept], model)


def _forward(carried: Floats, points: Floats, normal: Floats) -> NDArray[np.bool_]:
    """Points that do not fall back behind one that came before them."""
    along = np.stack([-normal[:, 1], normal[:, 0]], axis=1)
    step = np.roll(points, -1, axis=0) - points
    along *= np.sign(np.sum(step * along, axis=1, keepdims=True))
    run = np.concatenate([[0.0], np.cumsum(np.hypot(*step.T))[:-1]])
    place = run + np.sum((carried - points) * along, axis=1)
    return np.asarray(place >= np.maximum.accumulate(place) - 1e-9)


def _carried(flat: Flat, points: Floats, normal: Floats, model: Model) -> Floats:
    """For a silhouette: points of the lower rim moved to where they are on the face."""
    if model == "face" or flat.height <= 0.0:
        return points
    lower = flat.plane.onto(points, 0.0)
    # the wall is in view where the camera stands on the open side of the edge
    low = np.sum((lower - points) * normal, axis=1) < 0.0
    return np.where(low[:, None], lower, points)


def rimmed(flat: Flat, edge: Edge, bright: bool) -> float:
    """Share of an edge with a bright line just before it, as a chamfer has."""
    soft = softness(flat)
    step = soft / 2.4
    at = np.arange(-6.0 * soft - 0.8, 2.0 * soft, step)
    light = _profiles(flat, edge.points, edge.normal, at)
    inside = np.median(light[:, at < -4.0 * soft - 0.2], axis=1)
    outside = light[:, -1]
    before = light[:, (at > -3.0 * soft - 0.5) & (at < 0.0)]
    top = np.max(before, axis=1) if bright else np.min(before, axis=1)
    # sharpening alone overshoots by about a tenth of the step
    return float(np.mean((top - inside) / np.where(inside == outside, 1.0, inside - outside) > 0.2))
