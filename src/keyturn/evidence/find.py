"""Readings to causes, quantities, verdicts and the next test: the whole answer in one call."""

from __future__ import annotations

import time
from collections.abc import Mapping

import numpy as np

from keyturn.build.model import Build
from keyturn.errors import CannotAnswer
from keyturn.evidence import (
    after,
    decide,
    forward,
    likelihood,
    next_test,
    observe,
    pooled,
    renewed,
    speaks,
)
from keyturn.evidence.causes import HEALTHY, NONE, moved_rows, possible
from keyturn.evidence.infer import Posterior, Suspect, infer, prepare
from keyturn.evidence.reading import Reading, kinds, usable
from keyturn.evidence.result import CauseRow, Contradiction, FindResult, Trust
from keyturn.evidence.unknowns import table
from keyturn.system.circuit import FloatArray
from keyturn.system.thresholds import SAMPLES, SEED

NOT_ENOUGH = "not enough information"
POOL = 2000
SPOKEN = 3  # readings named for and against a cause
LEAST_BITS = 0.3
WEIGHED = 384  # particles per cause for what it expects
SLIP = 0.5  # chance of being a slip above which a reading is named
COUNTED = 0.05  # causes above this count for the effective sample


def find(
    build: Build,
    readings: tuple[Reading, ...],
    seed: int,
    moved: Mapping[str, float] | None = None,
) -> FindResult:
    """Infer from the readings of a build. ``moved`` sets prior probabilities of causes by name."""
    started = time.perf_counter()
    kept = usable(readings)
    model = prepare(build)
    rng = np.random.default_rng(seed)
    if not observe.plan(build, kept, model.car[2]).observations:
        raise CannotAnswer(
            "no reading that anything can be inferred from",
            ("fuel pressure at the rail with the key on, at idle and at a raised speed",),
        )
    posterior = infer(build, kept, rng, moved, model=model)
    repaired = renewed.so_far(kept)
    mended = renewed.mended(repaired)
    samples = renewed.current(pooled.pooled(posterior, POOL, rng), mended)
    prior = renewed.current(pooled.prior_values(posterior, POOL, rng), mended)
    predicted = {item.cause.name: _expected(posterior, item, rng) for item in posterior.suspects}
    trust = _trust(posterior, predicted)
    causes = _causes(posterior, predicted, _unread(posterior, rng))
    answer = _answer(causes, trust)
    state = decide.belief(posterior, model, repaired, rng)
    tried = next_test.candidates(model, kept, possible(build), repaired)
    ranked = next_test.judged(state, model, tried)
    return FindResult(
        name=build.name,
        invented=build.invented,
        answer=answer,
        sentence=_sentence(answer, causes, trust),
        threshold=_threshold(),
        causes=causes,
        quantities=pooled.quantities(posterior, model, samples, prior),
        next=ranked,
        act=decide.act(state, ranked) if trust.converged else None,
        verdict_before=after.before(build, SAMPLES, np.random.default_rng(SEED)),
        verdict_after=after.after(build, samples, prior, SAMPLES, np.random.default_rng(seed)),
        trust=trust,
        moved=moved_rows(build, moved),
        notes=_notes(posterior),
        readings=len(kept),
        seed=seed,
        seconds=time.perf_counter() - started,
    )


def _threshold() -> float:
    return float(table()["threshold"]["named"])


def _expected(posterior: Posterior, item: Suspect, rng: np.random.Generator) -> FloatArray:
    """Predictions of every reading by some particles of one cause."""
    size = min(WEIGHED, item.z.shape[0])
    chosen = item.z[rng.permutation(item.z.shape[0])[:size]]
    return np.nan_to_num(forward.predict(posterior.base, item.space.values(chosen)))


def _unread(posterior: Posterior, rng: np.random.Generator) -> dict[str, FloatArray]:
    """Predictions of every reading by each cause before anything is read."""
    blocks = [item.space.values(item.space.draw(WEIGHED, rng)) for item in posterior.suspects]
    whole = np.nan_to_num(forward.predict(posterior.base, pooled.stack(blocks)))
    names = [item.cause.name for item in posterior.suspects]
    return dict(zip(names, np.split(whole, len(names)), strict=True))


def _trust(posterior: Posterior, predicted: Mapping[str, FloatArray]) -> Trust:
    rows = posterior.rows
    counted = [item for item in posterior.suspects if item.probability > COUNTED]
    real = [item for item in posterior.suspects if item.cause.name != NONE]
    total = sum(item.probability for item in real)
    chance = sum(
        item.probability / max(total, 1e-300) * likelihood.slips(predicted[item.cause.name], rows)
        for item in real
    )
    named = tuple(
        Contradiction(row.kind, row.source.state, kinds()[row.kind].quantity, row.value, float(p))
        for row, p in zip(rows, np.atleast_1d(chance), strict=True)
        if p > SLIP
    )
    return Trust(
        effective_samples=float(sum(item.effective for item in counted)),
        converged=all(item.converged for item in counted),
        contradictions=named,
        silent=posterior.silent,
    )


def _causes(
    posterior: Posterior, predicted: Mapping[str, FloatArray], unread: Mapping[str, FloatArray]
) -> tuple[CauseRow, ...]:
    rows = []
    beside = speaks.beside(posterior, predicted)
    alone = speaks.alone(posterior, unread)
    for item in posterior.suspects:
        lines = speaks.lines(posterior, item, (alone, beside))
        rows.append(
            CauseRow(
                name=item.cause.name,
                words=item.cause.words,
                p=item.probability,
                prior=item.cause.prior,
                speaks_for=tuple(line for line in lines if line.bits > LEAST_BITS)[:SPOKEN],
                speaks_against=tuple(line for line in lines[::-1] if line.bits < -LEAST_BITS)[
                    :SPOKEN
                ],
                repair=item.cause.repair,
                money=item.cause.money,
                hours=item.cause.hours,
            )
        )
    return tuple(rows)


def _notes(posterior: Posterior) -> tuple[str, ...]:
    """What the readings cannot tell apart whatever they say."""
    open_ones = {item.cause.name for item in posterior.suspects if item.probability > COUNTED}
    speeds = {
        posterior.base.plan.columns[row.column].state.engine_speed
        for row in posterior.rows
        if row.kind == "manifold-pressure" and row.column is not None
    }
    if len(speeds) == 1 and {"belt slip", "charge leak"} <= open_ones:
        return (
            "boost at one speed does not tell belt slip from a charge leak: read it at full load "
            "at a second speed, half as fast or slower; a slipping belt holds there, a leak "
            "shows more",
        )
    return ()


def _answer(causes: tuple[CauseRow, ...], trust: Trust) -> str:
    leading = causes[0]
    if not trust.converged or leading.p < _threshold():
        return NOT_ENOUGH
    return leading.name


def _sentence(answer: str, causes: tuple[CauseRow, ...], trust: Trust) -> str:
    """The answer in one plain sentence."""
    first, second = causes[0], causes[1]
    if not trust.converged:
        return "No answer: the sampler did not settle, so its probabilities cannot be trusted."
    if answer == NOT_ENOUGH:
        return (
            f"Not enough information: {first.words} ({first.p:.0%}) leads, "
            f"but {second.words} ({second.p:.0%}) stays open."
        )
    if answer == NONE:
        return f"The readings fit no cause that keyturn knows ({first.p:.0%})."
    if answer == HEALTHY:
        return f"Nothing broken shows: the readings fit the car as described ({first.p:.0%})."
    return f"Most likely {first.words} ({first.p:.0%})."
