"""The drawn paths of a PDF in millimetres from the upper left: just enough of a reader to check.

It knows pages with one compressed content stream, as the typesetter writes them, and the operators
of paths and of the coordinate system (ISO 32000-1, 8.3 to 8.5). Anything else it refuses.
"""

from __future__ import annotations

import math
import re
import zlib
from collections.abc import Sequence
from dataclasses import dataclass

from keyturn.errors import CannotSolve

POINT = 25.4 / 72.0  # [mm]
MOST_BYTES = 50_000_000  # of one page, unpacked

Spot = tuple[float, float]
Matrix = tuple[float, float, float, float, float, float]
PAGE = re.compile(rb"<</Type/Page/(.*?)>>\s*endobj", re.S)
STRING = re.compile(rb"\((?:\\.|[^\\()])*\)", re.S)
TOKEN = re.compile(rb"/[^\s/\[\]<>()]+|[-+]?\d*\.?\d+|[A-Za-z][A-Za-z0-9*]*|[\[\]]|<<|>>")
PATH_POINTS = {b"m": 1, b"l": 1, b"c": 3}
ENDS = (b"S", b"s", b"f", b"F", b"f*", b"B", b"B*", b"b", b"b*", b"n")


@dataclass(frozen=True)
class Page:
    size: Spot  # [mm]
    paths: tuple[tuple[Spot, ...], ...]  # [mm] points and handles in order, y downwards

    def apart(self, wanted: Sequence[Spot]) -> float:
        """How far the nearest path of as many points is from the wanted one [mm]."""
        best = math.inf
        for path in self.paths:
            if len(path) == len(wanted):
                worst = 0.0
                for a, b in zip(path, wanted, strict=True):
                    worst = max(worst, math.dist(a, b))
                    if worst >= best:
                        break
                best = min(best, worst)
        return best


def read(data: bytes) -> list[Page]:
    """Size and paths of every page.

    Raises
    ------
    CannotSolve
        The file is not built as expected, so that it cannot be checked.
    """
    pages = []
    for found in PAGE.finditer(data):
        box = re.search(rb"/MediaBox\[([^\]]*)\]", found[1])
        content = re.search(rb"/Contents (\d+) 0 R", found[1])
        stream = content and re.search(
            rb"\b" + content[1] + rb" 0 obj\s*<<[^>]*/FlateDecode>>\s*stream\r?\n", data
        )
        if not box or not stream:
            raise CannotSolve("the PDF that was made cannot be read again")
        _, _, width, height = (float(text) * POINT for text in box[1].split())
        try:
            text = zlib.decompressobj().decompress(data[stream.end() :], MOST_BYTES)
        except zlib.error:
            raise CannotSolve("the PDF that was made cannot be read again") from None
        paths = tuple(
            tuple((x * POINT, height - y * POINT) for x, y in path) for path in _paths(text)
        )
        pages.append(Page((width, height), paths))
    if not pages:
        raise CannotSolve("the PDF that was made has no page")
    return pages


def _paths(text: bytes) -> list[list[Spot]]:
    """Paths of a content stream in points of the page, y upwards."""
    made: list[list[Spot]] = []
    path: list[list[Spot]] = []
    matrix: Matrix = (1.0, 0.0, 0.0, 1.0, 0.0, 0.0)
    kept: list[Matrix] = []
    numbers: list[float] = []
    for token in TOKEN.findall(STRING.sub(b" ", text)):
        if token[:1] in b"+-.0123456789":
            numbers.append(float(token))
            continue
        if token == b"q":
            kept.append(matrix)
        elif token == b"Q":
            matrix = kept.pop()
        elif token == b"cm":
            a, b, c, d, e, f = numbers[-6:]
            matrix = _product((a, b, c, d, e, f), matrix)
        elif token in PATH_POINTS:
            count = 2 * PATH_POINTS[token]
            xs, ys = numbers[-count::2], numbers[-count + 1 :: 2]
            points = [_moved(matrix, x, y) for x, y in zip(xs, ys, strict=True)]
            path = [*path, points] if token == b"m" else path
            if token != b"m":
                path[-1] += points
        elif token in ENDS:
            made += path
            path = []
        numbers = []
    return made


def _product(a: Matrix, b: Matrix) -> Matrix:
    """``a`` applied first, then ``b``."""
    return (
        a[0] * b[0] + a[1] * b[2], a[0] * b[1] + a[1] * b[3],
        a[2] * b[0] + a[3] * b[2], a[2] * b[1] + a[3] * b[3],
        a[4] * b[0] + a[5] * b[2] + b[4], a[4] * b[1] + a[5] * b[3] + b[5],
    )  # fmt: skip


def _moved(m: Matrix, x: float, y: float) -> Spot:
    return m[0] * x + m[2] * y + m[4], m[1] * x + m[3] * y + m[5]
