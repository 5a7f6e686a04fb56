"""Odd outlines and odd changes: nearly degenerate, out of range, of the wrong kind.

Whatever is done with them ends in a result or in a KeyturnError; nothing else may come out.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

from hypothesis import strategies as st

from keyturn.errors import KeyturnError
from keyturn.making import cutting, nest, proof, readback, split
from keyturn.making.ear import eared
from keyturn.making.edit import (
    Allowances,
    allowed,
    mirrored,
    prepare,
    rectangle,
    slotted,
)
from keyturn.making.joint import judge
from keyturn.making.joint_given import Joint
from keyturn.making.outline_file import to_text
from keyturn.making.shape import ClosedPath, Corner, Hole, Outline
from keyturn.tasks.gasket_edit import ACTS

# distances at which things touch, nearly touch, or are one
TINY = st.sampled_from((0.0, 0.0, 0.0, 1e-12, -1e-12, 1e-8, 1e-7, -1e-7, 3e-7, 1e-5, -1e-5, 1e-3,
                        -1e-3, 0.02, -0.02))  # fmt: skip
PLACES = st.sampled_from((-60.0, -50.0, -45.0, -30.0, -20.0, -10.0, -3.0, 0.0, 3.0, 10.0, 20.0,
                          26.7, 30.0, 45.0, 50.0, 60.0))  # fmt: skip
BULGES = st.sampled_from((0.0, 0.0, 0.0, 1e-12, 1e-9, 1.1e-9, -1e-8, 1e-5, 0.2, -0.2, 0.41421356,
                          -0.41421356, 1.0, -1.0, 1.0000001, 3.0, -3.0, 40.0, 999.0, -1e3,
                          4999.0))  # fmt: skip
DIAMETERS = st.sampled_from((0.1, 0.100001, 3.0, 6.6, 6.6, 6.6, 12.0, 40.0, 500.0))
ROLES = st.sampled_from(("bolt", "dowel", "passage"))
WRONG = st.sampled_from((None, True, "", "x", -1, 10**30, [], {}, 1e308, float("nan"), 5001.0,
                         "é" * 300))  # fmt: skip


def now_and_then(draw: st.DrawFn, one_in: int) -> bool:
    return draw(st.integers(1, one_in)) == one_in


@st.composite
def near(draw: st.DrawFn) -> float:
    """A usual place, or one off it by next to nothing."""
    return draw(PLACES) + draw(TINY)


@st.composite
def rectangles(draw: st.DrawFn) -> dict[str, float]:
    width, height = (draw(st.sampled_from((0.1, 2.0, 20.0, 40.0, 100.0))) for _ in range(2))
    radius = draw(st.sampled_from((0.0, 1e-9, 1e-7, 1.0, min(width, height) / 2.0)))
    return {"x": draw(near()), "y": draw(near()), "width": width, "height": height,
            "radius": abs(radius + draw(TINY)), "turn": draw(st.sampled_from((0.0, 30.0, 90.0)))
            }  # fmt: skip


@st.composite
def paths(draw: st.DrawFn, half: float = 50.0) -> tuple[Corner, ...]:
    """A rectangle about the origin with some corners doubled, moved a little, or bent."""
    x, y = half, 0.6 * half
    corners = []
    for px, py in ((-x, -y), (x, -y), (x, y), (-x, y)):
        bulge = draw(BULGES) if now_and_then(draw, 5) else 0.0
        corners.append(Corner(px + draw(TINY), py + draw(TINY), bulge))
        if now_and_then(draw, 8):  # a tiny piece, or one of no length
            corners.append(Corner(px + draw(TINY), py + draw(TINY), draw(BULGES)))
        if now_and_then(draw, 20):
            corners.append(Corner(draw(near()), draw(near()), draw(BULGES)))
    return tuple(corners)


@st.composite
def holes(draw: st.DrawFn) -> Hole:
    name = draw(st.sampled_from(("", "hole 1", "hole 2", "edge")))
    return Hole(draw(near()), 0.6 * draw(near()), draw(DIAMETERS), draw(ROLES), name,
                open_to_edge=now_and_then(draw, 5))  # fmt: skip


@st.composite
def parts(draw: st.DrawFn) -> Outline:
    """As it stands in a file, which may be one that is refused."""
    halves = draw(st.lists(st.sampled_from((0.1, 5.0, 20.0, 20.0, 49.999)), max_size=2))
    ports = [ClosedPath(draw(paths(half)), f"port {n}") for n, half in enumerate(halves, 1)]
    return Outline(
        ClosedPath(draw(paths()), "outer"), tuple(draw(st.lists(holes(), max_size=7))),
        tuple(ports), "odd", draw(st.sampled_from((None, 0.05, 1.5, 20.0))),
    )  # fmt: skip


PLAIN = ((-45.0, -25.0), (0.0, -25.0), (45.0, -25.0), (45.0, 25.0), (0.0, 25.0), (-45.0, 25.0))
# on a corner, on the edge, touching it, touching the port, on another hole
ODD = ((50.0, 30.0), (50.0, 0.0), (46.7, 0.0), (0.0, 26.7), (12.3, 0.0), (45.0, 25.0), (20.0, 30.1))


@st.composite
def good_parts(draw: st.DrawFn) -> Outline:
    """A plate that can be cut, but for one or two openings at odd places."""
    corners = tuple(Corner(x, y, draw(st.sampled_from((0.0, 0.0, 0.0, 0.1, -0.02, 1e-9))))
                    for x, y in ((-50, -30), (50, -30), (50, 30), (-50, 30)))  # fmt: skip
    spots = [*draw(st.lists(st.sampled_from(PLAIN), min_size=2, unique=True)),
             *draw(st.lists(st.sampled_from(ODD), max_size=2))]  # fmt: skip
    made = tuple(Hole(x + draw(TINY), y + draw(TINY), 6.6, draw(ROLES), f"hole {n}",
                      open_to_edge=now_and_then(draw, 9))
                 for n, (x, y) in enumerate(spots, 1))  # fmt: skip
    radius = draw(st.sampled_from((0.0, 1e-7, 3.0, 9.0)))
    ports = draw(st.sampled_from(((), *[(rectangle(0.0, 0.0, 18.0, high, radius),)
                                        for high in (18.0, 18.0000001, 60.0)])))  # fmt: skip
    return Outline(ClosedPath(corners), made, ports, "good", 1.5)


@st.composite
def texts(draw: st.DrawFn) -> str:
    """An outline file, one line of it spoiled now and then."""
    lines = to_text(draw(parts())).splitlines()
    if now_and_then(draw, 3):
        row = draw(rectangles())
        lines += ["[[port]]", "rectangle = {" + ", ".join(f"{k} = {v}" for k, v in row.items())
                  + "}"]  # fmt: skip
    if now_and_then(draw, 6):
        n = draw(st.integers(0, len(lines) - 1))
        key = lines[n].partition("=")[0]
        spoiled = ("", key, f"{key}= nan", f"{key}= inf", f"{key}= -1e308", f"{key}= []",
                   f"{key}= true", f'{key}= "é"', f"{key}= {{}}", lines[n] * 2, "[outer]",
                   "[[hole]]", "\x00", "]" * 50)  # fmt: skip
        lines[n] = draw(st.sampled_from(spoiled))
    return "\n".join(lines)


@st.composite
def wishes(draw: st.DrawFn) -> dict[str, Any]:
    """One change as a page or a terminal may send it."""
    wish: dict[str, Any] = {
        "do": draw(st.sampled_from((*ACTS, "nothing"))),
        "index": draw(st.sampled_from((None, 0, 0, 1, 2, 6, -1))),
        "corner": draw(st.sampled_from((0, 1, 2, 3, 7, -1))), "x": draw(near()), "y": draw(near()),
        "bulge": draw(BULGES), "diameter": draw(DIAMETERS), "name": draw(
            st.sampled_from(("hole 1", "hole 2", "hole 3", "", "port 1", "é\n\"'"))),
        "land": draw(st.sampled_from((0.5, 3.0, 12.0, 50.0, 50.1, 1e-9))),
        "by": draw(st.sampled_from((0.0, 1e-9, 0.2, -0.2, 1.0, -3.0, 9.0, -9.0, 20.0, 21.0))),
        "role": draw(ROLES), "open_to_edge": draw(st.booleans()), "thickness": draw(
            st.sampled_from((0.0, 0.05, 1.5, 20.0, 21.0))), **draw(rectangles()),
    }  # fmt: skip
    for key in draw(st.lists(st.sampled_from(sorted(wish)), max_size=4, unique=True)):
        del wish[key]
        if now_and_then(draw, 4):
            wish[key] = draw(WRONG)
    return wish


def _named(part: Outline) -> str:
    """The last hole: of `good_parts` the odd one."""
    return part.holes[-1].name or f"hole {len(part.holes)}" if part.holes else "hole 1"


def _bolted(part: Outline) -> Outline:
    return replace(part, holes=tuple(replace(hole, diameter=6.6) for hole in part.holes))


def _cut(part: Outline, kerf: float, sheet: tuple[float, float] | None) -> None:
    made = cutting.job([prepare(part).outline], kerf=kerf, sheet=sheet)
    readback.checked_dxf(made.cutting)
    readback.checked_svg(made.cutting)


FOLLOWS: Mapping[str, Callable[[Outline], object]] = {
    "ear": lambda part: eared(part, _named(part), Allowances(edge=5.0)),
    "slot": lambda part: _cut(slotted(part, _named(part)), 0.0, None),
    "lands": allowed,
    "mirror": lambda part: allowed(mirrored(part), Allowances(port=3.0, outer=2.0)),
    "cut": lambda part: _cut(part, 0.0, None),
    "cut as it is": lambda part: cutting.job([part], kerf=0.3),
    "kerf": lambda part: _cut(part, 0.3, None),
    "sheet": lambda part: _cut(part, 0.1, (300.0, 200.0)),
    "nest": lambda part: nest.nest([part] * 3, (500.0, 330.0)),
    "split": lambda part: split.split(part),
    "proof": lambda part: proof.confirm(part, [w.value * 1.001 for w in proof.wanted(part)]),
    "joint": lambda part: judge(Joint(_bolted(part), "cork-nbr-70", "M6", torque=5.0, boost=60e3),
                                samples=8),
}  # fmt: skip


def outcome(act: Callable[..., object], *given: object) -> str:
    """ "done" or "refused"; every other exception is the failure."""
    try:
        act(*given)
    except KeyturnError:
        return "refused"
    return "done"
