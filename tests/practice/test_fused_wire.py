"""A fuse that is larger than its wire protects nothing (common practice, no source)."""

from __future__ import annotations

from pathlib import Path

import pytest

import keyturn
from keyturn.tasks.check import check

EXAMPLES = Path(keyturn.__file__).parent / "examples"


def verdict(size: str, fuse: str) -> str:
    changes = {"wiring.size": {"value": size, "grade": "measured"},
               "wiring.fuse": {"value": fuse, "grade": "measured"}}  # fmt: skip
    build = keyturn.load(EXAMPLES / "pickup-screw", changes)
    rows = {row.part: row for row in check(build, samples=50).headroom}
    return rows["wire under its fuse"].verdict


@pytest.mark.parametrize(
    ("size", "fuse", "says"),
    [
        ("1 mm2", "10 A", "holds"),
        ("2.5 mm2", "25 A", "holds"),
        ("6 mm2", "40 A", "holds"),
        ("1 mm2", "30 A", "short"),
        ("2 mm2", "60 A", "short"),
        ("2.5 mm2", "50 A", "short"),
    ],
)
def test_the_fuse_opens_before_the_wire_burns(size: str, fuse: str, says: str) -> None:
    assert verdict(size, fuse) == says
