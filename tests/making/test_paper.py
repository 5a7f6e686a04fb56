"""The paper proof: pages rasterised by another program (PDFium) and measured in the picture."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pypdfium2
import pytest
from numpy.typing import NDArray

from keyturn.errors import CannotSolve, ValueRefused
from keyturn.making import paper, pdf_paths
from keyturn.making.edit import prepare, rectangle
from keyturn.making.shape import ClosedPath, Corner, Hole, Outline

DPI = 300.0
CELL = 25.4 / DPI  # [mm] of a pixel
# an invented flange of the usual size
FLANGE = Outline(
    outer=rectangle(160, 70, 320, 140, 18),
    holes=tuple(Hole(x, y, 6.6) for y in (12, 128) for x in (12, 86, 160, 234, 308)),
    ports=tuple(rectangle(x, 70, 50, 76, 20) for x in (55, 125, 195, 265)),
    name="flange", thickness=1.5,
)  # fmt: skip
Picture = NDArray[np.float64]


@cache
def pages(kind: str) -> tuple[Picture, ...]:
    """Darkness of every page, 0 to 1."""
    document = pypdfium2.PdfDocument(paper.proof(FLANGE, kind, prepare(FLANGE).outline))
    made = []
    for page in document:
        grey = np.asarray(page.render(scale=DPI / 72.0, grayscale=True).to_numpy(), np.float64)
        made.append(1.0 - grey.reshape(grey.shape[:2]) / 255.0)
    return tuple(made)


def ticks(line: Picture) -> Picture:
    """Middles of dark runs along a line [mm]."""
    dark = line > 0.15 * line.max()
    edges = np.flatnonzero(np.diff(np.concatenate([[0], dark.astype(int), [0]])))
    return np.array([
        float(np.average(np.arange(a, b) + 0.5, weights=line[a:b])) * CELL
        for a, b in zip(edges[::2], edges[1::2], strict=True)
    ])  # fmt: skip


@pytest.mark.parametrize("kind", ["a4", "letter"])
def test_the_page_has_the_size_of_the_paper(kind: str) -> None:
    """ISO 216 and ANSI/ASME Y14.1."""
    size = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}[kind]
    for picture in pages(kind):
        # PDFium rounds a page up to whole pixels
        assert picture.shape[1] * CELL == pytest.approx(size[0], abs=1.01 * CELL)
        assert picture.shape[0] * CELL == pytest.approx(size[1], abs=1.01 * CELL)


@pytest.mark.parametrize("kind", ["a4", "letter"])
@pytest.mark.parametrize("sheet", [1, 2])
def test_rulers_measure_right_along_both_axes(kind: str, sheet: int) -> None:
    """Only the strokes of whole centimetres reach 4.5 mm from the window."""
    picture = pages(kind)[sheet]
    plan = paper.layout(320.0, 140.0, kind)
    wide, high = plan.window
    row = round((paper.TOP + high + 1.0 + 4.5) / CELL)
    found = ticks(picture[row - 1 : row + 2].mean(axis=0))
    tile = plan.tiles[sheet - 1]
    values = [v for v in range(tile.left, tile.left + int(wide) + 1) if v % 10 == 0]
    wanted = [paper.LEFT + v - tile.left for v in values]
    assert found == pytest.approx(wanted, abs=0.1)
    assert found[-1] - found[0] == pytest.approx(values[-1] - values[0], abs=0.1)
    column = round((paper.LEFT - 1.0 - 4.5) / CELL)
    found = ticks(picture[:, column - 1 : column + 2].mean(axis=1))
    values = [v for v in range(tile.bottom, tile.bottom + int(high) + 1) if v % 10 == 0]
    wanted = [paper.TOP + high - (v - tile.bottom) for v in values[::-1]]
    assert found == pytest.approx(wanted, abs=0.1)


@pytest.mark.parametrize("kind", ["a4", "letter"])
def test_check_lines_are_as_long_as_they_say(kind: str) -> None:
    picture = pages(kind)[0]
    height = paper.PAPERS[kind][1]
    x, y = paper.CHECK_AT[0], height - paper.CHECK_AT[1]
    # strokes cross the line a little above it, where nothing else is
    row = round((y - 1.5) / CELL)
    found = ticks(picture[row - 1 : row + 2].mean(axis=0))
    assert found[-1] - found[0] == pytest.approx(paper.CHECK_X, abs=0.1)
    column = round((x + 1.5) / CELL)
    found = ticks(picture[:, column - 1 : column + 2].mean(axis=1))
    assert found[-1] - found[0] == pytest.approx(paper.CHECK_Y, abs=0.1)


def circle_in(picture: Picture, x: float, y: float, diameter: float) -> tuple[float, float, float]:
    """Least-squares circle (Kasa) through the dark pixels near where it should be [mm]."""
    rows, columns = np.nonzero(picture > 0.3)
    px, py = (columns + 0.5) * CELL, (rows + 0.5) * CELL
    near = np.abs(np.hypot(px - x, py - y) - diameter / 2) < 0.5
    px, py, weight = px[near], py[near], picture[rows[near], columns[near]]
    a = np.stack([2 * px, 2 * py, np.ones_like(px)], axis=1) * weight[:, None]
    cx, cy, c = np.linalg.lstsq(a, (px**2 + py**2) * weight, rcond=None)[0]
    return float(cx), float(cy), 2 * math.sqrt(float(c + cx**2 + cy**2))


def test_holes_are_where_they_belong_on_their_sheets() -> None:
    plan = paper.layout(320.0, 140.0)
    high, seen = plan.window[1], 0
    for picture, tile in zip(pages("a4")[1:], plan.tiles, strict=True):
        for hole in FLANGE.holes:
            x = paper.LEFT + hole.x - tile.left
            y = paper.TOP + high - (hole.y - tile.bottom)
            if not paper.LEFT + 5 < x < paper.LEFT + plan.window[0] - 5:
                continue
            # 6.6 mm and the usual 0.6 mm of clearance
            cx, cy, diameter = circle_in(picture, x, y, 7.2)
            assert math.hypot(cx - x, cy - y) < 0.05
            assert diameter == pytest.approx(7.2, abs=0.1)
            seen += 1
    assert seen == 10


def test_small_parts_take_one_sheet_and_large_ones_overlap() -> None:
    assert len(paper.layout(170.0, 240.0).tiles) == 1
    plan = paper.layout(400.0, 500.0)
    # 10 + 3 x (184 - 10) mm hold 404, 10 + 2 x (261 - 10) mm hold 504
    assert (plan.columns, plan.rows) == (3, 2)
    for a, b in zip(plan.tiles, plan.tiles[1:], strict=False):
        if a.row == b.row:
            assert a.left + plan.window[0] - b.left == pytest.approx(paper.OVERLAP)
    last = plan.tiles[-1]
    assert last.left + plan.window[0] >= 400.0
    assert last.bottom + plan.window[1] >= 500.0
    # the next smaller count would not do
    assert (plan.columns - 1) * (plan.window[0] - paper.OVERLAP) + paper.OVERLAP < 404.0


def test_the_same_part_gives_the_same_bytes() -> None:
    assert paper.proof(FLANGE) == paper.proof(FLANGE)


def test_words_of_the_part_are_shown_and_never_run() -> None:
    odd = replace(FLANGE, name='#panic("x") ] \\ $ \x00 \u202e' + "y" * 500)
    assert paper.proof(odd)[:5] == b"%PDF-"


def test_a_page_that_is_not_the_part_is_an_error(monkeypatch: pytest.MonkeyPatch) -> None:
    import typst

    honest = typst.compile

    def stretched(template: bytes, **asked: object) -> object:
        # as a template that scales by a thousandth would
        return honest(template.replace(b"p.at(0) * 1mm", b"p.at(0) * 1.001mm"), **asked)

    monkeypatch.setattr(typst, "compile", stretched)
    with pytest.raises(CannotSolve, match="not the part"):
        paper.proof(FLANGE)


def test_faults_have_words() -> None:
    with pytest.raises(ValueRefused, match="no such paper"):
        paper.proof(FLANGE, "a0")
    with pytest.raises(ValueRefused, match="sheets of paper"):
        paper.proof(Outline(rectangle(0, 0, 4000, 2000, 10)))
    with pytest.raises(ValueRefused, match="no thickness"):
        paper.proof(replace(FLANGE, thickness=0.0))
    with pytest.raises(ValueRefused, match="nothing to cut"):
        paper.proof(Outline(ClosedPath((Corner(0, 0),))))
    for data in (b"", b"%PDF-1.7\n", b"<</Type/Page/MediaBox[0 0 1 1]/Contents 9 0 R>>\nendobj"):
        with pytest.raises(CannotSolve, match="PDF that was made"):
            pdf_paths.read(data)
