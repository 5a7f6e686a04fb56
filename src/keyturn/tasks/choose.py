"""Which purchase is worth its money? From the options of a build to a frontier."""

from __future__ import annotations

import copy
import math
from collections.abc import Mapping
from concurrent.futures import Executor
from pathlib import Path

import numpy as np

from keyturn.build.model import Build
from keyturn.build.paste import set_key
from keyturn.build.read import build_path, from_text, parse_document, read_text
from keyturn.errors import CannotAnswer, Place, ValueRefused
from keyturn.evidence.after import LEARNT
from keyturn.evidence.causes import NONE
from keyturn.evidence.choose import ChooseResult, Progress
from keyturn.evidence.choose import choose as search
from keyturn.evidence.find import POOL
from keyturn.evidence.infer import infer, prepare
from keyturn.evidence.pooled import Values, pooled, prior_values
from keyturn.evidence.reading import Reading, usable
from keyturn.tasks.read import listed
from keyturn.units import UnitRefused, parse

COUNTED = 0.05  # a cause above this has to be sampled well before money is spent on it
MOST_SAMPLES = 5_000


def choose(
    build: str | Path,
    executor: Executor | None = None,
    progress: Progress | None = None,
    *,
    power: str | None = None,
    changes: Mapping[str, str] | None = None,
    readings: tuple[Reading, ...] | None = None,
    samples: int = 200,
    seed: int = 0,
) -> ChooseResult:
    """Judge every sensible combination of the [[option]] entries of a build.

    ``executor`` shares the work out, ``progress`` is called with sets done and sets in all. The
    readings are those of the build's journal when none are given; with none, what was typed.
    """
    if seed < 0:
        raise ValueRefused(
            "the seed cannot be taken", typed=str(seed), accepted="a whole number, 0 or more"
        )
    if not 20 <= samples <= MOST_SAMPLES:
        raise ValueRefused(
            "the number of samples cannot be taken",
            typed=str(samples),
            accepted=f"a whole number from 20 to {MOST_SAMPLES}; 200 is usual",
        )
    goal = None if power is None else power_of(power)
    file = build_path(build)
    text = read_text(file)
    model = from_text(text, str(file), changes)
    document = copy.deepcopy(parse_document(text, str(file)))
    for key, new in (changes or {}).items():
        set_key(document, key, new, Place(str(file), None, key))
    given = usable(listed(build) if readings is None else readings)
    posterior: Values | None = None
    basis, learnt = "the build as described; no reading was used", tuple[str, ...]()
    if given and model.options:
        posterior, basis, learnt = _posterior(model, given, samples, seed)
    return search(
        model,
        document,
        str(file),
        samples=samples,
        seed=seed,
        power=goal,
        posterior=posterior,
        learnt=learnt,
        basis=basis,
        executor=executor,
        progress=progress,
    )


def power_of(text: str) -> float:
    """The power asked for [W]."""
    place = Place(key="--power")
    try:
        found = parse(text, "power")
    except UnitRefused as fault:
        raise ValueRefused(str(fault), place, typed=text, accepted="300 kW or 400 hp") from None
    if not 0.0 < found < math.inf:
        raise ValueRefused("a power goal is above zero", place, typed=text, accepted="300 kW")
    return float(found)


def _posterior(
    model: Build, given: tuple[Reading, ...], samples: int, seed: int
) -> tuple[Values, str, tuple[str, ...]]:
    """Rows of the unknowns as the readings leave them, the first row their median; which of them
    the readings have pinned."""
    rng = np.random.default_rng(seed)
    found = infer(model, given, rng, model=prepare(model))
    weak = [s for s in found.suspects if s.probability > COUNTED and not s.converged]
    if weak or not found.rows:
        raise CannotAnswer(
            "the readings cannot be worked out well enough to spend money on",
            ("more readings; what fits and what does not: keyturn find BUILD",),
        )
    top = found.suspects[0]
    if top.cause.name == NONE:
        raise CannotAnswer(
            "the readings fit no cause that is known, so no purchase can be judged by them",
            ("read again what does not fit; which that is: keyturn find BUILD",),
        )
    pool = pooled(found, POOL, rng)
    chosen = rng.integers(pool["set"].shape[0], size=samples)
    rows = {n: np.vstack([np.median(v, keepdims=True), v[chosen]]) for n, v in pool.items()}
    count = "1 reading" if len(given) == 1 else f"{len(given)} readings"
    words = f"{count}; most likely cause: {top.cause.name} ({100 * top.probability:.0f} %)"
    before = prior_values(found, POOL, rng)
    learnt = (n for n, v in pool.items() if np.std(v) < LEARNT * np.std(before[n]))
    return rows, words, tuple(sorted(learnt))
