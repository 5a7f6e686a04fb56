"""The order of the cuts: inside first, outside last, short ways between; length and time."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from keyturn.errors import ValueRefused
from keyturn.making.contours import Contour
from keyturn.making.shape import ClosedPath, Hole, length

ROUNDS = 40  # of improving; a few are enough
GAIN = 1e-9  # [mm] less is no improvement
MOST_IMPROVED = 400  # contours of a group; beyond, the nearest next is good enough

Point = tuple[float, float]


@dataclass(frozen=True)
class Ordered:
    contours: tuple[Contour, ...]
    cut: float  # [mm] length that is cut
    idle: float  # [mm] between cuts, from the corner of the sheet
    pierces: int  # how often the tool enters


def ordered(contours: Sequence[Contour], home: Point = (0.0, 0.0)) -> Ordered:
    """Every inner cut, then every outer one, each group by nearest neighbour and 2-opt.

    A part that is cut loose may move: what is inside of it has to be done by then.
    """
    inner = [contour for contour in contours if contour.layer != "CUT_OUTER"]
    outer = [contour for contour in contours if contour.layer == "CUT_OUTER"]
    made: list[Contour] = []
    at = home
    for group in (inner, outer):
        for contour in _improved(_nearest(group, at), at):
            made.append(begun(contour, at))
            at = entry(made[-1])
    spots = [home, *(entry(contour) for contour in made)]
    idle = sum(math.dist(a, b) for a, b in pairwise(spots))
    return Ordered(tuple(made), sum(cut_length(c) for c in made), idle, len(made))


def cut_length(contour: Contour) -> float:
    """Length of one contour [mm]."""
    shape = contour.shape
    return math.pi * shape.diameter if isinstance(shape, Hole) else length(shape)


def entry(contour: Contour) -> Point:
    """Where the cut begins and ends: the right of a circle, the first corner of a path."""
    shape = contour.shape
    if isinstance(shape, Hole):
        return shape.x + shape.diameter / 2.0, shape.y
    return shape.corners[0].x, shape.corners[0].y


def begun(contour: Contour, near: Point) -> Contour:
    """The path begun at its corner nearest to where the tool is; a circle as it is."""
    shape = contour.shape
    if not isinstance(shape, ClosedPath):
        return contour
    corners = shape.corners
    n = min(range(len(corners)), key=lambda k: math.dist((corners[k].x, corners[k].y), near))
    return replace(contour, shape=replace(shape, corners=corners[n:] + corners[:n]))


def _nearest(group: Sequence[Contour], start: Point) -> list[Contour]:
    left, made, at = list(group), [], start
    while left:
        n = min(range(len(left)), key=lambda k: math.dist(at, entry(left[k])))
        made.append(left.pop(n))
        at = entry(made[-1])
    return made


def _improved(group: list[Contour], start: Point) -> list[Contour]:
    """2-opt on the open way that begins at ``start``: runs are turned round while that helps."""
    count = len(group)
    if not 2 < count <= MOST_IMPROVED:
        return group
    spots = [start, *(entry(contour) for contour in group)]
    far = [[math.dist(a, b) for b in spots] for a in spots]
    way = list(range(count + 1))
    for _ in range(ROUNDS):
        better = False
        for i in range(1, count):
            for j in range(i + 1, count + 1):
                before, first, last = way[i - 1], way[i], way[j]
                gain = far[before][first] - far[before][last]
                if j < count:
                    gain += far[last][way[j + 1]] - far[first][way[j + 1]]
                if gain > GAIN:
                    way[i : j + 1] = way[i : j + 1][::-1]
                    better = True
        if not better:
            break
    return [group[n - 1] for n in way[1:]]


def duration(
    order: Ordered, speed: float, idle_speed: float | None = None, pierce_time: float = 0.0
) -> float:
    """Time of the cut [s] at ``speed`` and ``idle_speed`` [mm/s], ``pierce_time`` [s] an entry.

    Without ``idle_speed`` the way between cuts takes no time. Accelerations are left out: a real
    machine is slower in corners.
    """
    slow = [v for v in (speed, idle_speed) if v is not None and not (math.isfinite(v) and v > 0.0)]
    if slow:
        raise ValueRefused("the speed cannot be taken", typed=f"{slow[0]:g} mm/s",
                           accepted="more than 0 mm/s")  # fmt: skip
    if not (math.isfinite(pierce_time) and pierce_time >= 0.0):
        raise ValueRefused("the time to pierce cannot be taken", typed=f"{pierce_time:g} s",
                           accepted="0 s or more")  # fmt: skip
    idle = 0.0 if idle_speed is None else order.idle / idle_speed
    return order.cut / speed + idle + order.pierces * pierce_time
