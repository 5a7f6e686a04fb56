"""The paper proof: the part at 1:1 on A4 or Letter, with rulers, overlaps and check lengths."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from keyturn.errors import CannotSolve, ValueRefused
from keyturn.making import pdf_paths
from keyturn.making.contours import circle, judged, outline_points, quartered, sized
from keyturn.making.proof import wanted
from keyturn.making.shape import ClosedPath, Hole, Outline, arc_of
from keyturn.making.slot import opened
from keyturn.typeset import typeset

PAPERS = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}  # [mm] ISO 216; ANSI A
LEFT, BOTTOM, RIGHT, TOP = 18.0, 18.0, 8.0, 18.0  # [mm] around the window; the rulers stand there
OVERLAP = 10.0  # [mm]
AROUND = 2.0  # [mm] of paper around the part
CHECK_X, CHECK_Y = 180.0, 230.0  # [mm] lengths of the check lines; both papers hold them
CHECK_AT = (14.0, 12.0)  # [mm] corner of the check lines from the left and from below
MOST_TILES = 40
AGREES = 1e-3  # [mm] the PDF holds seven digits of a point
FLAT = math.pi / 6.0  # [rad] a cubic follows so much of an arc to 4e-7 of its radius
LETTER = (1.17, 1.9)  # [mm] width and height of a letter of 5.5 points
LEGIBLE = 60  # letters of the name that are shown


Label = tuple[Hole, str, tuple[float, float]]  # words, and where they begin from the centre


@dataclass(frozen=True)
class Tile:
    """One sheet; ``left`` and ``bottom`` [mm] of its window from the part's lower left corner."""

    number: int
    column: int
    row: int
    left: int
    bottom: int


@dataclass(frozen=True)
class Layout:
    paper: tuple[float, float]  # [mm]
    window: tuple[float, float]  # [mm] width and height of what a sheet shows
    columns: int
    rows: int
    tiles: tuple[Tile, ...]


def layout(width: float, height: float, paper: str = "a4") -> Layout:
    """How many sheets a part of that size [mm] takes and where each lies.

    Raises
    ------
    ValueRefused
        A paper that is not known, or more sheets than anybody would tape together.
    """
    if paper not in PAPERS:
        raise ValueRefused("there is no such paper", typed=paper, accepted=", ".join(PAPERS))
    across, down = PAPERS[paper]
    window = (math.floor(across - LEFT - RIGHT), math.floor(down - TOP - BOTTOM))
    counts = [
        max(1, math.ceil((size + 2.0 * AROUND - OVERLAP) / (room - OVERLAP) - 1e-9))
        for size, room in zip((width, height), window, strict=True)
    ]
    columns, rows = counts
    if columns * rows > MOST_TILES:
        raise ValueRefused(f"the proof would take {columns * rows} sheets of paper",
                           accepted=f"up to {MOST_TILES}",
                           advice="cut the part in two with a joint, proof each")  # fmt: skip
    tiles = tuple(
        Tile(
            1 + row * columns + column, column, row,
            round(-AROUND + column * (window[0] - OVERLAP)),
            round(-AROUND + row * (window[1] - OVERLAP)),
        )
        for row in range(rows) for column in range(columns)
    )  # fmt: skip
    return Layout((across, down), (float(window[0]), float(window[1])), columns, rows, tiles)


def proof(
    part: Outline, paper: str = "a4", cut: Outline | None = None, longest: float = math.inf
) -> bytes:
    """The proof as a PDF, read again and found equal; the same part gives the same bytes.

    ``part`` is the part as it is: the distances that are asked for are its own. ``cut`` is the
    sheet with its allowances, which is drawn; without it the part itself is. ``longest``
    [mm] is what the callipers reach.

    Raises
    ------
    ValueRefused
        The part cannot be cut, or does not go on so much paper.
    """
    drawn = part if cut is None else cut
    meant = _data(part, drawn, paper, longest)
    made = typeset("making/proof.typ", meant)
    _check(meant, made)
    return made


