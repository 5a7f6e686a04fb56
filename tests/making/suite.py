"""Categories of rendered photos, their bounds, and one photo traced and scored against its truth.

The bounds are those the project set itself before anything was measured; a part of the truth is
compared after a rigid fit of the hole pattern, without scale, so a wrong scale counts as an error.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray
from renderer import Scene, render, seeded, throttle

from keyturn.errors import KeyturnError
from keyturn.making import photo, trace
from keyturn.making.shape import ClosedPath, Outline, flattened

Floats = NDArray[np.float64]
READING_SIGMA = 0.05  # [mm] of a check length and of a thickness, as the program assumes
STEP = 0.1  # [mm] between compared points of a path


@dataclass(frozen=True)
class Bounds:
    centre_median: float  # [mm] over all holes of the category
    centre_max: float  # [mm]
    diameter_median: float = 0.05  # [mm] of the absolute error
    path_max: float | None = 0.25  # [mm] of outline and every port, everywhere
    seconds: float = 8.0  # of processor time for a photo, the median
    may_refuse: bool = False


@dataclass(frozen=True)
class Category:
    """``readings``: check lengths and thickness carry the errors of reading them."""

    photos: int
    bounds: Bounds
    options: dict[str, Any] = field(default_factory=dict)
    readings: bool = False
    together: int = 1  # photos traced together
    small: bool = False  # the part is a throttle flange
    read_hole: bool = False


NEAR, TALL = Bounds(0.03, 0.10), Bounds(0.04, 0.15)
CATEGORIES: dict[str, Category] = {
    "coplanar": Category(16, NEAR, {"face_height": 0.0}),
    "face 3 mm": Category(6, TALL, {"face_height": 3.0, "thickness": 3.0}),
    "face 8 mm": Category(14, TALL),
    "face 12 mm": Category(6, TALL, {"face_height": 12.0, "thickness": 12.0}),
    "3 megapixels": Category(
        10, Bounds(0.08, 0.35, 0.05, None, may_refuse=True), {"size": (2000, 1500)}
    ),
    "old gasket": Category(8, TALL, {"material": "gasket"}, read_hole=True),
    "throttle": Category(4, TALL, small=True),
    "three photos": Category(2, NEAR, together=3),
    # errors of the readings themselves dominate: half a tenth in 180 mm over half of the part
    "readings": Category(10, Bounds(0.10, 0.30), readings=True),
}


def _rigid(points: Floats, onto: Floats) -> tuple[Floats, Floats]:
    """Turn and shift, no scale, no mirror (Kabsch 1976)."""
    a, b = points.mean(axis=0), onto.mean(axis=0)
    u, _, vt = np.linalg.svd((points - a).T @ (onto - b))
    turn = u @ np.diag([1.0, np.linalg.det(u @ vt)]) @ vt
    return turn, b - a @ turn


def matched(points: Floats, truth: Floats) -> tuple[Floats, Floats, NDArray[np.int64]] | None:
    """Turn, shift and the true number of every point (-1: none), from four starting turns."""
    best, most = None, (0, -np.inf)
    for quarter in range(4):
        c, s = np.cos(quarter * np.pi / 2), np.sin(quarter * np.pi / 2)
        turn, shift = np.array([[c, s], [-s, c]]), np.zeros(2)
        for _ in range(6):
            far = np.linalg.norm((points @ turn + shift)[:, None] - truth[None], axis=2)
            number = np.where(far.min(axis=1) < 4.0, far.argmin(axis=1), -1)
            if (number >= 0).sum() < 2:
                break
            turn, shift = _rigid(points[number >= 0], truth[number[number >= 0]])
        if (number >= 0).sum() < 2:
            continue
        miss = np.linalg.norm((points @ turn + shift)[number >= 0] - truth[number[number >= 0]],
                              axis=1)  # fmt: skip
        if (int((number >= 0).sum()), -float(miss.max())) > most:
            most = (int((number >= 0).sum()), -float(miss.max()))
            best = (turn, shift, number)
    return best


def _even(path: ClosedPath) -> Floats:
    ring = shapely.LinearRing(np.array(flattened(path, 0.002)))
    count = max(16, int(ring.length / STEP))
    along = shapely.line_interpolate_point(ring, np.arange(count) * ring.length / count)
    return shapely.get_coordinates(along)


def hausdorff(path: ClosedPath, true: ClosedPath, turn: Floats, shift: Floats) -> float:
    """Largest distance of either path to the other [mm]."""
    mine, theirs = _even(path) @ turn + shift, _even(true)
    there = shapely.distance(shapely.points(mine), shapely.LinearRing(theirs)).max()
    back = shapely.distance(shapely.points(theirs), shapely.LinearRing(mine)).max()
    return float(max(there, back))


def scored(found: Outline, true: Outline) -> dict[str, Any]:
    """Every error of an outline."""
    points = np.array([(h.x, h.y) for h in found.holes]).reshape(-1, 2)
    truth = np.array([(h.x, h.y) for h in true.holes])
    fit = matched(points, truth)
    if fit is None:
        raise AssertionError("the holes do not match the truth at all")
    turn, shift, number = fit
    pairs = [(found.holes[n], true.holes[m]) for n, m in enumerate(number) if m >= 0]
    centre = np.linalg.norm((points @ turn + shift)[number >= 0] - truth[number[number >= 0]],
                            axis=1)  # fmt: skip
    across = np.array([a.diameter - b.diameter for a, b in pairs])
    ports = []
    for port in true.ports:
        middle = _even(port).mean(axis=0)
        near = min(
            found.ports,
            key=lambda p: float(np.linalg.norm(_even(p).mean(axis=0) @ turn + shift - middle)),
            default=None,
        )
        ports.append(99.0 if near is None else hausdorff(near, port, turn, shift))
    inside = [float(e) <= (h.centre_uncertainty or 0.0)
              for e, (h, _) in zip(centre, pairs, strict=True)]  # fmt: skip
    wide = [abs(float(e)) <= (h.diameter_uncertainty or 0.0)
            for e, (h, _) in zip(across, pairs, strict=True)]  # fmt: skip
    return {
        "holes": len(true.holes), "found": len(set(number[number >= 0])),
        "extra": int((number < 0).sum()), "centre": [float(v) for v in centre],
        "centre_median": float(np.median(centre)), "centre_max": float(centre.max()),
        "diameter": [float(v) for v in across], "diameter_median": float(np.median(across)),
        "diameter_max": float(np.abs(across).max()), "outer": hausdorff(
            found.outer, true.outer, turn, shift), "ports": ports,
        "pieces": len(found.outer.corners), "true_pieces": len(true.outer.corners),
        "inside": inside, "inside_diameter": wide,
        "uncertainty": [h.centre_uncertainty for h in found.holes],
    }  # fmt: skip


def scenes(name: str, seed: int) -> list[Scene]:
    """What is photographed; several views of one part where they are traced together."""
    kind = CATEGORIES[name]
    # every category its own seeds
    number = seed + 100 * list(CATEGORIES).index(name)
    part = throttle(number) if kind.small else None
    first = seeded(number, part, **kind.options)
    views = [first]
    for n in range(1, kind.together):
        other = seeded(number + 1000 * n, first.part, **kind.options)
        views.append(
            replace(other, strips=first.lies, focal=first.focal, k1=first.k1, k2=first.k2,
                    centre=first.centre, ground=first.ground, printer=first.printer)
        )  # fmt: skip
    return views


def run(name: str, seed: int) -> dict[str, Any]:
    """Render, trace and score one; a refusal is a row with its reason."""
    cv2.setNumThreads(1)
    kind = CATEGORIES[name]
    views = scenes(name, seed)
    random = np.random.default_rng(seed + 50_000)
    check, height = np.array(views[0].check_lengths), views[0].face_height or None
    if kind.readings and height is not None:
        check = check + random.normal(0.0, READING_SIGMA, 2)
        height += float(random.normal(0.0, READING_SIGMA))
    pictures = [photo.decode(render(view).data) for view in views]
    started = time.process_time()
    row: dict[str, Any] = {"category": name, "seed": seed, "readings": kind.readings}
    reading = ("", views[0].part.outline.holes[0].diameter) if kind.read_hole else None
    try:
        made = trace.trace(pictures, height, (float(check[0]), float(check[1])),
                           hole_reading=reading)  # fmt: skip
    except KeyturnError as fault:
        return {**row, "refused": str(fault)}
    row["seconds"] = (time.process_time() - started) / len(views)
    row["warnings"] = list(made.warnings)
    return {**row, **scored(made.outline, views[0].part.outline)}


def summary(name: str, rows: Sequence[dict[str, Any]]) -> dict[str, Any]:
    """One line of the table and whether every bound of the category holds."""
    bounds = CATEGORIES[name].bounds
    done = [row for row in rows if "refused" not in row]
    refused = len(rows) - len(done)
    if not done:
        return {"category": name, "photos": len(rows), "refused": refused, "holds": False}
    centre = np.concatenate([row["centre"] for row in done])
    across = np.concatenate([row["diameter"] for row in done])
    # what is left once one hole of each photo was read with callipers, as every trace asks for
    read = np.concatenate([np.array(row["diameter"]) - row["diameter"][0] for row in done])
    paths = [max([row["outer"], *row["ports"]]) for row in done]
    line = {
        "category": name, "photos": len(rows), "refused": refused,
        "missed": sum(row["holes"] - row["found"] + row["extra"] for row in done),
        "centre_median": float(np.median(centre)), "centre_max": float(centre.max()),
        "diameter_bias": float(np.median(across)),
        "diameter_median": float(np.median(np.abs(read))),
        "diameter_max": float(np.abs(across).max()), "path_max": max(paths),
        "pieces_off": max(abs(row["pieces"] / row["true_pieces"] - 1.0) for row in done),
        "seconds": float(np.median([row["seconds"] for row in done])),
    }  # fmt: skip
    line["holds"] = bool(
        (refused == 0 or bounds.may_refuse)
        and line["missed"] == 0
        and line["centre_median"] <= bounds.centre_median
        and line["centre_max"] <= bounds.centre_max
        and line["diameter_median"] <= bounds.diameter_median
        and (bounds.path_max is None or line["path_max"] <= bounds.path_max)
        and line["seconds"] <= bounds.seconds
    )
    return line


def honesty(rows: Sequence[dict[str, Any]]) -> dict[str, float]:
    """Share of true errors inside the stated bound, where readings carry their errors; and over
    all photos, where most readings were exact and the share is therefore higher."""
    told = {}
    for name, chosen in (("readings", [r for r in rows if r.get("readings")]), ("all", rows)):
        centre = [v for row in chosen for v in row.get("inside", [])]
        across = [v for row in chosen for v in row.get("inside_diameter", [])]
        if centre:
            told[f"{name}, centres"] = float(np.mean(centre))
            told[f"{name}, diameters"] = float(np.mean(across))
    return told


def honest(told: dict[str, float]) -> bool:
    """Never under nine tenths; above 99 % only errs to the careful side."""
    return all(value >= 0.90 for value in told.values())


def render_row(line: dict[str, Any]) -> str:
    if "centre_median" not in line:
        return f"{line['category']:14} {line['photos']:3}  all refused"
    return (
        f"{line['category']:14} {line['photos']:3} {line['refused']:3} {line['missed']:3}"
        f"  {line['centre_median']:.3f} {line['centre_max']:.3f}"
        f"  {line['diameter_bias']:+.3f} {line['diameter_median']:.3f} {line['diameter_max']:.3f}"
        f"  {line['path_max']:.3f} {100 * line['pieces_off']:4.0f} %"
        f"  {line['seconds']:4.1f} s  {'holds' if line['holds'] else 'DOES NOT HOLD'}"
    )


def render_table(table: Sequence[dict[str, Any]]) -> str:
    head = (
        "category    photos refused missed  centre med/max  diameter bias/med/max  path max"
        "  pieces off  time"
    )
    return "\n".join([head, *(render_row(line) for line in table)])
