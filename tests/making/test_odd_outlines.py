"""Random odd files and changes end in a result or in a refusal with words, never in a traceback.

The same strategies at 2,000 files and 3,000 changes found: a joint of a split looked for where the
line meets no sheet, and arcs that reach kilometres out of a file of millimetres.
"""

from __future__ import annotations

import math
from itertools import combinations
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from odd import FOLLOWS, good_parts, outcome, texts, wishes

from keyturn.errors import BuildErrors, FileRefused
from keyturn.making import split
from keyturn.making.outline_file import from_text, to_text
from keyturn.making.outline_rewrite import rewritten
from keyturn.making.shape import ClosedPath, Corner, Outline, flattened
from keyturn.tasks.gasket_edit import change
from keyturn.tasks.gasket_measure import measure

FEW = settings(max_examples=25, deadline=None, derandomize=True, database=None,
               suppress_health_check=list(HealthCheck))  # fmt: skip
SLOW = ("joint", "nest")


@given(text=texts())
@FEW
def test_an_odd_file_is_read_or_refused(text: str) -> None:
    if outcome(from_text, text) == "refused":
        return
    part = from_text(text)
    assert from_text(to_text(part)) == part
    assert from_text(rewritten(text, part)) == part
    for word, act in FOLLOWS.items():
        if word not in SLOW:
            outcome(act, part)


@given(part=good_parts(), wishes=st.lists(wishes(), min_size=1, max_size=3))
@FEW
def test_an_odd_change_is_made_or_refused(part: Outline, wishes: list[dict[str, Any]]) -> None:
    for wish in wishes:
        if outcome(change, part, wish) == "done":
            part = change(part, wish)
            assert from_text(to_text(part)) == part


@given(part=good_parts())
@settings(FEW, max_examples=6)
def test_an_odd_part_is_cut_and_judged_or_refused(part: Outline) -> None:
    for act in FOLLOWS.values():
        outcome(act, part)


def test_an_arc_that_reaches_out_of_all_measure_is_refused() -> None:
    """The apex of an arc lies half a chord times its bulge aside: 20 + 24 / 2 x 999 = 12008 mm."""
    corners = (Corner(20, -12, 999.0), Corner(20, 12), Corner(-20, 0))
    with pytest.raises(BuildErrors, match="reaches 12008 mm out"):
        from_text(to_text(Outline(ClosedPath(corners))))


def test_a_line_within_a_port_is_no_place_for_a_joint() -> None:
    """The port is as high as the sheet there, so a line across it meets nothing."""
    outer = ClosedPath((Corner(-50, -20), Corner(50, -20), Corner(50, 20), Corner(-50, 20)))
    port = ClosedPath((Corner(-40, -20), Corner(40, -20), Corner(40, 20), Corner(-40, 20)))
    part = Outline(outer, ports=(port,))
    assert split._parted(part, split._sheet(part), 0.0) is None


def test_a_file_nested_without_end_is_refused() -> None:
    for read in (from_text, measure):
        with pytest.raises(FileRefused, match="is not TOML"):
            read("a = " + "[" * 60_000)


def test_an_outside_goes_around_a_port_with_a_waist() -> None:
    """Less the radius of the holes it falls into two; the outside has to clear both ends."""
    places = ((-45, -25), (45, -25), (45, 25), (-45, 25))
    lines = ["[outer]", "around = 8.0", "[[port]]", "corners = [[-70, -15], [-3, -15], [-3, -2],"
             " [3, -2], [3, -15], [70, -15], [70, 15], [3, 15], [3, 2], [-3, 2], [-3, 15],"
             " [-70, 15]]"]  # fmt: skip
    for x, y in places:
        lines += ["[[hole]]", f"x = {x}", f"y = {y}", "diameter = 6.6"]
    for a, b in combinations(range(4), 2):
        lines += ["[[distance]]", f"from = {a + 1}", f"to = {b + 1}", 'over = "centre"',
                  f"value = {math.dist(places[a], places[b])}"]  # fmt: skip
    outer = measure("\n".join(lines)).outline.outer
    xs = [x for x, _ in flattened(outer, 0.001)]
    # 70 mm and 8 mm; the port was taken as chords of 0.05 mm and its hull made 0.02 mm simpler
    assert (min(xs), max(xs)) == (pytest.approx(-78.0, abs=0.05), pytest.approx(78.0, abs=0.05))
