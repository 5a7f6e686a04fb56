"""The printed board, measured on the page as another program draws it (PDFium)."""

from __future__ import annotations

import numpy as np
import pypdfium2
import pytest
from numpy.typing import NDArray

from keyturn.errors import ValueRefused
from keyturn.making import board, board_sheet
from keyturn.making.photo import Photo

DPI = 400
MM = 25.4 / DPI
# the sheet is asked to be true to 0.1 mm; a pixel of the measurement has 0.064
TOLERANCE = 0.1


@pytest.fixture(scope="module", params=["a4", "letter"])
def page(request: pytest.FixtureRequest) -> tuple[str, NDArray[np.uint8]]:
    document = pypdfium2.PdfDocument(board_sheet.pdf(request.param))
    assert len(document) == 1
    grey = document[0].render(scale=DPI / 72, grayscale=True).to_numpy()
    return request.param, np.ascontiguousarray(grey.reshape(grey.shape[:2]))


@pytest.mark.parametrize(
    ("name", "width", "height"), [("a4", 297.0, 210.0), ("letter", 279.4, 215.9)]
)
def test_paper_has_its_size(name: str, width: float, height: float) -> None:
    """ISO 216: A4 is 210 x 297 mm; ANSI/ASME Y14.1: Letter is 8.5 x 11 inches."""
    size = pypdfium2.PdfDocument(board_sheet.pdf(name))[0].get_size()
    # a point is 1/72 inch; 0.01 mm is far below what a printer can do
    assert size == pytest.approx((width / 25.4 * 72, height / 25.4 * 72), abs=0.03)


def ticks(profile: NDArray[np.float64]) -> tuple[float, float]:
    """Middles of the first and the last dark run [px]."""
    dark = np.flatnonzero(profile > 0.5)
    runs = np.split(dark, np.flatnonzero(np.diff(dark) > 1) + 1)
    return float(runs[0].mean()), float(runs[-1].mean())


@pytest.mark.parametrize("which", ["along", "across"])
def test_check_line_is_as_long_as_it_says(page: tuple[str, NDArray[np.uint8]], which: str) -> None:
    """In both directions, between the middles of the end ticks."""
    line = board_sheet.sheet_data(page[0], board.SPEC)[which]
    dark = 1.0 - page[1].astype(float) / 255.0
    x, y, length = (round(line[key] / MM) for key in ("x", "y", "length"))
    beside = round(1.2 / MM)  # where only the ticks cross
    edge = round(3.0 / MM)
    if which == "along":
        profile = dark[y - beside, x - edge : x + length + edge]
    else:
        profile = dark[y - edge : y + length + edge, x + beside]
    first, last = ticks(profile)
    nominal = {"along": 250.0, "across": 180.0}[which]
    assert (last - first) * MM == pytest.approx(nominal, abs=TOLERANCE)


def test_strips_have_their_size_and_are_found(page: tuple[str, NDArray[np.uint8]]) -> None:
    """Every corner of both strips lies where the design puts it, as the finder sees the page."""
    pixels = np.repeat(page[1][:, :, None], 3, axis=2)
    seen = board.find(Photo(pixels))
    assert [len(s.numbers) for s in seen.strips] == [64, 64]
    for strip in seen.strips:
        mm = strip.pixels * [MM, -MM]
        miss = (mm - mm.mean(0)) - (strip.nominal - strip.nominal.mean(0))
        assert float(np.abs(miss).max()) < TOLERANCE


def test_same_bytes_each_time_and_other_papers_are_refused() -> None:
    assert board_sheet.pdf("a4") == board_sheet.pdf("A4 ")
    with pytest.raises(ValueRefused, match="paper"):
        board_sheet.pdf("a3")


def test_no_marker_stands_twice() -> None:
    """All 84 markers are told apart in every turn, by at least the 3 bits this dictionary keeps.

    Distance of the 4x4_100 dictionary from memory.
    """
    spec = board.SPEC
    bits = [spec.modules(n)[1:5, 1:5] for n in range(2 * spec.markers)]
    assert len(bits) == 84
    for n, a in enumerate(bits):
        for b in bits[:n]:
            assert min(int((np.rot90(a, k) != b).sum()) for k in range(4)) >= 3
