"""Edges of one part from its pictures: which model of an edge holds, and several photos as one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from keyturn.making import circles, edges
from keyturn.making.circles import Circle
from keyturn.making.edges import Edge, Model
from keyturn.making.rectify import Flat
from keyturn.making.rows import Floats
from keyturn.making.segment import Rough

ROUND = 0.06  # [mm] rms within which an opening is a round hole
ROUND_SOFT = 0.25  # and as a share of the blur
LARGEST_HOLE = 25.0  # [mm] diameter; a larger circle is a port
SAME = 2.0  # [mm] features of two photos nearer than that are one
APART = 0.5  # [mm] edge points of two photos farther apart are not averaged


@dataclass(frozen=True)
class Opening:
    edge: Edge
    circle: Circle | None  # None for a port


@dataclass(frozen=True)
class Found:
    """Edges of one picture."""

    model: Model
    bright: bool  # the part is brighter than the table
    outer: Edge
    inner: tuple[Opening, ...]
    chamfered: float  # share of the edge that has a bright line before it


def _opening(flat: Flat, ring: Floats, bright: bool, model: Model) -> Opening:
    edge = edges.find(flat, ring, outward=False, bright=bright, model=model)
    soft = edges.softness(flat)
    circle = circles.fit(edge.points, edge.good, soft)
    limit = max(ROUND, ROUND_SOFT * soft)
    good = (
        circle is not None
        and circle.rms < limit
        and circle.used > 0.7
        and circle.seen > 0.7
        and circle.diameter < LARGEST_HOLE
    )
    return Opening(edge, circle if good else None)


def _small(ring: Floats) -> bool:
    return float(np.max(np.ptp(ring, axis=0))) < LARGEST_HOLE


def _quality(found: Sequence[Opening]) -> tuple[int, float]:
    """More round holes are better, then rounder ones."""
    rms = [one.circle.rms for one in found if one.circle is not None]
    return -len(rms), float(np.median(rms)) if rms else 9.0


def openings(flat: Flat, rough: Rough) -> Found:
    """All edges of a picture under the model whose holes are round."""
    small = [ring for ring in rough.inner if _small(ring)]
    models: tuple[Model, Model] = ("face", "silhouette")
    tried = {m: [_opening(flat, ring, rough.bright, m) for ring in small] for m in models}
    if small:
        model = min(models, key=lambda m: _quality(tried[m]))
    else:
        model = "face" if rough.bright else "silhouette"
    inner = list(tried[model])
    inner += [_opening(flat, r, rough.bright, model) for r in rough.inner if not _small(r)]
    outer = edges.find(flat, rough.outer, outward=True, bright=rough.bright, model=model)
    rimmed = [edges.rimmed(flat, one.edge, rough.bright) for one in inner]
    return Found(
        model, rough.bright, outer, tuple(inner), float(np.median(rimmed)) if rimmed else 0.0
    )


def _averaged(first: Edge, others: Sequence[Edge]) -> Edge:
    """The first photo's edge moved to the mean of all, along its normals."""
    from scipy.spatial import cKDTree

    total, count = np.zeros(len(first.points)), first.good.astype(float)
    for other in others:
        if not other.good.any():
            continue
        seen = other.points[other.good]
        _, near = cKDTree(seen).query(first.points)
        aside = np.sum((seen[near] - first.points) * first.normal, axis=1)
        usable = np.abs(aside) < APART
        total += np.where(usable, aside, 0.0)
        count += usable
    shift = total / np.maximum(count, 1.0)
    return replace(first, points=first.points + shift[:, None] * first.normal, good=count > 0.0)


def joined(
    flats: Sequence[Flat], found: Sequence[Found]
) -> tuple[str, Edge, list[Opening], list[str]]:
    """Model, outer edge and openings of all photos taken together, and what does not agree."""
    first = found[0]
    if len(found) == 1:
        return first.model, first.outer, list(first.inner), []
    outer = _averaged(first.outer, [one.outer for one in found[1:]])
    soft = max(edges.softness(flat) for flat in flats)
    inner, lonely = [], 0
    for opening in first.inner:
        middle = opening.edge.points.mean(axis=0)
        twins = []
        for other in found[1:]:
            near = min(
                other.inner,
                key=lambda o: float(np.hypot(*(o.edge.points.mean(axis=0) - middle))),
                default=None,
            )
            if near is not None and np.hypot(*(near.edge.points.mean(axis=0) - middle)) < SAME:
                twins.append(near.edge)
        lonely += len(twins) < len(found) - 1
        edge = _averaged(opening.edge, twins)
        circle = circles.fit(edge.points, edge.good, soft)
        inner.append(Opening(edge, circle if opening.circle is not None else None))
    notes = [f"{lonely} openings are not seen in every photo"] if lonely else []
    return first.model, outer, inner, notes
