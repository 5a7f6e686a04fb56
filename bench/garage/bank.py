"""Posterior from prior draws that are made once for a build, for a thousand cases in minutes.

The same prior, forward model and likelihood as `infer`. Draws are weighed by the readings taken
before any repair; some of them, drawn by that weight, are then weighed by the later ones. Where
too few draws carry the weight, `infer` itself answers.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from keyturn.evidence import forward, likelihood, next_test, observe, renewed
from keyturn.evidence.causes import NONE, Space, causes, possible
from keyturn.evidence.infer import Model, Posterior, Suspect, infer
from keyturn.evidence.reading import Reading
from keyturn.system.circuit import FloatArray

PIECE = 1000
DRAWS = 8_000  # of each cause
SECOND = 640  # of each cause, weighed by what is read after a repair
LEAST = 10.0  # effective draws of a cause above COUNTED that are enough
LEAST_SECOND = 8.0
COUNTED = 0.2
FULL = 384  # particles where `infer` answers
HANDED = 160  # particles of a cause handed on to the ranking


@dataclass
class Bank:
    """Draws of every cause of one build, and what they would show in every test."""

    model: Model
    spaces: list[Space]
    deviates: list[FloatArray]
    shown: list[FloatArray]  # (draws, tests) of each cause
    keys: dict[tuple[object, ...], int]
    asked: int = 0
    fell_back: int = 0

    def posterior(self, readings: tuple[Reading, ...], rng: np.random.Generator) -> Posterior:
        """What `infer` would answer."""
        self.asked += 1
        found = self._weighed(readings, rng)
        if found is None:
            self.fell_back += 1
            model = self.model
            return infer(model.build, readings, rng, full=FULL, model=model)
        return found

    def _weighed(self, readings: tuple[Reading, ...], rng: np.random.Generator) -> Posterior | None:
        build, line = self.model.build, self.model.car[2]
        plan = observe.plan(build, readings, line)
        rows = plan.observations
        at = [self.keys.get(next_test.key(row.source)) for row in rows]
        old = [n for n, key in enumerate(at) if key is not None]
        new = [n for n, key in enumerate(at) if key is None]
        if not old:
            return None
        columns = [key for key in at if key is not None]
        told = tuple(rows[n] for n in old)
        logs = [likelihood.log_likelihood(block[:, columns], told) for block in self.shown]
        evidence = np.array([_log_mean(log) for log in logs])
        picked = [_resample(log, SECOND, rng) for log in logs]
        effective = np.array([_effective(log) for log in logs])
        spaces = [
            replace(space, unknowns=renewed.widened(space.unknowns, readings))
            for space in self.spaces
        ]
        spaces = [replace(space, active=tuple(range(len(space.unknowns)))) for space in spaces]
        z = [
            np.hstack(
                [block[take], rng.standard_normal((SECOND, len(s.unknowns) - block.shape[1]))]
            )
            for block, take, s in zip(self.deviates, picked, spaces, strict=True)
        ]
        enough = effective >= LEAST
        if new:
            later = self._later(plan, tuple(new), spaces, z)
            evidence = evidence + np.array([_log_mean(log) for log in later])
            enough &= np.array([_effective(log) for log in later]) >= LEAST_SECOND
            z = [block[_resample(log, SECOND, rng)] for block, log in zip(z, later, strict=True)]
        broad = likelihood.log_broad(rows)
        for number, space in enumerate(spaces):
            if space.cause.name == NONE:
                evidence[number], enough[number] = broad, True
        weight = np.log([space.cause.prior for space in spaces]) + evidence
        weight = np.exp(weight - weight.max())
        weight /= weight.sum()
        if not np.all(enough[weight > COUNTED]):
            return None
        suspects = [
            Suspect(s.cause, float(w), float(e), s, block[:HANDED], float(f), True, True)
            for s, w, e, block, f in zip(spaces, weight, evidence, z, effective, strict=True)
        ]
        suspects.sort(key=lambda item: -item.probability)
        base = forward.base(build, observe.only(plan, ()), self.model.car)
        return Posterior(build, spaces[0].unknowns, base, tuple(suspects), plan.silent)

    def _later(
        self, plan: observe.Plan, numbers: tuple[int, ...], spaces: list[Space], z: list[FloatArray]
    ) -> list[FloatArray]:
        """Log likelihood of the readings after a repair, for the draws of every cause."""
        part = observe.only(plan, numbers)
        base = forward.base(self.model.build, part, self.model.car)
        blocks = [space.all_values(block) for space, block in zip(spaces, z, strict=True)]
        stacked = {name: np.vstack([block[name] for block in blocks]) for name in blocks[0]}
        shown = _predict(base, stacked)
        return list(np.split(likelihood.log_likelihood(shown, part.observations), len(spaces)))


def bank(model: Model, seed: int) -> Bank:
    """Draw every cause and carry out every test on the draws."""
    rng = np.random.default_rng(seed)
    tried = tuple(item.reading for item in next_test.candidates(model, (), possible(model.build)))
    tried = tuple(row for row in tried if not row.conditions.lent)
    plan = observe.plan(model.build, tried, model.car[2])
    base = forward.base(model.build, plan, model.car)
    spaces, deviates, shown = [], [], []
    for cause in causes(model.build):
        space = Space(cause, model.unknowns, tuple(range(len(model.unknowns))))
        z = space.draw(DRAWS, rng)
        spaces.append(space)
        deviates.append(z)
        shown.append(_predict(base, space.all_values(z)))
    keys = {next_test.key(row.source): n for n, row in enumerate(plan.observations)}
    return Bank(model, spaces, deviates, shown, keys)


def _predict(base: forward.Base, values: dict[str, FloatArray]) -> FloatArray:
    """In pieces: a draw that cannot be solved has its piece halved over and over."""
    count = next(iter(values.values())).shape[0]
    pieces = [
        forward.predict(base, {name: row[at : at + PIECE] for name, row in values.items()})
        for at in range(0, count, PIECE)
    ]
    return np.nan_to_num(np.vstack(pieces))


def _log_mean(log: FloatArray) -> float:
    top = float(log.max())
    return top + float(np.log(np.mean(np.exp(log - top))))


def _effective(log: FloatArray) -> float:
    weight = np.exp(log - log.max())
    return float(weight.sum() ** 2 / (weight**2).sum())


def _resample(log: FloatArray, count: int, rng: np.random.Generator) -> np.ndarray:
    weight = np.cumsum(np.exp(log - log.max()))
    places = (rng.random() + rng.permutation(count)) / count * weight[-1]
    return np.minimum(np.searchsorted(weight, places), log.size - 1)
