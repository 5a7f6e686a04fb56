"""Parts on a sheet: all of them, apart, inside, the same each time."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from shapely.geometry import Polygon

from keyturn.errors import ValueRefused
from keyturn.making import cutting, nest, readback
from keyturn.making.contours import outline_points
from keyturn.making.edit import rectangle
from keyturn.making.shape import ClosedPath, Corner, Hole, Outline

# an invented flange of the usual size: 320 x 140 mm, four ports
FLANGE = Outline(
    outer=rectangle(0, 0, 320, 140, 18),
    holes=tuple(Hole(x, y, 7.2) for x in (-148, -74, 0, 74, 148) for y in (-58, 58)),
    ports=tuple(rectangle(x, 0, 50, 76, 20) for x in (-105, -35, 35, 105)),
    name="flange",
)
ELL = Outline(ClosedPath((Corner(0, 0), Corner(120, 0), Corner(120, 40), Corner(40, 40),
                          Corner(40, 90), Corner(0, 90))), name="ell")  # fmt: skip


def check(made: nest.Nested, sheet: tuple[float, float], gap: float) -> None:
    """By polygons of our own making, not by the raster and not by the module's own check."""
    shapes = [Polygon(outline_points(part.outer, 0.001)) for part in made.parts]
    for n, shape in enumerate(shapes):
        left, bottom, right, top = shape.bounds
        # the margin is kept by a polygon that may miss an arc by 0.005 mm
        assert min(left, bottom) >= gap - 0.005
        assert right <= sheet[0] - gap + 0.005 and top <= sheet[1] - gap + 0.005
        for other in shapes[n + 1 :]:
            assert shape.distance(other) >= gap - 1e-6


@pytest.mark.parametrize(("copies", "sheet"), [(3, (500.0, 330.0)), (4, (600.0, 400.0))])
def test_the_flange_lies_three_and_four_times(copies: int, sheet: tuple[float, float]) -> None:
    """Three of 140 mm side by side need 3 x 140 + 4 x 3 = 432 mm of 500 and 326 of 330, four need
    575 of 600: it can be done, though not by laying each along the long side."""
    made = nest.nest([FLANGE] * copies, sheet)
    assert len(made.parts) == copies
    check(made, sheet, 3.0)
    assert made.smallest_gap >= 3.0


def test_what_lies_there_is_what_was_given() -> None:
    made = nest.nest([FLANGE] * 3, (500.0, 330.0))
    for part in made.parts:
        a = Polygon(outline_points(part.outer)).area
        assert a == pytest.approx(Polygon(outline_points(FLANGE.outer)).area, rel=1e-9)
        # a turn keeps the way round: not mirrored
        far = math.dist((part.holes[0].x, part.holes[0].y), (part.holes[-1].x, part.holes[-1].y))
        assert far == pytest.approx(math.hypot(296, 116), rel=1e-12)
    used = sum(
        Polygon(outline_points(p.outer), [outline_points(s) for s in (*p.holes, *p.ports)]).area
        for p in made.parts
    )
    assert made.waste == pytest.approx(1 - used / (made.used[0] * made.used[1]), abs=1e-6)


def test_hollow_parts_interlock() -> None:
    """Two ells of 120 x 90 mm in a corner that their boxes side by side would not fit."""
    made = nest.nest([ELL, ELL], (172.0, 102.0), 2.0)
    check(made, (172.0, 102.0), 2.0)


def test_the_same_twice() -> None:
    parts = [FLANGE, ELL, ELL, replace(ELL, outer=rectangle(0, 0, 60, 30, 5))]
    one, two = (nest.nest(parts, (600.0, 400.0)) for _ in range(2))
    assert one == two
    check(one, (600.0, 400.0), 3.0)


@pytest.mark.parametrize("seed", range(2))
def test_parts_of_all_sizes_keep_apart(seed: int) -> None:
    random = np.random.default_rng(seed)
    parts = []
    for n in range(9):
        wide, high = random.uniform(20, 140, 2)
        turn = float(random.uniform(0, 3))
        parts.append(Outline(rectangle(0, 0, wide, high, 0.2 * min(wide, high), turn), name=str(n)))
    gap = float(random.uniform(0.0, 6.0))
    made = nest.nest(parts, (700.0, 600.0), gap)
    check(made, (700.0, 600.0), gap)


def test_a_sheet_that_is_too_small_says_for_what() -> None:
    with pytest.raises(ValueRefused, match=r"too small for flange, which is 320.0 x 140.0 mm"):
        nest.nest([FLANGE], (300.0, 200.0))
    with pytest.raises(ValueRefused, match="too small"):
        nest.nest([FLANGE], (322.0, 142.0))  # no room for the gap around
    assert nest.nest([FLANGE], (326.1, 146.1)).used == pytest.approx((326.0, 146.0), abs=1e-3)
    with pytest.raises(ValueRefused, match="only 3 of 4"):
        nest.nest([FLANGE] * 4, (500.0, 330.0))


@pytest.mark.parametrize("sheet", [(0.0, 300.0), (-5.0, 300.0), (math.nan, 9.0), (1e6, 1e6)])
def test_a_sheet_that_is_none(sheet: tuple[float, float]) -> None:
    with pytest.raises(ValueRefused, match="sheet cannot be taken"):
        nest.nest([FLANGE], sheet)


@pytest.mark.parametrize("gap", [-1.0, math.nan, 1e5])
def test_a_gap_that_is_none(gap: float) -> None:
    with pytest.raises(ValueRefused, match="gap"):
        nest.nest([FLANGE], (500.0, 330.0), gap)


def test_nothing_and_too_much() -> None:
    with pytest.raises(ValueRefused, match="nothing"):
        nest.nest([], (100.0, 100.0))
    with pytest.raises(ValueRefused, match="too many"):
        nest.nest([ELL] * 61, (1000.0, 1000.0))


def test_a_whole_job_is_read_back_and_the_gap_is_between_the_cuts() -> None:
    made = cutting.job([FLANGE], kerf=0.4, copies=3, sheet=(500, 330))
    assert made.nested is not None
    check(made.nested, (500.0, 330.0), 3.0)
    assert readback.checked_dxf(made.cutting) and readback.checked_svg(made.cutting)
    # parts as they will be are half a kerf inside of the cuts
    cut = Polygon(outline_points(made.nested.parts[0].outer, 0.001))
    part = Polygon(outline_points(made.parts[0].outer, 0.001))
    assert cut.contains(part)
    assert part.exterior.distance(cut.exterior) == pytest.approx(0.2, abs=0.005)
