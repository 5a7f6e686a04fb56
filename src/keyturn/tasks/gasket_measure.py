"""Holes from calliper distances: the file that is typed, the part that comes of it."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from keyturn.errors import BuildErrors, CannotAnswer, FileRefused, Place, ValueRefused
from keyturn.making import callipers
from keyturn.making.callipers import Distance, Placed, Sketch
from keyturn.making.shape import ClosedPath, Corner, Hole, Outline, flattened

OVER = ("outside", "inside", "centre")
TWIN = 5.0  # [mm] how far a mirrored hole may lie from its twin in the sketch
KEYS = ("name", "thickness", "symmetric", "reach", "outer", "hole", "port", "distance")


@dataclass(frozen=True)
class Measured:
    """The part, how well its holes are held, and what to measure next."""

    outline: Outline
    placed: Placed
    next: str  # the distance that would help most, "" where none is left

    @property
    def worst(self) -> float:
        """95 % radius of the hole that is known worst [mm]."""
        return float(max(self.placed.uncertainty))


def measure(text: str, file: str = "") -> Measured:
    """The part of a callipers file.

    Raises
    ------
    FileRefused, BuildErrors, ValueRefused
        The file cannot be taken.
    CannotAnswer
        The distances do not hold every hole, or contradict each other; says what to measure.
    """
    sketch, distances, data = taken(text, file)
    rough = [Sketch(hole.x, hole.y, hole.diameter) for hole in sketch.holes]
    placed = callipers.moved_onto(callipers.place(rough, distances), rough)
    _agree(placed, distances)
    holes = tuple(
        replace(hole, x=float(placed.x[n]), y=float(placed.y[n]),
                diameter=float(placed.diameter[n]), source="callipers",
                centre_uncertainty=float(placed.uncertainty[n]),
                diameter_uncertainty=max(callipers.FLOOR, 1.96 * callipers.READS_HOLE))
        for n, hole in enumerate(sketch.holes)
    )  # fmt: skip
    if data.get("symmetric") is True:
        holes = _symmetric(holes)
    part = replace(sketch, holes=holes)
    around = data["outer"].get("around")
    if around is not None:
        part = replace(part, outer=_around(part, float(around)))
    return Measured(part, placed, _next(rough, distances, data))


def plan(text: str, count: int, file: str = "") -> list[str]:
    """Which distances to measure, in order of how much each one tells."""
    sketch, _, data = taken(text, file)
    rough = [Sketch(hole.x, hole.y, hole.diameter) for hole in sketch.holes]
    most = len(rough) * (len(rough) - 1) // 2
    pairs = callipers.plan(rough, min(count, most), float(data.get("reach", math.inf)))
    return [f"hole {a + 1} to hole {b + 1}" for a, b in pairs]


def taken(text: str, file: str = "") -> tuple[Outline, list[Distance], dict[str, Any]]:
    """Sketch, distances and the rest of a callipers file."""
    import tomlkit

    from keyturn.making.outline_file import from_text

    place = Place(file or None)
    try:
        data = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as fault:
        raise FileRefused(
            f"is not TOML: {fault}", place,
            accepted="holes, distances and an outside, see docs/gasket.md",
        ) from None  # fmt: skip
    unknown = [key for key in data if key not in KEYS]
    if unknown:
        raise ValueRefused("nobody reads this key", Place(file or None, None, unknown[0]),
                           accepted=", ".join(KEYS))  # fmt: skip
    outer = data.setdefault("outer", {"around": 8.0})
    if not isinstance(outer, dict) or not _may_be(outer.get("around", 8.0), 0.5, 200.0):
        raise ValueRefused("the outside cannot be taken", Place(file or None, None, "outer"),
                           accepted="a rectangle, corners, or around = 0.5 to 200 mm")  # fmt: skip
    if not _may_be(data.get("reach", 150.0), 20.0, 5000.0):
        raise ValueRefused("the reach of the callipers cannot be taken",
                           Place(file or None, None, "reach"), str(data["reach"]),
                           "20 to 5000 mm")  # fmt: skip
    # an outline file but for the distances: read by the same rules
    known: dict[str, Any] = {
        key: data[key] for key in ("name", "thickness", "hole", "port") if key in data
    }
    shape = (
        {"rectangle": {"x": 0, "y": 0, "width": 10, "height": 10}} if "around" in outer else outer
    )
    sketch = from_text(tomlkit.dumps({"version": 1, **known, "outer": shape}), file)
    return sketch, _distances(data.get("distance", []), sketch.holes, file), data


def _may_be(value: object, low: float, high: float) -> bool:
    return (isinstance(value, (int, float)) and not isinstance(value, bool)
            and low <= value <= high)  # fmt: skip


def _distances(rows: object, holes: Sequence[Hole], file: str) -> list[Distance]:
    names = {hole.name: n for n, hole in enumerate(holes) if hole.name}
    made, faults = [], []
    for number, row in enumerate(rows if isinstance(rows, list) else [rows], 1):
        place = Place(file or None, None, f"distance.{number}")
        said = row if isinstance(row, dict) else {}
        ends = [_end(said.get(key), names, len(holes)) for key in ("from", "to")]
        value: Any = said.get("value")
        over: Any = said.get("over", "outside")
        # another key is a slip: nothing typed is passed over
        odd = set(said) - {"from", "to", "value", "over", "sigma"}
        sigma = said.get("sigma", callipers.READS)
        if (None in ends or odd or over not in OVER or not _may_be(value, 0.1, 5000.0)
                or not _may_be(sigma, 0.005, 5.0)):  # fmt: skip
            faults.append(ValueRefused(
                "the distance cannot be taken", place, str(row)[:80],
                "from and to (name or number of a hole), value in mm, over = "
                + " or ".join(OVER),
            ))  # fmt: skip
            continue
        made.append(Distance(int(ends[0] or 0), int(ends[1] or 0), float(value), over,
                             float(sigma)))  # fmt: skip
    if faults:
        raise BuildErrors(faults)
    return made


def _end(said: object, names: dict[str, int], count: int) -> int | None:
    if isinstance(said, int) and not isinstance(said, bool):
        return said - 1 if 1 <= said <= count else None
    return names.get(said) if isinstance(said, str) else None


def _next(rough: Sequence[Sketch], distances: Sequence[Distance], data: dict[str, Any]) -> str:
    try:
        a, b = callipers.next_distance(rough, distances, float(data.get("reach", math.inf)))
    except CannotAnswer:
        return ""
    return f"hole {a + 1} to hole {b + 1}"


def _agree(placed: Placed, distances: Sequence[Distance]) -> None:
    """No outline is made of distances that cannot be true together."""
    if placed.suspect is not None:
        row = distances[placed.suspect]
        words = f"{_pair(row)}: {row.value:.2f} mm does not fit the others"
        if placed.without is not None:
            words += f", which make it {placed.without:.2f} mm"
        raise CannotAnswer(words, [f"measure {_pair(row)} again, and look at the digits"])
    order = sorted(range(len(distances)), key=lambda n: -abs(placed.residuals[n]))
    if abs(placed.residuals[order[0]]) > callipers.BLUNDER:
        raise CannotAnswer(
            "the distances cannot close: no place of the holes has them all",
            [f"measure again: {_pair(distances[n])}, {distances[n].value:.2f} mm"
             for n in order[:3]],
        )  # fmt: skip


def _pair(row: Distance) -> str:
    return f"hole {row.a + 1} to hole {row.b + 1}"


def _symmetric(holes: Sequence[Hole]) -> tuple[Hole, ...]:
    """Every hole averaged with its twin on the other side of x = 0."""
    made = []
    for hole in holes:
        twin = min(holes, key=lambda one: math.dist((-one.x, one.y), (hole.x, hole.y)))
        if math.dist((-twin.x, twin.y), (hole.x, hole.y)) > TWIN:
            raise ValueRefused(
                f"{hole.name or 'a hole'} has no twin on the other side of x = 0",
                Place(key="symmetric"), "true", "false, or the hole that is missing",
            )  # fmt: skip
        made.append(replace(hole, x=(hole.x - twin.x) / 2.0, y=(hole.y + twin.y) / 2.0,
                            diameter=(hole.diameter + twin.diameter) / 2.0))  # fmt: skip
    return tuple(made)


def _around(part: Outline, margin: float) -> ClosedPath:
    """An outside that runs ``margin`` [mm] around holes and ports, straight between."""
    from shapely import get_coordinates
    from shapely.geometry import MultiPoint, Polygon

    from keyturn.making.offset import offset

    most = max(hole.diameter for hole in part.holes) / 2.0
    centres = [(hole.x, hole.y) for hole in part.holes]
    # ports count by as much as holes are smaller: one offset then clears both; a port with a waist
    # may fall into two by that
    rings = [Polygon(flattened(port, 0.05)).buffer(-most) for port in part.ports]
    ports = [point for ring in rings for point in get_coordinates(ring)]
    hull = MultiPoint([*centres, *ports]).convex_hull.simplify(0.02)
    if hull.geom_type != "Polygon":
        raise ValueRefused("the holes lie on one line: the outside has to be given",
                           Place(key="outer"), accepted="a rectangle or corners")  # fmt: skip
    points = list(hull.exterior.coords)[:-1]
    if not hull.exterior.is_ccw:
        points.reverse()
    path = ClosedPath(tuple(Corner(float(x), float(y)) for x, y in points), "outer",
                      source="callipers")  # fmt: skip
    return replace(offset(path, most + margin).path, name="outer", source="callipers")