def _check(meant: dict[str, Any], made: bytes) -> None:
    """Every contour, and both check lines, where they have to be on every sheet of the PDF."""
    pages = pdf_paths.read(made)
    apart = math.inf
    if len(pages) == 1 + len(meant["tiles"]):
        x, y, long_x, long_y = meant["check"]
        lines = [[(x, y), (x + long_x, y)], [(x, y - long_y), (x, y)]]
        apart = max(
            *(math.dist(page.size, meant["paper"]) for page in pages),
            *(pages[0].apart(line) for line in lines),
            *(page.apart([(x + dx, y + dy) for piece in shape["points"] for x, y in piece])
              for page, tile in zip(pages[1:], meant["tiles"], strict=True)
              for dx, dy in (tile["window"][:2],) for shape in tile["shapes"]),
        )  # fmt: skip
    if not apart <= AGREES:
        raise CannotSolve("the PDF that was made is not the part that was meant",
                          {"largest difference [mm]": apart})  # fmt: skip


def bounds(part: Outline) -> tuple[float, float, float, float]:
    """Left, bottom, right, top of the part [mm]."""
    xs, ys = zip(*outline_points(part.outer, 0.0005), strict=True)
    return min(xs), min(ys), max(xs), max(ys)


def _data(part: Outline, drawn: Outline, paper: str, longest: float) -> dict[str, Any]:
    sheet = judged(opened(sized(drawn)))
    left, bottom, right, top = bounds(sheet)
    plan = layout(right - left, top - bottom, paper)
    name = _plain(part.name)
    shapes: list[ClosedPath | Hole] = [sheet.outer, *sheet.holes, *sheet.ports]
    paths = [quartered(circle(s) if isinstance(s, Hole) else s, FLAT) for s in shapes]
    labels = _labels(drawn, shapes)
    return {
        "name": name,
        "paper": plan.paper,
        "check": (CHECK_AT[0], plan.paper[1] - CHECK_AT[1], CHECK_X, CHECK_Y),
        "about": _about(part, right - left, top - bottom),
        "foot": _side(part),
        "distances": [
            {"words": _plain(row.words), "value": f"{row.value:.1f}"}
            for row in wanted(part, longest)
        ],
        "rows": plan.rows,
        "tiles": [_tile(tile, plan, paths, labels, (left, bottom)) for tile in plan.tiles],
    }


def _plain(text: str) -> str:
    return "".join(c if c.isprintable() else "?" for c in text)[:LEGIBLE]


def _side(part: Outline) -> str:
    return f"The {part.side} of the gasket is drawn."


def _about(part: Outline, width: float, height: float) -> list[str]:
    rows = [f"{width:.1f} x {height:.1f} mm, {len(part.holes)} holes, {len(part.ports)} ports. "
            + _side(part)]  # fmt: skip
    if not part.scale_verified:
        rows.append("The scale is not confirmed yet: no check length was measured, or not both.")
    return rows


def _labels(part: Outline, shapes: Sequence[ClosedPath | Hole]) -> list[Label]:
    """Name and size beside every hole, on the first side where they cross no line."""
    from shapely.geometry import LinearRing, box
    from shapely.ops import unary_union

    lines = unary_union([LinearRing(outline_points(shape, 0.05)) for shape in shapes])
    made = []
    for n, hole in enumerate(part.holes, 1):
        words = _plain(f"{hole.name or n} {hole.diameter:.1f}")
        wide, away = LETTER[0] * len(words), hole.diameter / 2.0 + 1.0
        spots = [(away, -LETTER[1] / 2.0), (-away - wide, -LETTER[1] / 2.0),
                 (-wide / 2.0, away), (-wide / 2.0, -away - LETTER[1])]  # fmt: skip
        free = []
        for dx, dy in spots:  # downwards on the paper, upwards in the drawing
            left, top = hole.x + dx, hole.y - dy
            if not lines.intersects(box(left, top - LETTER[1], left + wide, top)):
                free.append((dx, dy))
        made.append((hole, words, (free or spots)[0]))
    return made


