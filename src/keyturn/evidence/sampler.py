"""Tempered sequential Monte Carlo over standard normal deviates: particles and evidence.

Del Moral, Doucet and Jasra 2006, Sequential Monte Carlo samplers, J. R. Stat. Soc. B 68. Steps of
the temperature are chosen so that the effective sample falls to a share; after each resampling
the particles are moved by steps that leave the tempered posterior unchanged: in turn a step that
keeps the Gaussian of the particles unchanged (autoregressive, Neal 1999) and a random walk. The
evidence is then weighed once more by importance sampling from what was found.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from keyturn.evidence import importance
from keyturn.evidence.causes import Space
from keyturn.system.circuit import FloatArray

TARGET = 0.5  # share of effective particles at which the next temperature is set
# Moves go on until the mean acceptances of the autoregressive ones add up to this. One such move
# carries a particle about as far as it can go, a random walk needs several.
SUM_ACCEPTED, LAST_ACCEPTED = 1.2, 2.4  # on the way, and at the full posterior
MOST_MOVES, MOST_LAST_MOVES = 10, 24
MOST_STAGES = 60
LEAST_STEP, FIRST_STEP = 0.05, 0.9
WALK_EVERY = 4  # each fourth move is a random walk, for what a Gaussian does not cover
STUCK = 0.95  # correlation of particles with where they stood: above this they have not moved

LogLikelihood = Callable[[FloatArray], FloatArray]


@dataclass(frozen=True)
class Cloud:
    """Equally weighted particles of one cause."""

    z: FloatArray  # (particles, active)
    log_likelihood: FloatArray
    log_evidence: float
    effective: float
    converged: bool
    stages: int
    moves: int


def sample(
    space: Space, log_likelihood: LogLikelihood, count: int, rng: np.random.Generator
) -> Cloud:
    """Particles of the posterior of one cause, with its log evidence."""
    z = space.draw(count, rng)
    value = log_likelihood(z)
    heat, evidence, moves, stages = 0.0, 0.0, 0, 0
    memory, share = 0.0, 1.0
    while heat < 1.0 and stages < MOST_STAGES:
        step = _next_step(value, 1.0 - heat)
        weight = _weights(value, step)
        evidence += _log_mean(value, step)
        share = 1.0 / float(np.sum(weight**2)) / count
        heat = 1.0 if step >= 1.0 - heat else heat + step
        chosen = _resample(weight, rng)
        z, value = z[chosen], value[chosen]
        z, value, made, memory = _move(space, log_likelihood, z, value, heat, rng)
        moves += made
        stages += 1
    fresh = importance.log_evidence(space, log_likelihood, z, rng) if heat >= 1.0 else None
    evidence = evidence if fresh is None else fresh
    effective = count / (1.0 + memory**2 * (1.0 / max(share, 1e-3) - 1.0))
    done = heat >= 1.0 and memory < STUCK and bool(np.isfinite(evidence))
    return Cloud(z, value, evidence, effective, done, stages, moves)


def _log_mean(value: FloatArray, step: float) -> float:
    top = float(np.max(value))
    return step * top + float(np.log(np.mean(np.exp(step * (value - top)))))


def _weights(value: FloatArray, step: float) -> FloatArray:
    weight = np.exp(step * (value - np.max(value)))
    return np.asarray(weight / weight.sum())


def _next_step(value: FloatArray, left: float) -> float:
    """Largest step whose effective share stays at the target."""

    def share(step: float) -> float:
        return 1.0 / float(np.sum(_weights(value, step) ** 2)) / value.size

    if share(left) >= TARGET:
        return left
    low, high = 0.0, left
    for _ in range(40):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if share(middle) >= TARGET else (low, middle)
    return max(low, 1e-9)


def _resample(
    weight: FloatArray, rng: np.random.Generator
) -> np.ndarray[tuple[int], np.dtype[np.intp]]:
    """Systematic resampling."""
    places = (rng.random() + np.arange(weight.size)) / weight.size
    return np.minimum(np.searchsorted(np.cumsum(weight), places), weight.size - 1)


def _move(
    space: Space,
    log_likelihood: LogLikelihood,
    z: FloatArray,
    value: FloatArray,
    heat: float,
    rng: np.random.Generator,
) -> tuple[FloatArray, FloatArray, int, float]:
    """Move all particles; also how many moves, and the worst correlation with the start."""
    if z.shape[1] == 0:
        return z, value, 0, 0.0
    start = z
    proposal = _Proposal(space, z)
    accepted, moves = 0.0, 0
    last = heat >= 1.0
    wanted, most = (LAST_ACCEPTED, MOST_LAST_MOVES) if last else (SUM_ACCEPTED, MOST_MOVES)
    while accepted < wanted and moves < most:
        kind = _kind(moves, space)
        new, bent = proposal.step(kind, z, rng)
        found = log_likelihood(new)
        ratio = heat * (found - value) + bent
        take = (np.log(rng.random(z.shape[0])) < ratio) & space.allowed(new)
        z = np.where(take[:, None], new, z)
        value = np.where(take, found, value)
        rate = float(take.mean())
        accepted += rate if kind in (AUTO, LEAP) else 0.0
        moves += 1
        proposal.adapt(kind, rate)
    return z, value, moves, _memory(start, z)


AUTO, WALK, REDRAW, LEAP = range(4)


def _kind(moves: int, space: Space) -> int:
    """Which kind of move comes next.

    Where faults come and go, single unknowns are drawn anew, and whole particles from the mixture
    over the sets of faults that was fitted: else a set of faults is hardly ever left.
    """
    if space.cause.least:
        return (LEAP, REDRAW, AUTO, REDRAW)[moves % 4]
    return WALK if moves % WALK_EVERY == WALK_EVERY - 1 else AUTO


class _Proposal:
    """Moves fitted to the particles at the start of a stage, their sizes adapted between moves."""

    def __init__(self, space: Space, z: FloatArray) -> None:
        self.mixture = importance.fit(space, z) if space.cause.least else None
        self.centre, self.root, self.inverse = _gaussian(z)
        self.sizes = {AUTO: FIRST_STEP, WALK: 2.38 / np.sqrt(z.shape[1])}

    def step(
        self, kind: int, z: FloatArray, rng: np.random.Generator
    ) -> tuple[FloatArray, FloatArray]:
        """New places, and the log ratio of prior and proposal."""
        if kind == REDRAW:  # one unknown of each particle from its prior: nothing is left to weigh
            new = z.copy()
            rows = np.arange(z.shape[0])
            new[rows, rng.integers(z.shape[1], size=rows.size)] = rng.standard_normal(rows.size)
            return new, np.zeros(rows.size)
        if kind == LEAP and self.mixture is not None:
            new = self.mixture.draw(z.shape[0], rng)
            return new, self.mixture.log_ratio(new) - self.mixture.log_ratio(z)
        kind = AUTO if kind == LEAP else kind
        noise = rng.standard_normal(z.shape) @ self.root.T
        size = self.sizes[kind]
        if kind == WALK:
            new = z + size * noise
            return new, 0.5 * ((z**2).sum(1) - (new**2).sum(1))
        new = self.centre + np.sqrt(1.0 - size**2) * (z - self.centre) + size * noise
        bent = self._half_square(new) - self._half_square(z)
        return new, bent + 0.5 * ((z**2).sum(1) - (new**2).sum(1))

    def _half_square(self, z: FloatArray) -> FloatArray:
        away = z - self.centre
        return np.asarray(0.5 * ((away @ self.inverse) * away).sum(axis=1))

    def adapt(self, kind: int, rate: float) -> None:
        if kind in self.sizes and rate < 0.25:
            self.sizes[kind] = max(self.sizes[kind] * 0.6, LEAST_STEP)


def _gaussian(z: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Mean, root of the covariance and its inverse; a little wider than the particles."""
    spread = np.atleast_2d(np.cov(z, rowvar=False)) * 1.1 + 1e-8 * np.eye(z.shape[1])
    root, inverse = np.linalg.cholesky(spread), np.linalg.inv(spread)
    return z.mean(axis=0), np.asarray(root, dtype=float), np.asarray(inverse, dtype=float)


def _memory(start: FloatArray, end: FloatArray) -> float:
    """Largest correlation over the unknowns between where particles stood and stand."""
    a, b = start - start.mean(axis=0), end - end.mean(axis=0)
    norm = np.sqrt((a**2).sum(axis=0) * (b**2).sum(axis=0)) + 1e-30
    return float(np.max(np.abs((a * b).sum(axis=0) / norm)))
