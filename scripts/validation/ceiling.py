"""The best that anyone could do with the same readings: the Bayes ceiling, by brute force.

A large bank of draws from the prior of every cause, each solved once; the evidence of a cause is
the mean likelihood of its draws. No sampler, no screening of causes, and the likelihood is written
out here once more from docs/theory/inference.md. The mean of the largest probability is the share
of cases that the best possible rule names rightly.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from keyturn.evidence import forward, observe
from keyturn.evidence.causes import NONE, Space
from keyturn.evidence.reading import Reading
from validation.cases import Job, made, model_of, reading_sets

BATCH = 20_000
SLIPS = 0.01  # chance that a reading is a slip, as docs/theory/inference.md states it
SIGMAS = 3.0  # top-1 may lie this many standard errors below the ceiling

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Bank:
    """Predictions of the readings by draws of every cause but "none of these"."""

    names: tuple[str, ...]
    prior: FloatArray  # of every cause, "none of these" last
    predicted: tuple[NDArray[np.float32], ...]  # (causes, draws) of each reading
    rows: tuple[observe.Observation, ...]


def bank(build: str, readings: str, draws: int, seed: int = 0) -> Bank:
    """Draw and solve ``draws`` cars of every cause."""
    model, causes = model_of(build)
    plan = observe.plan(model.build, reading_sets()[readings], model.car[2])
    base = forward.base(model.build, plan, model.car)
    real = [cause for cause in causes if cause.name != NONE]
    none = [cause for cause in causes if cause.name == NONE]
    everything = tuple(range(len(model.unknowns)))
    rng = np.random.default_rng([seed, 77])
    found = np.empty((len(plan.observations), len(real), draws), dtype=np.float32)
    for at, cause in enumerate(real):
        space = Space(cause, model.unknowns, everything)
        for start in range(0, draws, BATCH):
            size = min(BATCH, draws - start)
            values = space.all_values(space.draw(size, rng))
            found[:, at, start : start + size] = forward.predict(base, values).T
    ordered = (*real, *none)
    return Bank(
        tuple(cause.name for cause in ordered),
        np.array([cause.prior for cause in ordered]),
        tuple(found),
        plan.observations,
    )


def posterior(made_of: Bank, rows: Sequence[observe.Observation]) -> tuple[FloatArray, FloatArray]:
    """Probability of every cause by the whole bank, and by its two halves apart (2, causes)."""
    likelihood = np.ones(made_of.predicted[0].shape)
    for predicted, row in zip(made_of.predicted, rows, strict=True):
        likelihood *= (1.0 - SLIPS) * _density(predicted, row) + SLIPS / row.broad
    whole = likelihood.mean(axis=1)
    halves = np.stack([likelihood[:, ::2].mean(axis=1), likelihood[:, 1::2].mean(axis=1)])
    broad = float(np.prod([1.0 / row.broad for row in rows]))
    return _normal(whole, broad, made_of), _normal(halves, broad, made_of)


def _density(predicted: NDArray[np.float32], row: observe.Observation) -> FloatArray:
    if row.yes_no:
        chance = predicted if row.value > 0.5 else 1.0 - predicted
        return np.nan_to_num(np.asarray(chance, dtype=np.float64))
    away = (np.float32(row.value) - predicted) / np.float32(row.spread)
    density = np.exp(-0.5 * away * away) / (row.spread * np.sqrt(2.0 * np.pi))
    return np.nan_to_num(np.asarray(density, dtype=np.float64))


def _normal(evidence: FloatArray, broad: float, made_of: Bank) -> FloatArray:
    missing = made_of.prior.size - evidence.shape[-1]
    none = np.full((*evidence.shape[:-1], missing), broad)
    weight = made_of.prior * np.concatenate([evidence, none], axis=-1)
    return np.asarray(weight / weight.sum(axis=-1, keepdims=True))


def observed(build: str, readings: tuple[Reading, ...]) -> tuple[observe.Observation, ...]:
    model, _ = model_of(build)
    return observe.plan(model.build, readings, model.car[2]).observations


def beside(answers: Sequence[Mapping[str, Any]], draws: int, seed: int) -> dict[str, Any]:
    """The answers of `find` to cases of one build and reading set, beside the ceiling."""
    build, readings = str(answers[0]["build"]), str(answers[0]["readings"])
    made_of = bank(build, readings, draws)
    job = Job(build, readings, 0, 0, seed)
    rows = []
    for answer in answers:
        true = made(job, int(answer["number"]))
        if true.cause.name != answer["cause"]:
            raise ValueError("the cases are not those that were answered")
        whole, halves = posterior(made_of, observed(build, true.readings))
        claimed = np.array([answer["claims"][name] for name in made_of.names])
        chosen = int(np.argmax(claimed))
        crossed = 0.5 * (halves[1, np.argmax(halves[0])] + halves[0, np.argmax(halves[1])])
        rows.append(
            (
                float(made_of.names[chosen] == answer["cause"]),
                float(whole[chosen]),
                float(whole.max()),
                float(crossed),
                float(np.abs(whole - claimed).max()),
            )
        )
    return summed(build, readings, draws, np.array(rows))


def summed(build: str, readings: str, draws: int, rows: FloatArray) -> dict[str, Any]:
    """Means over the cases and the bound; columns of ``rows`` as in ``beside``."""
    right, expected, best, crossed, away = rows.T
    count = rows.shape[0]
    error = float(np.std(right - best, ddof=1) / np.sqrt(count))
    return {
        "build": build,
        "readings": readings,
        "cases": count,
        "draws": draws,
        "top_1": float(right.mean()),
        "expected": float(expected.mean()),
        "ceiling": float(best.mean()),
        "ceiling_least": float(crossed.mean()),
        "standard_error": error,
        "holds": bool(right.mean() >= best.mean() - SIGMAS * error),
        "apart_mean": float(away.mean()),
        "apart_95": float(np.quantile(away, 0.95)),
    }
