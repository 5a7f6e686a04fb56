"""Changes to an outline, one at a time: holes, corners, ports; the same for pages and terminal."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

from keyturn.errors import Place, ValueRefused
from keyturn.making.ear import eared
from keyturn.making.edit import Allowances, mirrored, rectangle, slotted, snapped
from keyturn.making.land import LEAST_EDGE
from keyturn.making.offset import offset
from keyturn.making.outline_file import from_text, to_text
from keyturn.making.shape import ClosedPath, Corner, Hole, Outline
from keyturn.tasks.fields import millimetres

Change = Mapping[str, Any]
BY_HAND = "typed"
HOLE_NUMBERS = ("x", "y", "diameter")
HOLE_KEYS = (*HOLE_NUMBERS, "role", "name", "open_to_edge")


def change(part: Outline, wish: Change) -> Outline:
    """The part after one change; refused where the result is no part.

    ``wish["do"]`` is one of: hole, add-hole, remove-hole, slot, ear, corner, move, grow,
    port, remove-port, mirror, snap, name, thickness.
    """
    act = ACTS.get(str(wish.get("do")))
    if act is None:
        raise ValueRefused("that cannot be done to an outline", typed=str(wish.get("do"))[:40],
                           accepted=", ".join(ACTS))  # fmt: skip
    made = act(part, wish)
    # read back as the file will be: every rule of the file holds for the change as well
    return from_text(to_text(made))


def _number(wish: Change, key: str, default: float | None = None) -> float:
    value = wish.get(key, default)
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        raise ValueRefused("is no number", Place(key=key), None if value is None else str(value),
                           "millimetres")  # fmt: skip
    return float(value)


def _index(wish: Change, count: int, what: str) -> int:
    value = wish.get("index")
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value < count:
        raise ValueRefused(f"there is no such {what}", Place(key="index"), str(value),
                           f"0 to {count - 1}" if count else f"there is no {what}")  # fmt: skip
    return value


def _hole(part: Outline, wish: Change) -> Outline:
    """New numbers of a hole; what was moved by hand is no longer as sure as it was traced."""
    n = _index(wish, len(part.holes), "hole")
    old = part.holes[n]
    said: dict[str, Any] = {key: _number(wish, key) for key in HOLE_NUMBERS if key in wish}
    moved = any(abs(said.get(key, getattr(old, key)) - getattr(old, key)) > 1e-9
                for key in ("x", "y"))  # fmt: skip
    sized = abs(said.get("diameter", old.diameter) - old.diameter) > 1e-9
    said |= {key: wish[key] for key in ("role", "name", "open_to_edge") if key in wish}
    if moved:
        said["centre_uncertainty"] = None
    if sized:
        said["diameter_uncertainty"] = None
    if moved or sized:
        said["source"] = BY_HAND
    return _with_hole(part, n, replace(old, **said))


def _with_hole(part: Outline, n: int, hole: Hole) -> Outline:
    return replace(part, holes=(*part.holes[:n], hole, *part.holes[n + 1 :]))


def _add_hole(part: Outline, wish: Change) -> Outline:
    taken = {hole.name for hole in part.holes}
    number = next(n for n in range(1, len(taken) + 2) if f"hole {n}" not in taken)
    x, y, diameter = (_number(wish, key) for key in HOLE_NUMBERS)
    name = str(wish.get("name") or f"hole {number}")
    hole = Hole(x, y, diameter, wish.get("role", "bolt"), name, source=BY_HAND)
    return replace(part, holes=(*part.holes, hole))


def _remove_hole(part: Outline, wish: Change) -> Outline:
    n = _index(wish, len(part.holes), "hole")
    return replace(part, holes=part.holes[:n] + part.holes[n + 1 :])


def _slot(part: Outline, wish: Change) -> Outline:
    return slotted(part, str(wish.get("name", "")))


def _ear(part: Outline, wish: Change) -> Outline:
    least = _number(wish, "land", LEAST_EDGE)
    if not 0.5 <= least <= 50.0:
        raise ValueRefused("that is no land around a hole", Place(key="land"), f"{least:g} mm",
                           "0.5 to 50 mm")  # fmt: skip
    return eared(part, str(wish.get("name", "")), Allowances(edge=least))


def _on_path(part: Outline, wish: Change, act: Callable[[ClosedPath], ClosedPath]) -> Outline:
    """The part with one of its paths changed: the outer one, or the port of that index."""
    if wish.get("index") is None:
        return replace(part, outer=act(part.outer))
    n = _index(wish, len(part.ports), "port")
    return replace(part, ports=(*part.ports[:n], act(part.ports[n]), *part.ports[n + 1 :]))


def _corner(part: Outline, wish: Change) -> Outline:
    def act(path: ClosedPath) -> ClosedPath:
        k = wish.get("corner")
        if isinstance(k, bool) or not isinstance(k, int) or not 0 <= k < len(path.corners):
            raise ValueRefused("there is no such corner", Place(key="corner"), str(k),
                               f"0 to {len(path.corners) - 1}")  # fmt: skip
        old = path.corners[k]
        made = Corner(_number(wish, "x", old.x), _number(wish, "y", old.y),
                      _number(wish, "bulge", old.bulge))  # fmt: skip
        corners = (*path.corners[:k], made, *path.corners[k + 1 :])
        return replace(path, corners=corners, uncertainty=None, source=BY_HAND)

    return _on_path(part, wish, act)


def _move(part: Outline, wish: Change) -> Outline:
    dx, dy = _number(wish, "x"), _number(wish, "y")
    return _on_path(part, wish, lambda path: replace(
        path, corners=tuple(Corner(c.x + dx, c.y + dy, c.bulge) for c in path.corners),
        uncertainty=None, source=BY_HAND,
    ))  # fmt: skip


def _grow(part: Outline, wish: Change) -> Outline:
    by = _number(wish, "by")
    if abs(by) > 20.0:
        raise ValueRefused("that is too much at once", Place(key="by"), f"{by:g} mm",
                           "-20 to 20 mm")  # fmt: skip
    return _on_path(part, wish, lambda path: replace(
        offset(path, by).path, name=path.name, uncertainty=None, source=BY_HAND
    ))  # fmt: skip


def _port(part: Outline, wish: Change) -> Outline:
    """A rectangle with corner radii in the place of a port, or a new one without an index."""
    x, y, width, height = (_number(wish, key) for key in ("x", "y", "width", "height"))
    turn = math.radians(_number(wish, "turn", 0.0))
    made = replace(rectangle(x, y, width, height, _number(wish, "radius", 0.0), turn),
                   source=BY_HAND)  # fmt: skip
    if wish.get("index") is None:
        named = replace(made, name=f"port {len(part.ports) + 1}")
        return replace(part, ports=(*part.ports, named))
    return _on_path(part, wish, lambda path: replace(made, name=path.name))


def _remove_port(part: Outline, wish: Change) -> Outline:
    n = _index(wish, len(part.ports), "port")
    return replace(part, ports=part.ports[:n] + part.ports[n + 1 :])


def _mirror(part: Outline, wish: Change) -> Outline:
    del wish
    return mirrored(part)


def _snap(part: Outline, wish: Change) -> Outline:
    del wish
    holes, notes = snapped(part.holes)
    return replace(part, holes=holes, notes=tuple(dict.fromkeys((*part.notes, *notes))))


def _name(part: Outline, wish: Change) -> Outline:
    return replace(part, name=str(wish.get("name", ""))[:60])


def _thickness(part: Outline, wish: Change) -> Outline:
    return replace(part, thickness=_number(wish, "thickness"))


ACTS: Mapping[str, Callable[[Outline, Change], Outline]] = {
    "hole": _hole, "add-hole": _add_hole, "remove-hole": _remove_hole, "slot": _slot,
    "ear": _ear,
    "corner": _corner, "move": _move, "grow": _grow, "port": _port, "remove-port": _remove_port,
    "mirror": _mirror, "snap": _snap, "name": _name, "thickness": _thickness,
}  # fmt: skip


def typed(text: str) -> dict[str, Any]:
    """A change as the terminal takes it: ``hole.3.diameter=6.6``, ``port.1.grow=0.2``."""
    key, sign, value = (part.strip() for part in text.partition("="))
    words = key.split(".")
    refusal = ValueRefused(
        "the change cannot be read", Place(key="change"), text,
        "hole.3.x=12.4, hole.3.diameter=6.6, hole.3.role=dowel, port.1.grow=0.2, outer.grow=0.3,"
        " thickness=1.5 or name=plenum",
    )  # fmt: skip
    if not sign or not value:
        raise refusal
    if words in (["name"], ["thickness"]):
        return {"do": key, key: value if key == "name" else _float(value, refusal)}
    if words == ["outer", "grow"]:
        return {"do": "grow", "index": None, "by": _float(value, refusal)}
    if len(words) != 3 or not words[1].isdecimal():
        raise refusal
    what, number, field = words[0], int(words[1]) - 1, words[2]
    if what == "port" and field == "grow":
        return {"do": "grow", "index": number, "by": _float(value, refusal)}
    if what != "hole" or field not in HOLE_KEYS:
        raise refusal
    if field in HOLE_NUMBERS:
        return {"do": "hole", "index": number, field: _float(value, refusal)}
    said: object = value in ("true", "yes") if field == "open_to_edge" else value
    return {"do": "hole", "index": number, field: said}


def _float(text: str, refusal: ValueRefused) -> float:
    if not text.strip()[:1].isdigit() and text.strip()[:1] not in "+-.":
        raise refusal
    return millimetres(text, refusal.place.key or "")