def _tile(
    tile: Tile, plan: Layout, paths: Sequence[ClosedPath], labels: Sequence[Label],
    corner: tuple[float, float],
) -> dict[str, Any]:  # fmt: skip
    wide, high = plan.window

    def at(x: float, y: float) -> tuple[float, float]:
        """From the drawing to the window, y downwards [mm]."""
        return x - corner[0] - tile.left, high - (y - corner[1] - tile.bottom)

    shapes = []
    for path in paths:
        seen = [at(p.x, p.y) for p in path.corners]
        # an arc of a twelfth of a circle stands out by less than its chord
        reach = max(math.dist(a, b) for a, b in zip(seen, seen[1:] + seen[:1], strict=True))
        if all(min(v) - reach < most and max(v) + reach > 0.0
               for v, most in zip(zip(*seen, strict=True), (wide, high), strict=True)):  # fmt: skip
            shapes.append({"points": _pieces(path, at)})
    centres = []
    for hole, words, (dx, dy) in labels:
        x, y = at(hole.x, hole.y)
        if 0.0 <= x <= wide and 0.0 <= y <= high:
            centres.append({"x": x, "y": y, "words": words, "dx": dx, "dy": dy})
    return {
        "number": tile.number, "column": tile.column, "row": tile.row,
        "origin": (tile.left, tile.bottom),
        "window": (LEFT, TOP, wide, high),
        "shapes": shapes,
        "centres": centres,
        **_neighbours(tile, plan),
    }  # fmt: skip


def _pieces(path: ClosedPath, at: Any) -> list[list[tuple[float, float]]]:
    """The first point, then a point for a line and two handles and a point for an arc."""
    made = [[at(path.corners[0].x, path.corners[0].y)]]
    for n, a in enumerate(path.corners):
        b = path.corners[(n + 1) % len(path.corners)]
        arc = arc_of(a, b)
        if arc is None:
            made.append([at(b.x, b.y)])
            continue
        cx, cy, _ = arc
        # handles of a cubic along an arc: 4/3 tan(angle / 4) of the radius, along its tangents
        reach = 4.0 / 3.0 * a.bulge
        first = (a.x - reach * (a.y - cy), a.y + reach * (a.x - cx))
        second = (b.x + reach * (b.y - cy), b.y - reach * (b.x - cx))
        made.append([at(*first), at(*second), at(b.x, b.y)])
    return made


def _neighbours(tile: Tile, plan: Layout) -> dict[str, Any]:
    """Dashed cuts in the middle of an overlap, crosses that lie over each other, words."""
    (wide, high), half = plan.window, OVERLAP / 2.0
    cuts, crosses, joins = [], [], []
    sides = [(half, tile.column > 0, -1), (wide - half, tile.column < plan.columns - 1, 1)]
    for x, there, step in sides:
        if there:
            cuts.append((x, 0.0, x, high))
            crosses += [(x, high * share) for share in (0.2, 0.8)]
            joins.append({"x": x + (0.8 if step < 0 else -3.2), "y": high / 2.0 + 20.0,
                          "upright": True,
                          "words": f"joins sheet {tile.number + step}"})  # fmt: skip
    sides = [(high - half, tile.row > 0, -1), (half, tile.row < plan.rows - 1, 1)]
    for y, there, step in sides:
        if there:
            cuts.append((0.0, y, wide, y))
            crosses += [(wide * share, y) for share in (0.2, 0.8)]
            joins.append({"x": wide / 2.0 - 20.0, "y": y + (0.8 if step > 0 else -3.2),
                          "upright": False,
                          "words": f"joins sheet {tile.number + step * plan.columns}"})  # fmt: skip
    return {"cuts": cuts, "crosses": crosses, "joins": joins}
