"""From the part as it is to the sheet as it is cut: clearances, growth, slots, mirror, snapping."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from keyturn.errors import ValueRefused
from keyturn.making.land import LEAST_EDGE, LEAST_LAND, Land, lands, opening_names
from keyturn.making.offset import offset
from keyturn.making.shape import SAME, ClosedPath, Corner, Hole, Outline

BOLT_CLEARANCE = 0.6  # [mm] on the diameter, rubber-cork on studs; common practice, no source
DOWEL_CLEARANCE = 0.0  # a dowel places the sheet
PORT_GROWTH = 1.0  # [mm] outwards, so that the sheet cannot stand into the port; common practice
# Medium clearance holes of ISO 273 for M4 to M12 and common dowels; coarse on purpose: sizes a
# tenth apart cannot be told from a photo of an old gasket. From memory.
STANDARD_HOLES = (4.5, 5.5, 6.6, 9.0, 11.0, 13.5)
NEAR = 0.25  # [mm] farther from a standard size is no slip of measuring


@dataclass(frozen=True)
class Allowances:
    """What is added to the part's own sizes."""

    bolt: float = BOLT_CLEARANCE  # [mm] on the diameter
    dowel: float = DOWEL_CLEARANCE  # [mm] on the diameter
    port: float = PORT_GROWTH  # [mm] outwards
    outer: float = 0.0  # [mm] outwards
    land: float = LEAST_LAND  # [mm]
    edge: float = LEAST_EDGE  # [mm]


@dataclass(frozen=True)
class Prepared:
    """The sheet as it will be cut, with what is narrow in it."""

    outline: Outline
    narrow: tuple[Land, ...]
    notes: tuple[str, ...]


def prepare(part: Outline, allow: Allowances | None = None) -> Prepared:
    """Apply the allowances and judge the lands that are left.

    Raises
    ------
    ValueRefused
        Openings overlap, or stand across the edge, once they have their allowances.
    """
    made = allowed(part, allow)
    for row in made.narrow:
        if row.width <= 0.0:
            raise ValueRefused(
                row.problem(),
                accepted="smaller allowances, or a hole that is open to the edge or has an ear",
            )  # fmt: skip
    return made


def allowed(part: Outline, allow: Allowances | None = None) -> Prepared:
    """The part with its allowances, whether it can be cut like that or not."""
    given = allow or Allowances()
    for name in ("bolt", "dowel", "port", "outer", "land", "edge"):
        value = getattr(given, name)
        if not (math.isfinite(value) and value >= 0.0):
            raise ValueRefused(
                f"the allowance {name} cannot be negative", typed=f"{value} mm",
                accepted="0 mm or more",
            )  # fmt: skip
    notes: list[str] = []
    holes = tuple(opened_hole(hole, given) for hole in part.holes)
    ports = tuple(_grown(port, given.port, notes) for port in part.ports)
    outer = _grown(part.outer, given.outer, notes)
    sheet = replace(part, outer=outer, holes=holes, ports=ports)
    rows = lands(sheet, given.land, given.edge)
    return Prepared(sheet, tuple(row for row in rows if not row.enough), tuple(notes))


def opened_hole(hole: Hole, allow: Allowances) -> Hole:
    """The hole as it is cut."""
    more = {"bolt": allow.bolt, "dowel": allow.dowel, "passage": 2.0 * allow.port}[hole.role]
    return replace(hole, diameter=hole.diameter + more)


def _grown(path: ClosedPath, distance: float, notes: list[str]) -> ClosedPath:
    made = offset(path, distance)
    if not made.exact:
        notes.append(f"{path.name or 'a path'} had to be made of short lines: a corner vanished")
    return made.path


def snapped(
    holes: Sequence[Hole], sizes: Sequence[float] = STANDARD_HOLES
) -> tuple[tuple[Hole, ...], tuple[str, ...]]:
    """Diameters moved to standard ones, equal holes as one group; never a centre.

    A size is taken only when it is within 0.25 mm and the next best is farther than twice the
    uncertainty; otherwise the hole stays as measured and a note says so.
    """
    groups: dict[int, list[int]] = {}
    order = sorted(range(len(holes)), key=lambda n: holes[n].diameter)
    for n in order:
        last = max(groups, default=None)
        alike = last is not None and (
            holes[n].role == holes[groups[last][0]].role
            and holes[n].diameter - holes[groups[last][-1]].diameter < 0.2
        )
        groups.setdefault(last if alike and last is not None else len(groups), []).append(n)
    made, notes = list(holes), []
    for members in groups.values():
        size = sum(holes[n].diameter for n in members) / len(members)
        near = sorted(sizes, key=lambda standard: abs(standard - size))[:2]
        sure = max((holes[n].diameter_uncertainty or 0.1) for n in members) / math.sqrt(
            len(members)
        )
        told = len(near) < 2 or abs(near[1] - size) - abs(near[0] - size) > 2.0 * sure
        if abs(near[0] - size) <= NEAR and told:
            for n in members:
                made[n] = replace(made[n], diameter=near[0])
            notes.append(f"{len(members)} holes of {size:.2f} mm taken as {near[0]:g} mm")
        else:
            between = " or ".join(f"{value:g}" for value in sorted(near))
            notes.append(f"{len(members)} holes of {size:.2f} mm left as measured; {between} mm?")
    return tuple(made), tuple(notes)


