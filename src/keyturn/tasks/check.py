"""Will it hold? The main job, from a build as described to an answer."""

from __future__ import annotations

from keyturn.build.model import Build
from keyturn.errors import ValueRefused
from keyturn.system.check import middle as middle_values
from keyturn.system.check import run
from keyturn.system.result import CheckResult
from keyturn.system.thresholds import SAMPLES, SEED

MOST_SAMPLES = 100_000


def check(build: Build, samples: int = SAMPLES, seed: int = SEED) -> CheckResult:
    """Judge every part of the build at every speed and load.

    ``samples`` is how many times all uncertain values are drawn together; the same ``seed`` gives
    the same answer.
    """
    if not 1 <= samples <= MOST_SAMPLES:
        raise ValueRefused(
            "the number of samples cannot be taken",
            typed=str(samples),
            accepted=f"a whole number from 1 to {MOST_SAMPLES}; 400 is usual",
        )
    if seed < 0:
        raise ValueRefused(
            "the seed cannot be taken", typed=str(seed), accepted="a whole number, 0 or more"
        )
    return run(build, samples=samples, seed=seed)


def middle(build: Build) -> CheckResult:
    """What the car does with the middle of every value; it carries no verdict (see `check`)."""
    return middle_values(build)
