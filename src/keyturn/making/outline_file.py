"""The outline file: a flat part in TOML, millimetres, written to be read and changed by hand.

A path is a list of corners [x, y] or [x, y, bulge]; a rectangle, a slot or a circle may be given
by its sizes instead. What stands in the file is the part as it is; clearances are added when it
is cut.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from typing import Any

from keyturn.errors import BuildError, BuildErrors, FileRefused, Place, ValueRefused
from keyturn.making.edit import rectangle
from keyturn.making.offset import reversed_path
from keyturn.making.shape import ClosedPath, Corner, Hole, Outline, area, doubled, flattened

VERSION = 1
MOST_CORNERS = 20_000
MOST_MM = 5_000.0  # a part larger than that is a slip of the unit
ROLES = ("bolt", "dowel", "passage")
HEAD = """\
# A flat part, millimetres. x to the right, y up, seen on the {side} of the gasket.
# A corner is [x, y] or [x, y, bulge]; bulge = tan(angle of the arc / 4), + to the left.
# Sizes are those of the part; clearances are added when it is cut.
"""
KEYS = {
    "outline": ("version", "name", "thickness", "side", "scale_verified", "notes", "outer", "hole",
                "port"),
    "hole": ("name", "x", "y", "diameter", "role", "centre_uncertainty", "diameter_uncertainty",
             "source", "open_to_edge"),
    "path": ("name", "corners", "rectangle", "uncertainty", "source"),
    "rectangle": ("x", "y", "width", "height", "radius", "turn"),
}  # fmt: skip


Rows = dict[str, str]  # key of the file -> its lines


def to_text(part: Outline) -> str:
    """The outline as TOML; read back it is the same part."""
    rows = [head(part.side) + "\n".join(top_rows(part).values())]
    rows.append("\n".join(["[outer]", *path_rows(part.outer).values()]))
    rows += ["\n".join(["[[hole]]", *hole_rows(hole).values()]) for hole in part.holes]
    rows += ["\n".join(["[[port]]", *path_rows(port).values()]) for port in part.ports]
    return "\n\n".join(rows) + "\n"


def head(side: str) -> str:
    """What is said at the top of a file."""
    return HEAD.format(side=side)


def top_rows(part: Outline) -> Rows:
    rows = {"version": f"version = {VERSION}", "name": f"name = {_quoted(part.name)}"}
    if part.thickness is not None:
        rows["thickness"] = f"thickness = {_number(part.thickness)} # of the sheet"
    rows["side"] = f"side = {_quoted(part.side)}"
    rows["scale_verified"] = f"scale_verified = {str(part.scale_verified).lower()}"
    if part.notes:
        rows["notes"] = f"notes = [{', '.join(_quoted(note) for note in part.notes)}]"
    return rows


def hole_rows(hole: Hole) -> Rows:
    rows = {"name": f"name = {_quoted(hole.name)}"} if hole.name else {}
    for key in ("x", "y", "diameter"):
        rows[key] = f"{key} = {_number(getattr(hole, key))}"
    rows["role"] = f"role = {_quoted(hole.role)}"
    for key in ("centre_uncertainty", "diameter_uncertainty"):
        if getattr(hole, key) is not None:
            rows[key] = f"{key} = {_number(getattr(hole, key))} # 95 %"
    if hole.source:
        rows["source"] = f"source = {_quoted(hole.source)}"
    if hole.open_to_edge:
        rows["open_to_edge"] = "open_to_edge = true"
    return rows


def path_rows(path: ClosedPath) -> Rows:
    rows = {"name": f"name = {_quoted(path.name)}"} if path.name else {}
    if path.uncertainty is not None:
        rows["uncertainty"] = f"uncertainty = {_number(path.uncertainty)} # 95 %"
    if path.source:
        rows["source"] = f"source = {_quoted(path.source)}"
    lines = [f"  {corner_text(corner)}," for corner in path.corners]
    rows["corners"] = "\n".join(["corners = [", *lines, "]"])
    return rows


def corner_text(corner: Corner) -> str:
    bulge = f", {_number(corner.bulge)}" if corner.bulge else ""
    return f"[{_number(corner.x)}, {_number(corner.y)}{bulge}]"


def _quoted(text: str) -> str:
    import json

    return json.dumps(text, ensure_ascii=False)


def _number(value: float) -> str:
    """Shortest text that reads back as the same number."""
    return repr(float(value))


def from_text(text: str, file: str = "") -> Outline:
    """The part of an outline file.

    Raises
    ------
    FileRefused
        Not TOML, or not an outline.
    BuildErrors
        Every fault in it, each with its place.
    """
    try:
        data = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as fault:
        raise FileRefused(
            f"is not TOML: {fault}", Place(file or None),
            accepted="an outline file, as keyturn gasket trace or gasket measure writes it",
        ) from None  # fmt: skip
    faults: list[BuildError] = []
    part = _outline(data, Place(file or None), faults)
    if faults or part is None:
        raise BuildErrors(faults)
    return part


class _Reader:
    """Takes values out of one table and gathers what is wrong with them."""

    def __init__(
        self, table: object, known: tuple[str, ...], place: Place, faults: list[BuildError]
    ) -> None:
        self.place, self.faults = place, faults
        self.table: Mapping[str, Any] = table if isinstance(table, dict) else {}
        if not isinstance(table, dict):
            self.refuse("", "is not a table", table, "key = value")
        for key in self.table:
            if key not in known:
                self.refuse(key, "nobody reads this key", None, ", ".join(known))

    def refuse(self, key: str, problem: str, typed: object, accepted: str) -> None:
        where = ".".join(part for part in (self.place.key or "", key) if part)
        shown = None if typed is None else str(typed)[:80]
        self.faults.append(
            ValueRefused(problem, Place(self.place.file, None, where), shown, accepted)
        )

    def number(
        self, key: str, low: float = -MOST_MM, high: float = MOST_MM, default: float | None = None
    ) -> float:
        value = self.table.get(key, default)
        plain = isinstance(value, (int, float)) and not isinstance(value, bool)
        if plain and math.isfinite(value) and low <= value <= high:
            return float(value)
        problem = "is missing" if value is None else "is no such number"
        self.refuse(key, problem, value, f"millimetres from {low:g} to {high:g}")
        return math.nan

    def optional(self, key: str) -> float | None:
        return None if key not in self.table else self.number(key, 0.0)

    def word(self, key: str, choices: tuple[str, ...] = (), default: str = "") -> str:
        value = self.table.get(key, default)
        if not isinstance(value, str) or len(value) > 200 or (choices and value not in choices):
            self.refuse(key, "cannot be taken", value, ", ".join(choices) or "a short text")
            return default
        return value

    def yes(self, key: str) -> bool:
        value = self.table.get(key, False)
        if not isinstance(value, bool):
            self.refuse(key, "is not yes or no", value, "true or false")
        return value is True


def _outline(data: Mapping[str, Any], place: Place, faults: list[BuildError]) -> Outline | None:
    top = _Reader(data, KEYS["outline"], place, faults)
    if data.get("version") != VERSION:
        top.refuse("version", "is not a version of this file", data.get("version"), str(VERSION))
    notes = data.get("notes", [])
    if not isinstance(notes, list) or not all(isinstance(note, str) for note in notes):
        top.refuse("notes", "is not a list of texts", notes, '["..."]')
        notes = []
    outer = _path(data.get("outer", {}), Place(place.file, None, "outer"), faults)
    holes = [
        _hole(row, Place(place.file, None, f"hole.{n}"), faults)
        for n, row in enumerate(_rows(top, "hole"), 1)
    ]
    ports = [
        _path(row, Place(place.file, None, f"port.{n}"), faults)
        for n, row in enumerate(_rows(top, "port"), 1)
    ]
    thickness = None
    if "thickness" in data:
        thickness = top.number("thickness", 0.05, 20.0)
    if outer is None or any(port is None for port in ports) or faults:
        return None
    return Outline(
        outer=outer if area(outer) > 0.0 else reversed_path(outer),
        holes=tuple(holes),
        ports=tuple(
            port if area(port) > 0.0 else reversed_path(port) for port in ports if port is not None
        ),
        name=top.word("name", default="gasket"),
        thickness=thickness,
        side="back" if top.word("side", ("front", "back"), "front") == "back" else "front",
        scale_verified=top.yes("scale_verified"),
        notes=tuple(notes),
    )


def _rows(top: _Reader, key: str) -> list[Any]:
    value = top.table.get(key, [])
    if not isinstance(value, list):
        top.refuse(key, "is not a list of tables", value, f"[[{key}]]")
        return []
    return value


def _hole(row: object, place: Place, faults: list[BuildError]) -> Hole:
    said = _Reader(row, KEYS["hole"], place, faults)
    return Hole(
        x=said.number("x"),
        y=said.number("y"),
        diameter=said.number("diameter", 0.1, 500.0),
        role=said.word("role", ROLES, "bolt"),  # type: ignore[arg-type]
        name=said.word("name"),
        centre_uncertainty=said.optional("centre_uncertainty"),
        diameter_uncertainty=said.optional("diameter_uncertainty"),
        source=said.word("source"),
        open_to_edge=said.yes("open_to_edge"),
    )


def _path(row: object, place: Place, faults: list[BuildError]) -> ClosedPath | None:
    said = _Reader(row, KEYS["path"], place, faults)
    name, before = said.word("name"), len(faults)
    if "rectangle" in said.table:
        corners = _rectangle(said.table["rectangle"], place, faults)
    else:
        corners = _corners(said)
    made = ClosedPath(corners, name, said.optional("uncertainty"), said.word("source"))
    if len(faults) > before:
        return None
    twice = doubled(made)
    if twice is not None:
        said.refuse(f"corners.{twice + 1}", "lies on the corner after it", None,
                    "every corner once; the last need not repeat the first")  # fmt: skip
        return None
    reach = _reach(made)
    if reach > MOST_MM:
        said.refuse("corners", f"reaches {reach:.0f} mm out with its arcs", None,
                    f"at most {MOST_MM:g} mm; a bulge of 1 is half a circle")  # fmt: skip
        return None
    if not _whole(made):
        said.refuse("corners", "crosses itself, or encloses nothing", None,
                    "a closed row of corners that never crosses itself")  # fmt: skip
        return None
    return made


def _reach(path: ClosedPath) -> float:
    """Farthest that the path gets from the origin along x or y [mm]."""
    return max(abs(value) for point in flattened(path, 0.02) for value in point)


def _whole(path: ClosedPath) -> bool:
    from shapely.geometry import Polygon

    points = flattened(path, 0.02)
    if len(points) < 3:
        return False
    shape = Polygon(points)
    return bool(shape.is_valid and shape.area > 0.01)


def _rectangle(row: object, place: Place, faults: list[BuildError]) -> tuple[Corner, ...]:
    where = Place(place.file, None, f"{place.key}.rectangle")
    said = _Reader(row, KEYS["rectangle"], where, faults)
    before = len(faults)
    x, y, turn = said.number("x"), said.number("y"), said.number("turn", -360.0, 360.0, 0.0)
    width, height = said.number("width", 0.1), said.number("height", 0.1)
    radius = said.number("radius", 0.0, default=0.0)
    if len(faults) > before:
        return ()
    try:
        return rectangle(x, y, width, height, radius, math.radians(turn)).corners
    except ValueRefused as fault:
        said.refuse("radius", fault.problem, fault.typed, fault.accepted or "")
        return ()


def _corners(said: _Reader) -> tuple[Corner, ...]:
    rows = said.table.get("corners")
    if not isinstance(rows, list) or not 2 <= len(rows) <= MOST_CORNERS:
        said.refuse("corners", "is not a list of corners", None if rows is None else type(rows),
                    f"2 to {MOST_CORNERS} corners [x, y] or [x, y, bulge]")  # fmt: skip
        return ()
    corners = []
    for n, row in enumerate(rows, 1):
        fits = isinstance(row, list) and len(row) in (2, 3) and all(
            isinstance(v, (int, float)) and not isinstance(v, bool)
            and math.isfinite(v) and abs(v) <= MOST_MM
            for v in row
        )  # fmt: skip
        if not fits:
            said.refuse(f"corners.{n}", "is no corner", row, "[x, y] or [x, y, bulge] in mm")
            return ()
        corners.append(Corner(*(float(v) for v in row)))
    return tuple(corners)
