"""The sheet that carries both strips and two check lines, set with typst at 1:1."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from keyturn.errors import Place, ValueRefused
from keyturn.making.board import SPEC, Spec
from keyturn.typeset import typeset

PAPERS = {"a4": ("A4", 297.0, 210.0), "letter": ("US Letter", 279.4, 215.9)}  # lying [mm]
TOP, GAP = 22.0, 8.0  # [mm] above the first strip, between the strips
SIDE = 7.0  # [mm] from the strips to the check line beside them
BELOW = 7.0  # [mm] from the strips to the check line below them
Box = tuple[float, float, float, float]  # x, y, width, height [mm], y down


def white_boxes(modules: NDArray[np.bool_], module: float) -> list[Box]:
    """White runs of a marker, along rows and along columns.

    Both, so that two white modules that touch are always covered by one box and no hair line of
    the black below shows between them.
    """
    boxes: list[Box] = []
    for turned in (False, True):
        for n, line in enumerate(modules.T if turned else modules):
            edges = np.flatnonzero(np.diff(np.concatenate([[0], line.astype(int), [0]])))
            for first, last in zip(edges[0::2], edges[1::2], strict=True):
                x, y, run = float(first) * module, n * module, float(last - first) * module
                boxes.append((y, x, module, run) if turned else (x, y, run, module))
    return boxes


def strip_boxes(spec: Spec, strip: int) -> tuple[list[Box], list[Box]]:
    """Black boxes of a strip, then the white ones that go on top of them."""
    black: list[Box] = []
    white: list[Box] = []
    inset, module = (spec.square - spec.marker) / 2.0, spec.marker / 6.0
    number = strip * spec.markers
    for row in range(spec.rows):
        for column in range(spec.columns):
            x, y = column * spec.square, row * spec.square
            if (row + column) % 2 == 0:
                black.append((x, y, spec.square, spec.square))
                continue
            x, y = x + inset, y + inset
            black.append((x, y, spec.marker, spec.marker))
            inner = white_boxes(spec.modules(number), module)
            white += [(x + a, y + b, w, h) for a, b, w, h in inner]
            number += 1
    return black, white


def sheet_data(paper: str, spec: Spec) -> dict[str, Any]:
    """Everything the template places [mm], y down from the upper edge of the paper."""
    name, width, height = PAPERS[paper]
    left = (width - spec.width - SIDE) / 2.0
    tops = [TOP + n * (spec.height + GAP) for n in range(spec.strips)]
    foot = tops[-1] + spec.height
    return {
        "paper": {"name": name, "width": width, "height": height},
        "left": left,
        "strips": [
            {
                "name": "AB"[n],
                "top": top,
                "boxes": dict(zip(("black", "white"), strip_boxes(spec, n), strict=True)),
            }
            for n, top in enumerate(tops)
        ],
        "size": {"width": spec.width, "height": spec.height},
        "along": {"x": left, "y": foot + BELOW, "length": spec.check_x},
        "across": {"x": left + spec.width + SIDE, "y": 12.0, "length": spec.check_y},
    }


def pdf(paper: str = "a4", spec: Spec = SPEC) -> bytes:
    """The sheet as a PDF; the same board gives the same bytes."""
    paper = paper.strip().lower()
    if paper not in PAPERS:
        raise ValueRefused(
            "unknown paper", Place(key="paper"), typed=paper, accepted=" or ".join(PAPERS)
        )
    return typeset("making/board.typ", sheet_data(paper, spec))
