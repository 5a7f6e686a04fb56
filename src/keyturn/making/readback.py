"""Everything that was written is read again and compared; a difference is an error, not a note."""

from __future__ import annotations

import math

from keyturn.errors import CannotSolve
from keyturn.making import dxf, svg_file
from keyturn.making.contours import Contour, Cutting, quartered
from keyturn.making.shape import ClosedPath, Hole

DXF_AGREES = 1e-9  # [mm] the file holds every digit of a float
SVG_AGREES = 1e-6  # [mm] nine decimals in the file; a radius costs some of them


def checked_dxf(cutting: Cutting) -> bytes:
    """The DXF file, read again and found equal."""
    data = dxf.write(cutting)
    _hold("DXF", difference(cutting, dxf.read(data)), DXF_AGREES)
    return data


def checked_svg(cutting: Cutting) -> bytes:
    """The SVG file, read again and found equal."""
    data = svg_file.write(cutting)
    _hold("SVG", difference(cutting, svg_file.read(data)), SVG_AGREES)
    return data


def _hold(kind: str, apart: float, most: float) -> None:
    if not apart <= most:
        raise CannotSolve(
            f"the {kind} that was written is not the part that was meant; nothing is handed out",
            {"largest difference [mm]": apart},
        )


def difference(meant: Cutting, found: Cutting) -> float:
    """The largest distance between them [mm]; infinite where they are not the same things.

    Arcs are brought to quarters on both sides first, since a file may hold them in pieces.
    """
    if len(meant.contours) != len(found.contours) or len(meant.marks) != len(found.marks):
        return math.inf
    apart = [0.0]
    apart += [_apart(a, b) for a, b in zip(meant.contours, found.contours, strict=True)]
    for mark, other in zip(meant.marks, found.marks, strict=True):
        same = mark.words == other.words
        apart.append(math.dist((mark.x, mark.y), (other.x, other.y)) if same else math.inf)
    return max(apart)


def _apart(meant: Contour, found: Contour) -> float:
    a, b = meant.shape, found.shape
    if meant.layer != found.layer:
        return math.inf
    if isinstance(a, Hole) and isinstance(b, Hole):
        return max(math.dist((a.x, a.y), (b.x, b.y)), abs(a.diameter - b.diameter) / 2.0)
    if isinstance(a, ClosedPath) and isinstance(b, ClosedPath):
        return _paths_apart(quartered(a), quartered(b))
    return math.inf


def _paths_apart(a: ClosedPath, b: ClosedPath) -> float:
    """Corner from corner, and middle of arc from middle of arc."""
    if len(a.corners) != len(b.corners):
        return math.inf
    apart = 0.0
    for n, (p, q) in enumerate(zip(a.corners, b.corners, strict=True)):
        after = a.corners[(n + 1) % len(a.corners)]
        chord = math.dist((p.x, p.y), (after.x, after.y))
        apart = max(apart, math.dist((p.x, p.y), (q.x, q.y)))
        # the height of an arc over its chord is half of chord times bulge
        apart = max(apart, chord * abs(p.bulge - q.bulge) / 2.0)
    return apart
