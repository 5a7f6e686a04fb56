"""What is wrong? From the readings of a build to causes, and to the next test."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from keyturn.build.read import load
from keyturn.errors import CannotAnswer, ValueRefused
from keyturn.evidence.find import find as infer
from keyturn.evidence.reading import Reading, usable
from keyturn.evidence.result import FindResult
from keyturn.tasks.read import listed

FIRST = (
    "fuel pressure at the rail, key on: keyturn read BUILD rail-pressure VALUE --state key-on",
)


def find(
    build: str | Path,
    readings: tuple[Reading, ...] | None = None,
    changes: Mapping[str, str] | None = None,
    priors: Mapping[str, float] | None = None,
    seed: int = 0,
) -> FindResult:
    """Infer causes from readings; those of the build's journal when none are given.

    ``priors`` moves the probability of causes by name before the readings are looked at.
    """
    if seed < 0:
        raise ValueRefused(
            "the seed cannot be taken", typed=str(seed), accepted="a whole number, 0 or more"
        )
    model = load(build, dict(changes or {}))
    given = listed(build) if readings is None else readings
    if not usable(given):
        open_ones = [item for item in given if item.status == "suspected"]
        missing: tuple[str, ...] = FIRST
        if open_ones:
            missing = tuple(
                f"reading {item.id} is kept apart: {item.suspicion}" for item in open_ones
            )
        raise CannotAnswer("there is no reading to infer from", missing)
    return infer(model, given, seed, priors)
