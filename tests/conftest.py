"""Shared fixtures: ``compare`` asserts against a printed number and records the row for docs.

When scripts/validate.py asks for a record, comparisons written as ``ours == pytest.approx(theirs)``
are written down too, with the words of the test as their source.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

Rows = list[dict[str, object]]
RECORD = "KEYTURN_VALIDATION_RECORD"  # file that scripts/validate.py asks the rows to be put in
rows_key = pytest.StashKey[Rows]()


def pytest_configure(config: pytest.Config) -> None:
    config.stash[rows_key] = []
    if os.environ.get(RECORD):
        write_down_approx(config.stash[rows_key])


def write_down_approx(rows: Rows) -> None:
    """Let every scalar ``approx`` add a row when it is compared."""
    scalar: Any = type(pytest.approx(1.0))
    judge = scalar.__eq__

    def judge_and_write(self: Any, actual: object) -> bool:
        agrees = bool(judge(self, actual))
        test = os.environ.get("PYTEST_CURRENT_TEST", "").removesuffix(" (call)")
        try:
            theirs, ours = float(self.expected), float(actual)  # type: ignore[arg-type]
        except (TypeError, ValueError):
            return agrees
        rows.append(
            {
                "test": test,
                "source": words_of.get(test, ""),
                "quantity": test.split("::")[-1].removeprefix("test_").replace("_", " "),
                "unit": "",
                "theirs": theirs,
                "ours": ours,
                "tolerance": float(self.tolerance),
                "agrees": agrees,
            }
        )
        return agrees

    scalar.__eq__ = judge_and_write
    # "is not" is the case that must fail; it is no comparison with a source
    scalar.__ne__ = lambda self, actual: not judge(self, actual)


words_of: dict[str, str] = {}


def pytest_collection_finish(session: pytest.Session) -> None:
    for item in session.items:
        if isinstance(item, pytest.Function):
            words = item.function.__doc__ or item.module.__doc__ or ""
            words_of[item.nodeid] = " ".join(words.split())


@pytest.fixture
def compare(request: pytest.FixtureRequest) -> Callable[..., None]:
    """Hold our number against a source's: ``compare(source=, quantity=, theirs=, ours=,
    tolerance=, unit=)``.

    ``tolerance`` is absolute, in the unit of the two numbers: half the last printed digit, or
    another width whose reason stands beside the call.
    """
    rows = request.config.stash[rows_key]

    def check(
        *, source: str, quantity: str, theirs: float, ours: float, tolerance: float, unit: str = ""
    ) -> None:
        theirs, ours = float(theirs), float(ours)
        if not tolerance > 0.0:
            raise ValueError("tolerance must be a positive width in the unit of the numbers")
        difference = ours - theirs
        agrees = abs(difference) <= tolerance * (1.0 + 1e-12)
        rows.append(
            {
                "test": request.node.nodeid,
                "source": source,
                "quantity": quantity,
                "unit": unit,
                "theirs": theirs,
                "ours": ours,
                "tolerance": tolerance,
                "agrees": agrees,
            }
        )
        assert agrees, (
            f"{quantity}: {source} prints {theirs:g} {unit}, we get {ours:.6g} "
            f"(difference {difference:.3g}, allowed {tolerance:g})"
        )

    return check


def pytest_sessionfinish(session: pytest.Session) -> None:
    target = os.environ.get(RECORD)
    if target:
        Path(target).write_text(json.dumps(session.config.stash[rows_key]), encoding="utf-8")