def hole_of(part: Outline, name: str) -> tuple[int, Hole]:
    """Number and hole of that name."""
    names = opening_names(part)[: len(part.holes)]
    if name not in names:
        raise ValueRefused("there is no such hole", typed=name,
                           accepted=", ".join(names) or "there is no hole")  # fmt: skip
    number = names.index(name)
    return number, part.holes[number]


def slotted(part: Outline, name: str) -> Outline:
    """The part with one hole cut as a slot out to the edge."""
    number, hole = hole_of(part, name)
    slot = replace(hole, open_to_edge=True)
    return replace(part, holes=(*part.holes[:number], slot, *part.holes[number + 1 :]))


def mirrored(part: Outline) -> Outline:
    """The other side: left and right swapped about the y axis."""
    side = "back" if part.side == "front" else "front"
    return replace(
        part,
        outer=_flipped(part.outer),
        holes=tuple(replace(hole, x=-hole.x) for hole in part.holes),
        ports=tuple(_flipped(port) for port in part.ports),
        side=side,  # type: ignore[arg-type]
    )


def _flipped(path: ClosedPath) -> ClosedPath:
    corners = path.corners
    count = len(corners)
    # swapped and read backwards, so that it runs the same way round as before
    turned = tuple(
        Corner(-corners[n].x, corners[n].y, corners[(n - 1) % count].bulge)
        for n in range(count - 1, -1, -1)
    )
    return replace(path, corners=turned)


def kerfed(part: Outline, width: float) -> Outline:
    """Where the middle of a tool that cuts ``width`` [mm] goes: outside of the part, inside of
    its openings."""
    if not (math.isfinite(width) and 0.0 <= width <= 10.0):
        raise ValueRefused("the kerf cannot be taken", typed=f"{width} mm", accepted="0 to 10 mm")
    if width == 0.0:
        return part
    half = width / 2.0
    small = [hole.name or f"hole {n}" for n, hole in enumerate(part.holes, 1)
             if hole.diameter <= width]  # fmt: skip
    if small:
        raise ValueRefused(f"the kerf is wider than {', '.join(small)}", typed=f"{width} mm",
                           accepted="a thinner cut, or punch these holes")  # fmt: skip
    return replace(
        part,
        outer=offset(part.outer, half).path,
        holes=tuple(replace(hole, diameter=hole.diameter - width) for hole in part.holes),
        ports=tuple(offset(port, -half).path for port in part.ports),
    )


def rectangle(
    x: float,
    y: float,
    width: float,
    height: float,
    radius: float,
    turn: float = 0.0,
    name: str = "",
) -> ClosedPath:
    """A rectangle about (x, y) with corner radii, turned by ``turn`` [rad]; a slot or a circle
    where the radius is half of a side."""
    least = min(width, height)
    if not (least > 0.0 and 0.0 <= radius <= least / 2.0 + 1e-9):
        raise ValueRefused(
            f"{name or 'the rectangle'} cannot have that corner radius", typed=f"{radius} mm",
            accepted=f"0 to {max(0.0, least / 2.0):g} mm",
        )  # fmt: skip
    a, b, r = width / 2.0, height / 2.0, min(radius, least / 2.0)
    bulge = math.tan(math.pi / 8.0)
    raw = [
        (-a + r, -b, 0.0), (a - r, -b, bulge), (a, -b + r, 0.0), (a, b - r, bulge),
        (a - r, b, 0.0), (-a + r, b, bulge), (-a, b - r, 0.0), (-a, -b + r, bulge),
    ]  # fmt: skip
    # a side of no length, or an arc of no radius, is no corner
    kept = [
        corner for n, corner in enumerate(raw)
        if math.dist(corner[:2], raw[(n + 1) % 8][:2]) >= SAME
    ]  # fmt: skip
    c, s = math.cos(turn), math.sin(turn)
    return ClosedPath(
        tuple(Corner(x + c * px - s * py, y + s * px + c * py, k) for px, py, k in kept), name
    )
