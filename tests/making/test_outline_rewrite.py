"""A file that somebody wrote in: comments, order and spelling stay through every change."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from keyturn.errors import KeyturnError
from keyturn.making.edit import mirrored
from keyturn.making.outline_file import from_text, to_text
from keyturn.making.outline_rewrite import rewritten
from keyturn.tasks.gasket_edit import change

HAND = """\
# measured on a Sunday
version = 1 # C1
name = "lid"  # C2 the "big" one, #1

# C3 the outside
[outer]
# C4
corners = [ # C5
  [0, 0], # C6 lower left
  [100, 0.0], # C7
  # C8 before the upper side
  [100, 60.00],
  [0, 60], # C9
] # C10

# C11 first hole
[[hole]]
name = "A" # C12
x = 10
# C13 by callipers
diameter = 6.60 # C14
diameter_uncertainty = 0.1 # 95 %
y = 10
# C15 second hole
[[hole]]
x = 90 # C16
y = 10
diameter = 6.6

# C17 the port
[[port]]
rectangle = {x = 50, y = 30, width = 40, height = 20, radius = 4} # C18
# C19 last hole, behind the port
[[hole]]
name="D"
x = 90
y = 50
diameter = 8 # C20
role = "dowel"
# C21 end
"""


def said(text: str) -> list[str]:
    """The numbered comments in the order in which they stand."""
    return [part.split()[0] for part in text.split("# ")[1:] if part.startswith("C")]


ALL = [f"C{n}" for n in range(1, 22)]


def test_what_did_not_change_is_not_touched() -> None:
    assert rewritten(HAND, from_text(HAND)) == HAND


def test_one_number_changes_one_line() -> None:
    made = rewritten(HAND, change(from_text(HAND), {"do": "hole", "index": 1, "x": 91.5}))
    gone = [line for line in HAND.splitlines() if line not in made.splitlines()]
    assert gone == ["x = 90 # C16"]
    assert "x = 91.5 # C16" in made
    assert "diameter = 6.60 # C14" in made  # as it was spelt
    corner = {"do": "corner", "corner": 1, "x": 101.0, "y": 0.0}
    made = rewritten(HAND, change(from_text(HAND), corner))
    assert "  [101.0, 0.0], # C7" in made
    assert "  [100, 60.00],\n" in made


def test_a_hole_that_goes_takes_its_own_comments_only() -> None:
    made = rewritten(HAND, change(from_text(HAND), {"do": "remove-hole", "index": 1}))
    assert said(made) == [word for word in ALL if word != "C16"]
    assert made.index("C15") < made.index("C17")


def test_the_head_says_which_side_is_drawn() -> None:
    part = from_text(to_text(from_text(HAND)))
    made = rewritten(to_text(part), mirrored(part))
    assert "seen on the back of the gasket" in made
    assert "seen on the front" not in made


WISHES = st.one_of(
    st.builds(lambda n, x, y: {"do": "hole", "index": n, "x": x, "y": y},
              st.integers(0, 2), st.floats(5, 95), st.floats(4, 16)),
    st.builds(lambda n, d: {"do": "hole", "index": n, "diameter": d},
              st.integers(0, 2), st.floats(2, 7)),
    st.builds(lambda n, role: {"do": "hole", "index": n, "role": role},
              st.integers(0, 2), st.sampled_from(["bolt", "dowel", "passage"])),
    st.builds(lambda n, name: {"do": "hole", "index": n, "name": name},
              st.integers(0, 2), st.sampled_from(["A", "B # 2", 'say "D"', "\\n"])),
    st.builds(lambda k, x: {"do": "corner", "corner": k, "x": x}, st.integers(0, 3),
              st.floats(-5, 105) | st.sampled_from([0.0, 100.0])),
    st.builds(lambda by: {"do": "grow", "index": 0, "by": by}, st.floats(-3, 3)),
    st.builds(lambda by: {"do": "grow", "index": None, "by": by}, st.floats(0, 5)),
    st.builds(lambda n: {"do": "slot", "name": n}, st.sampled_from(["A", "D", "hole 2"])),
    st.builds(lambda n: {"do": "ear", "name": n}, st.sampled_from(["A", "D", "hole 2"])),
    st.builds(lambda t: {"do": "thickness", "thickness": t}, st.floats(0.5, 3)),
    st.builds(lambda x, y: {"do": "add-hole", "x": x, "y": y, "diameter": 5}, st.floats(5, 95),
              st.floats(4, 16)),
    st.just({"do": "mirror"}), st.just({"do": "snap"}), st.just({"do": "name", "name": "new"}),
    st.just({"do": "port", "x": 50, "y": 30, "width": 10, "height": 10, "radius": 2}),
)  # fmt: skip


@given(st.lists(WISHES, min_size=1, max_size=8))
@settings(max_examples=120, deadline=None)
def test_random_changes_keep_every_comment_and_the_order(wishes: list[dict[str, Any]]) -> None:
    """No change here takes anything out, so that nothing that was said may go."""
    text, part = HAND, from_text(HAND)
    for wish in wishes:
        try:
            part = change(part, wish)
        except KeyturnError:
            continue  # such as a slot through the port: no change, nothing to write
        text = rewritten(text, part)
        assert from_text(text) == part
    assert said(text) == ALL
    # tables in the order in which they stood; new ones behind their kind
    heads = [line for line in text.splitlines() if line.startswith("[")]
    assert [line for line in heads if line != "[[hole]]"][:2] == ["[outer]", "[[port]]"]
    assert heads.index("[[port]]") == 3


INLINE = """\
version = 1
outer = {rectangle = {x = 0, y = 0, width = 20, height = 10}} # C1 in one line
hole = [{x = 0, y = 0, diameter = 3}] # C2
"""


@pytest.mark.parametrize(
    "text",
    [INLINE, HAND.replace("[outer]", "[ outer ]"),
     HAND.replace("x = 10\n", "'x' = 10\n").replace('name = "A"', "name = '''A'''"),
     HAND.replace("rectangle = {", "rectangle.x = 50\nrectangle.y = 30\n"
                  "rectangle.width = 40 # C18\nrectangle.height = 20 # {")],
    ids=["inline tables", "spaced header", "quoted key", "dotted keys"],
)  # fmt: skip
def test_a_form_that_is_not_followed_loses_no_comment(text: str) -> None:
    part = from_text(text)
    moved = replace(part, holes=(replace(part.holes[0], x=1.5), *part.holes[1:]))
    made = rewritten(text, moved)
    assert from_text(made) == moved
    assert said(made) == said(text)


@pytest.mark.parametrize("text", ["", "no outline", "version = 1\n[outer]\ncorners = 3\n"])
def test_what_was_no_outline_is_a_new_file(text: str) -> None:
    part = from_text(HAND)
    assert rewritten(text, part) == to_text(part)
