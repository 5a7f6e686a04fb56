"""Categories of rendered photos and scans, their bounds, and one of them traced and scored.

The bounds are those the project set itself before anything was measured. They are held against
photos whose check lengths and thickness were read without error. Stated uncertainties contain the
errors of these readings, so they are held against the same traces with readings that carry them.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from renderer import Page, Scene, render, scan, seeded, seeded_page, throttle
from score import KINDS, Move, inside, scored

from keyturn.errors import KeyturnError
from keyturn.making import board, camera, photo, rectify, trace
from keyturn.making import scan as scans
from keyturn.making.bounds import READ
from keyturn.making.photo import Photo
from keyturn.making.trace import Traced

Row = dict[str, Any]
DRAWS = 3  # sets of reading errors for each photo
CALIBRATION = 20_000  # added to seeds for photos on which bounds were calibrated, never judged


@dataclass(frozen=True)
class Bounds:
    centre_median: float  # [mm] over all holes of the category
    centre_max: float  # [mm]
    diameter_median: float = 0.05  # [mm] of the absolute error, one hole read
    path_max: float | None = 0.25  # [mm] of outline and every port, everywhere
    seconds: float = 8.0  # of processor time for a photo, the median
    may_refuse: bool = False


@dataclass(frozen=True)
class Category:
    photos: int
    bounds: Bounds
    first: int  # of its seeds, less one; every category its own
    kind: str  # of stated bounds that are counted together
    options: dict[str, Any] = field(default_factory=dict)
    together: int = 1  # photos traced together
    small: bool = False  # the part is a throttle flange
    glass: str = ""  # material of a part on a flatbed scanner


NEAR, TALL = Bounds(0.03, 0.10), Bounds(0.04, 0.15)
CLAIM = Bounds(0.15, 0.30)  # what is promised of a real part
SMALL = Bounds(0.08, 0.35, path_max=None, may_refuse=True)
SCAN = Bounds(0.04, 0.10)
CATEGORIES: dict[str, Category] = {
    "coplanar": Category(16, NEAR, 0, "12 MP", {"face_height": 0.0}),
    "face 3 mm": Category(6, TALL, 100, "raised", {"face_height": 3.0, "thickness": 3.0}),
    "face 8 mm": Category(14, TALL, 200, "raised"),
    "face 12 mm": Category(6, TALL, 300, "raised", {"face_height": 12.0, "thickness": 12.0}),
    "3 megapixels": Category(10, SMALL, 400, "3 MP", {"size": (2000, 1500)}),
    "old gasket": Category(8, TALL, 500, "raised", {"material": "gasket"}),
    "throttle": Category(6, TALL, 600, "raised", small=True),
    "three photos": Category(2, NEAR, 700, "raised", together=3),
    "scan, metal": Category(20, SCAN, 900, "scan", glass="metal"),
    "scan, old gasket": Category(20, SCAN, 1000, "scan", glass="gasket"),
}


@dataclass(frozen=True)
class Hard:
    """Photos that cannot be measured well; refused, right, or wrong with the reason told."""

    options: tuple[dict[str, Any], ...]
    words: str  # of the warning or the refusal that names the reason
    bounds: Bounds = CLAIM


HARD: dict[str, Hard] = {
    "chamfer 0.5 mm": Hard(({"chamfer": 0.5},) * 4, "chamfer"),
    "glare": Hard(tuple({"glare": g} for g in (0.5, 1.0, 2.0, 4.0, 8.0)), "glare"),
    "blur": Hard(tuple({"blur": b} for b in (1.6, 2.2, 2.8, 3.6)), "blur"),
    "shaken": Hard(tuple({"motion": (m, 0.4 * m)} for m in (3.0, 6.0, 9.0)), "blur"),
    "steep": Hard(tuple({"tilt": np.radians(t)} for t in (30.0, 36.0, 41.0, 46.0)), "slant"),
    "cut off": Hard(tuple({"aim": (x, 0.0)} for x in (90.0, 120.0, 150.0)), "cut off"),
    "strips curled": Hard(tuple({"curl": c} for c in (0.3, 0.5, 0.7, 1.0, -0.5, -1.0)), "bent"),
    "strip raised": Hard(tuple({"lift": (0.0, h)} for h in (0.5, 1.0, 2.0)), "plane"),
    "dark on dark": Hard(({"material": "gasket", "ground": (0.09, 0.10, 0.12)},) * 2, "bright"),
}  # fmt: skip
HARD_FIRST = 2000


def scenes(name: str, seed: int) -> list[Scene] | list[Page]:
    """What is pictured; several views of one part where they are traced together."""
    if name in HARD:
        number = HARD_FIRST + 100 * list(HARD).index(name) + seed
        return [seeded(number, **HARD[name].options[seed - 1])]
    kind = CATEGORIES[name]
    number = kind.first + seed
    if kind.glass:
        return [seeded_page(number, kind.glass)]
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


def pictures(name: str, seed: int, folder: Path | None = None) -> list[bytes]:
    """The files, drawn once where a folder keeps them."""
    made = []
    for n, view in enumerate(scenes(name, seed)):
        path = folder / f"{name.replace(' ', '_')}-{seed}-{n}.jpg" if folder else None
        if path is not None and path.exists():
            made.append(path.read_bytes())
            continue
        made.append(scan(view) if isinstance(view, Page) else render(view).data)
        if path is not None:
            path.write_bytes(made[-1])
    return made


def traced(name: str, seed: int, files: Sequence[bytes]) -> Traced:
    """As the program does it, with readings that carry no error."""
    view = scenes(name, seed)[0]
    seen = [photo.decode(data) for data in files]
    if isinstance(view, Page):
        flat = scans.laid(seen[0], 300.0, check_lengths=view.check_lengths)
        return trace.from_flats([flat], scale_verified=True, source="scan")
    return trace.trace(seen, view.face_height or None, view.check_lengths)


def reread(made: Traced, view: Scene | Page, seen: Sequence[Photo]) -> Callable[[int], Move]:
    """Where the traced points would lie had check lengths and thickness been read with errors.

    The n-th draw re-solves the pictures with other readings and follows the lines of sight.
    """
    found = [] if isinstance(view, Page) else [board.find(one) for one in seen]

    def draw(n: int) -> Move:
        random = np.random.default_rng(view.seed + 50_000 + n)
        a, b = np.array(view.check_lengths) + random.normal(0.0, camera.CHECK_SIGMA, 2)
        plane: rectify.Plane
        if isinstance(view, Page):
            strips = scans.printed_strips(seen[0], (float(a), float(b)))
            x, y = (strip.length / strip.pixels for strip in strips)
            plane = scans.ScanPlane((x, y), (0.0, 0.0), made.flat.origin)
        else:
            height = made.flat.height + float(random.normal(0.0, rectify.THICKNESS_SIGMA))
            plane = rectify.PhotoPlane(camera.solve(found, (float(a), float(b))), 0, height)
        return lambda points: plane.from_photo(made.pixels(points))

    return draw


def run(name: str, seed: int, folder: Path | None = None, draws: int = DRAWS) -> Row:
    """Draw, trace and score one; a refusal is a row with its reason."""
    cv2.setNumThreads(1)
    view = scenes(name, seed)[0]
    files = pictures(name, seed, folder)
    row: Row = {"category": name, "seed": seed}
    started = time.process_time()
    try:
        made = traced(name, seed, files)
    except KeyturnError as fault:
        return {**row, "refused": str(fault)}
    row["seconds"] = (time.process_time() - started) / len(files)
    row["warnings"] = list(made.warnings)
    row["kept_as_points"] = [d.name for d in made.drawn if d.kind == "points"]
    return row | judged(made, view, files, 0 if name in HARD else draws)


def judged(made: Traced, view: Scene | Page, files: Sequence[bytes], draws: int) -> Row:
    """Errors of a trace, before and after one hole is read with callipers."""
    true = view.part.outline
    row = scored(made.outline, true)
    if row is None:
        return {"unmatched": True}
    # the first hole is read, as every trace asks for
    name, right = _first(made, true)
    exact = trace.read_hole(made, name, right)
    told = scored(exact.outline, true)
    assert told is not None
    row["read"] = {key: told[key] for key in ("diameter", "outer", "ports")}
    if draws:
        draw = reread(made, view, [photo.decode(data) for data in files])
        random = np.random.default_rng(view.seed + 60_000)
        row["inside"] = {kind: [0, 0] for kind in (*KINDS, *(f"{k}, read" for k in KINDS[1:]))}
        for n in range(draws):
            move = draw(n)
            again = trace.read_hole(made, name, right + float(random.normal(0.0, READ)))
            for outline, mark in ((made.outline, ""), (again.outline, ", read")):
                for kind, (good, of) in inside(outline, true, move).items():
                    if mark and kind == "centres":
                        continue
                    row["inside"][kind + mark][0] += good
                    row["inside"][kind + mark][1] += of
    return row


def _first(made: Traced, true: Any) -> tuple[str, float]:
    """Name of the first traced hole that is a true one, and its true diameter."""
    from score import matched

    points = np.array([(h.x, h.y) for h in made.outline.holes])
    fit = matched(points, np.array([(h.x, h.y) for h in true.holes]))
    assert fit is not None
    n = int(np.flatnonzero(fit[2] >= 0)[0])
    return made.outline.holes[n].name, true.holes[fit[2][n]].diameter


def paths(row: Row) -> float:
    return float(max([row["outer"], *row["ports"]]))


def summary(name: str, rows: Sequence[Row]) -> Row:
    """One line of the table and whether every bound of the category holds."""
    bounds = CATEGORIES[name].bounds
    done = [row for row in rows if "centre" in row]
    line: Row = {
        "category": name, "photos": len(rows),
        "refused": [row["refused"] for row in rows if "refused" in row],
        "unmatched": sum("unmatched" in row for row in rows),
    }  # fmt: skip
    if not done:
        return line | {"holds": False}
    centre = np.concatenate([row["centre"] for row in done])
    read = np.concatenate([row["read"]["diameter"] for row in done])
    line |= {
        "missed": sum(row["holes"] - row["found"] + row["extra"] for row in done),
        "holes": sum(row["holes"] for row in done), "found": sum(row["found"] for row in done),
        "centre_median": float(np.median(centre)), "centre_max": float(centre.max()),
        "diameter_bias": float(np.median(np.concatenate([row["diameter"] for row in done]))),
        "diameter_median": float(np.median(np.abs(read))),
        "diameter_max": float(np.abs(read).max()),
        "outer_max": max(row["outer"] for row in done),
        "port_max": max(max(row["ports"], default=0.0) for row in done),
        "pieces_off": max(abs(row["pieces"] / row["true_pieces"] - 1.0) for row in done),
        "kept_as_points": sum(len(row["kept_as_points"]) for row in done),
        "seconds": float(np.median([row["seconds"] for row in done])),
    }  # fmt: skip
    line["holds"] = bool(
        (not line["refused"] or bounds.may_refuse)
        and line["missed"] == 0 and line["unmatched"] == 0
        and line["centre_median"] <= bounds.centre_median
        and line["centre_max"] <= bounds.centre_max
        and line["diameter_median"] <= bounds.diameter_median
        and (bounds.path_max is None or max(map(paths, done)) <= bounds.path_max)
        and line["seconds"] <= bounds.seconds
    )  # fmt: skip
    return line


def outcome(name: str, row: Row) -> str:
    """Of a hard photo: "refused", "right", "told" (wrong, and the reason said) or "silent".

    A refusal that blames something else sends the builder to mend the wrong thing: silent.
    """
    if "refused" in row:
        return "refused" if HARD[name].words in row["refused"] else "silent"
    bounds = HARD[name].bounds
    if (
        "centre" in row
        and row["found"] == row["holes"] and not row["extra"]
        and np.median(row["centre"]) <= bounds.centre_median
        and max(row["centre"]) <= bounds.centre_max
        and np.median(np.abs(row["read"]["diameter"])) <= bounds.diameter_median
        and (bounds.path_max is None or paths(row["read"]) <= bounds.path_max)
    ):  # fmt: skip
        return "right"
    return "told" if any(HARD[name].words in said for said in row["warnings"]) else "silent"


def coverage(rows: Sequence[Row]) -> dict[str, dict[str, float]]:
    """Share of true errors inside the stated 95 % bound by class of picture and kind of feature."""
    told: dict[str, dict[str, float]] = {}
    for kind in dict.fromkeys(c.kind for c in CATEGORIES.values()):
        chosen = [r["inside"] for r in rows
                  if "inside" in r and r["category"] in CATEGORIES
                  and CATEGORIES[r["category"]].kind == kind]  # fmt: skip
        for feature in chosen[0] if chosen else ():
            good, of = np.sum([one[feature] for one in chosen], axis=0)
            if of:
                told.setdefault(kind, {})[feature] = float(good / of)
    return told
