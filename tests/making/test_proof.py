"""Three readings: known stretches are found, wrong readings are named, what is left is told."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from keyturn.errors import CannotAnswer, ValueRefused
from keyturn.making.edit import rectangle
from keyturn.making.proof import Wanted, confirm, out_of_round, printed, scaled, wanted
from keyturn.making.shape import ClosedPath, Corner, Hole, Outline, area

# an invented flange of the usual size
FLANGE = Outline(
    outer=rectangle(0, 0, 320, 140, 18),
    holes=tuple(Hole(x, y, 6.6, name=f"{'BT'[y > 0]}{n}", centre_uncertainty=0.05)
                for y in (-58, 58) for n, x in enumerate((-148, -74, 0, 74, 148), 1)),
    ports=(rectangle(0, 0, 50, 76, 20, name="P"),),
)  # fmt: skip


def stretched(rows: tuple[Wanted, ...], x: float, y: float) -> list[float]:
    """What callipers read on a part that is the outline stretched."""
    return [math.hypot(x * (r.b[0] - r.a[0]), y * (r.b[1] - r.a[1])) for r in rows]


def test_the_three_distances_are_along_across_and_both() -> None:
    along, down, both = wanted(FLANGE)
    assert (along.words[:8], down.words[:8]) == ("B1 to B5", "B1 to T1")
    # over the outsides: between the centres, and half of each diameter
    assert along.value == pytest.approx(296 + 6.6, abs=1e-12)
    assert down.value == pytest.approx(116 + 6.6, abs=1e-12)
    dx, dy = both.b[0] - both.a[0], both.b[1] - both.a[1]
    assert min(abs(dx), abs(dy)) > 40.0


def test_short_callipers_are_asked_for_short_distances() -> None:
    rows = wanted(FLANGE, 155.0)
    assert all(row.value <= 155.0 and "holes" in row.words for row in rows)
    assert len({row.words for row in rows}) == 3
    made = confirm(FLANGE, stretched(rows, 1.004, 1.004), longest=155.0)
    assert not made.confirmed
    assert made.scale_x == pytest.approx(1.004, abs=0.05 / 150)
    # half as long, twice as uncertain
    assert made.uncertainty_x > 1.5 * confirm(FLANGE, stretched(wanted(FLANGE), 1, 1)).uncertainty_x


def test_without_holes_the_part_itself_is_measured() -> None:
    bare = replace(FLANGE, holes=())
    words = [row.words for row in wanted(bare)]
    assert words[:2] == ["whole width, along x of the part", "whole height, along y of the part"]
    assert len(set(words)) == 3
    values = [row.value for row in wanted(bare)]
    assert values == pytest.approx([320.0, 140.0, 76.0], abs=1e-6)
    assert confirm(bare, values).confirmed
    assert len(wanted(replace(bare, ports=()))) == 3


def test_equal_readings_confirm_and_leave_the_outline_alone() -> None:
    made = confirm(FLANGE, [row.value for row in wanted(FLANGE)])
    assert made.confirmed
    assert made.largest < 1e-9
    assert made.outline == replace(FLANGE, scale_verified=True)
    assert "0.00 mm" in made.sentence()


@given(x=st.floats(-0.015, 0.015), lean=st.floats(-0.004, 0.004))
@settings(max_examples=40, deadline=None)
def test_a_stretch_is_found_and_taken_out(x: float, lean: float) -> None:
    true = (1 + x, 1 + x + lean)
    made = confirm(FLANGE, stretched(wanted(FLANGE), *true))
    # what the expectation of no stretch pulls: less than a twentieth of a millimetre over the part
    assert made.scale_x == pytest.approx(true[0], abs=0.05 / 320)
    assert made.scale_y == pytest.approx(true[1], abs=0.05 / 140)
    if not made.confirmed:
        again = [row.value for row in wanted(made.outline)]
        # a hole keeps round, so half of a diameter differs by half of the lean: 6.6 * 0.004 / 2
        assert again == pytest.approx(stretched(wanted(FLANGE), *true), abs=0.05 + 0.02)
    else:
        assert abs(x) * 320 < 0.2


def test_stated_uncertainty_covers_the_true_scale() -> None:
    """400 part and reading pairs with the scatter that is promised: 90 to 99 % inside of 95 %."""
    random = np.random.default_rng(3)
    rows = wanted(FLANGE)
    inside = 0
    for _ in range(400):
        x = float(random.normal(0, 0.004))
        y = x + float(random.normal(0, 0.001))
        true = np.array(stretched(rows, 1 + x, 1 + y))
        noise = [math.hypot(row.sigma, 0.05) for row in rows]
        try:
            made = confirm(FLANGE, list(true + random.normal(0, noise)))
        except (ValueRefused, CannotAnswer):
            continue  # counts as outside
        inside += abs(made.scale_x - 1 - x) <= made.uncertainty_x
    assert 0.90 <= inside / 400 <= 0.99


@pytest.mark.parametrize("wrong", [0, 1, 2])
@pytest.mark.parametrize("slip", [6.6, -6.6, 10.0])
def test_one_wrong_reading_is_named_or_all_are_asked_again(wrong: int, slip: float) -> None:
    """Between the centres instead of over the outsides; a digit of ten."""
    rows = wanted(FLANGE)
    values = stretched(rows, 1.001, 1.001)
    values[wrong] += slip
    with pytest.raises((ValueRefused, CannotAnswer)) as caught:
        confirm(FLANGE, values)
    if isinstance(caught.value, ValueRefused):
        assert rows[wrong].words in str(caught.value)


def test_a_mistyped_digit_is_named() -> None:
    rows = wanted(FLANGE)
    values = stretched(rows, 1.0, 1.0)
    values[0] -= 10.0
    with pytest.raises(ValueRefused, match=r"B1 to B5.*which make it 302.6 mm"):
        confirm(FLANGE, values)


@pytest.mark.parametrize(("factor", "words"), [
    (1 / 25.4, "inches"), (10.0, "too far right"), (0.1, "too far left"), (1.4, "again"),
])  # fmt: skip
def test_a_reading_far_off_says_what_may_have_happened(factor: float, words: str) -> None:
    values = [row.value for row in wanted(FLANGE)]
    values[1] *= factor
    with pytest.raises(ValueRefused, match=words):
        confirm(FLANGE, values)


@pytest.mark.parametrize("bad", [0.0, -1.0, math.nan, math.inf])
def test_readings_that_are_none(bad: float) -> None:
    values = [row.value for row in wanted(FLANGE)]
    with pytest.raises(ValueRefused, match="cannot be taken"):
        confirm(FLANGE, [*values[:2], bad])
    with pytest.raises(ValueRefused, match="2 readings for 3"):
        confirm(FLANGE, values[:2])


def test_what_is_left_is_told() -> None:
    values = [row.value for row in wanted(FLANGE)]
    values[2] += 0.2
    made = confirm(FLANGE, values)
    assert 0.05 < made.largest < 0.2
    assert f"{made.largest:.2f} mm" in made.sentence()


@given(x=st.floats(0.97, 1.03), y=st.floats(0.97, 1.03), bulge=st.floats(-1.5, 1.5))
@settings(max_examples=40, deadline=None)
def test_scaled_is_exact_for_lines_and_tells_the_loss_of_arcs(
    x: float, y: float, bulge: float
) -> None:
    square = ClosedPath((Corner(0, 0), Corner(40, 0), Corner(40, 30), Corner(0, 30)))
    assert area(scaled(Outline(square), x, y).outer) == pytest.approx(1200 * x * y, rel=1e-12)
    even = Outline(ClosedPath((Corner(0, 0, bulge), Corner(40, 9), Corner(0, 30))))
    assert area(scaled(even, x, x).outer) == pytest.approx(area(even.outer) * x * x, rel=1e-9)
    assert out_of_round(even, x, x) == pytest.approx(0.0, abs=1e-12)
    # the arc's height is half of chord times bulge: it cannot miss by more than the lean of that
    sag = math.hypot(40, 9) * abs(bulge) / 2
    assert out_of_round(even, x, y) <= sag * abs(x - y) * 1.0001 + 1e-12


def test_the_printer_is_told_apart_from_the_part() -> None:
    assert "true" in printed(180.02, 230.0, 180.0, 230.0).sentence(320, 140)
    shrunk = printed(174.6, 223.1, 180.0, 230.0)  # "fit to page"
    assert "-9.6 mm off along" in shrunk.sentence(320, 140)
    with pytest.raises(ValueRefused, match="down the paper"):
        printed(180.0, 23.0, 180.0, 230.0)
    with pytest.raises(ValueRefused, match="along the paper"):
        printed(math.nan, 230.0, 180.0, 230.0)
