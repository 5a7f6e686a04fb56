"""Simulated cars with a known cause, and what `find` makes of their readings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

import keyturn
from keyturn.evidence.causes import Cause, causes
from keyturn.evidence.infer import Model, Posterior, infer, prepare
from keyturn.evidence.observe import imagined
from keyturn.evidence.pooled import pooled
from keyturn.evidence.reading import Conditions, Reading
from keyturn.evidence.simulate import Case, case, case_of

EXAMPLES = Path(keyturn.__file__).parent / "examples"
DRAWS = 63  # posterior samples that a true value is ranked among: 64 possible ranks
POOL = 4000
WRONG = 0.1  # of the true spread, for the control that has to fail
COUNTED = 0.05  # causes above this must have settled
CAUGHT = Conditions(pressure_gauge=3.0e5, duration=30.0)
HELD = Conditions(pressure_gauge=3.0e5, duration=300.0)


@dataclass(frozen=True)
class Job:
    """Some cases of one build and one reading set; small enough to show progress."""

    build: str
    readings: str  # name of the reading set
    first: int
    count: int
    seed: int
    wrong: bool = False
    cause: str = ""  # planted; empty: drawn from the prior


@cache
def reading_sets() -> Mapping[str, tuple[Reading, ...]]:
    """Which readings are made, by the name that the tables show."""
    rail = {
        state: imagined("rail-pressure", state)
        for state in ("key-on", "cranking", "idle", "held-speed", "full-load")
    }
    unhosed = imagined("rail-pressure", "idle", Conditions(reference="off"))
    zero, before = imagined("gauge-zero", "vented"), imagined("before-filter", "idle")
    volts = imagined("pump-voltage", "idle")
    return {
        "2 rail pressures": (rail["key-on"], rail["full-load"]),
        "4 rail pressures": (rail["key-on"], rail["idle"], rail["held-speed"], rail["full-load"]),
        "6 rail pressures": (*rail.values(), unhosed),
        "2 rail, second gauge, zero, before filter, volts, timed return": (
            rail["key-on"],
            rail["full-load"],
            imagined("second-gauge", "key-on"),
            zero,
            before,
            volts,
            imagined("timed-volume", "key-on", CAUGHT),
        ),
        "3 rail, hold, return seen, amps": (
            rail["key-on"],
            rail["idle"],
            rail["full-load"],
            imagined("pressure-held", "shut-off", HELD),
            imagined("return-flow", "key-on"),
            imagined("pump-current", "idle"),
        ),
        "3 rail, zero, before filter, volts": (
            rail["key-on"],
            rail["idle"],
            rail["full-load"],
            zero,
            before,
            volts,
        ),
    }


RAIL_ONLY = ("2 rail pressures", "4 rail pressures", "6 rail pressures")
RICH = "2 rail, second gauge, zero, before filter, volts, timed return"
OTHERS = ("3 rail, hold, return seen, amps", "3 rail, zero, before filter, volts")


@cache
def model_of(build: str) -> tuple[Model, tuple[Cause, ...]]:
    """An example build, and the causes it can have."""
    model = prepare(keyturn.load(EXAMPLES / build))
    return model, causes(model.build)


def made(job: Job, number: int) -> Case:
    """The car of one number: always the same for the same build, reading set and seed."""
    model, rows = model_of(job.build)
    readings = reading_sets()[job.readings]
    at = (list(reading_sets()).index(job.readings), sum(job.build.encode()))
    rng = np.random.default_rng([job.seed, *at, number])
    if job.cause:
        planted = next(row for row in rows if row.name == job.cause)
        return case_of(model, readings, planted, rng)
    return case(model, readings, rows, rng)


def answers(job: Job) -> list[dict[str, Any]]:
    """Every case of a job: the true cause, what is claimed of each, and ranks of the unknowns."""
    model, _ = model_of(job.build)
    rows = []
    for number in range(job.first, job.first + job.count):
        true = made(job, number)
        readings = true.readings
        if job.wrong:
            readings = tuple(replace(item, spread=item.spread * WRONG) for item in readings)
        rng = np.random.default_rng([job.seed, 1, number])
        found = infer(model.build, readings, rng, model=model)
        rows.append(
            {
                "build": job.build,
                "readings": job.readings,
                "number": number,
                "cause": true.cause.name,
                "claims": {item.cause.name: item.probability for item in found.suspects},
                "ranks": _ranks(true, found, rng),
                "settled": all(s.converged for s in found.suspects if s.probability > COUNTED),
            }
        )
    return rows


def _ranks(true: Case, found: Posterior, rng: np.random.Generator) -> dict[str, int]:
    """How many of the posterior samples lie below the true value; ties are broken by lot."""
    samples = pooled(found, POOL, rng)
    size = next(iter(samples.values())).shape[0]
    chosen = rng.choice(size, DRAWS, replace=False)
    ranks = {}
    for name, value in true.values.items():
        drawn = samples[name][chosen, 0]
        ties = int(np.sum(drawn == value[0, 0]))
        ranks[name] = int(np.sum(drawn < value[0, 0])) + int(rng.integers(ties + 1))
    return ranks
