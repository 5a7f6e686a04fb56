"""All causes against all readings: one cloud of particles per cause, weighed by evidence."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from keyturn.build.model import Build
from keyturn.evidence import forward, likelihood, observe, renewed, sampler, sensors
from keyturn.evidence.causes import HEALTHY, NONE, Cause, Space, causes
from keyturn.evidence.reading import Reading
from keyturn.evidence.unknowns import Unknown, unknowns
from keyturn.system.circuit import FloatArray

SCREEN = 384  # particles of the first look at every cause
FULL = 2304  # particles of a cause that stays in question
KEPT = 0.02  # a cause above this after the first look is sampled in full
FELT = 1e-3  # change of a prediction, in sigmas, above which an unknown is felt
FELT_SOUND = 0.02  # the same for a healthy unknown: below, its spread is lost in the instrument's
PROBES = 6
YES_NO = 0.05  # a chance of a yes that moves by this is one sigma
AGREE = 1.5  # log evidence of the first look and of the full sample may differ by this


@dataclass(frozen=True)
class Suspect:
    """One cause after the readings."""

    cause: Cause
    probability: float
    log_evidence: float
    space: Space
    z: FloatArray  # (particles, active)
    effective: float
    converged: bool
    full: bool


@dataclass(frozen=True)
class Posterior:
    build: Build
    unknowns: tuple[Unknown, ...]
    base: forward.Base
    suspects: tuple[Suspect, ...]  # most probable first
    silent: tuple[str, ...]

    @property
    def rows(self) -> tuple[observe.Observation, ...]:
        return self.base.plan.observations


def infer(
    build: Build,
    readings: tuple[Reading, ...],
    rng: np.random.Generator,
    moved: Mapping[str, float] | None = None,
    full: int = FULL,
    model: Model | None = None,
) -> Posterior:
    """Posterior over causes and unknowns."""
    model = model or prepare(build)
    known = sensors.widened(model.unknowns, readings)
    model = replace(model, unknowns=renewed.widened(known, readings))
    base, active, silent = focus(model, readings)
    rows = base.plan.observations
    clouds: dict[tuple[str, ...], sampler.Cloud] = {}
    sound = felt_sound(base, model.unknowns)
    spaces = [narrowed(cause, model.unknowns, active, sound) for cause in causes(build, moved)]

    def cloud(space: Space, count: int, look: str = "") -> sampler.Cloud:
        key = (*_key(space, count), look)
        if key not in clouds:
            clouds[key] = sampler.sample(space, target(base, space), count, rng)
        return clouds[key]

    broad = likelihood.log_broad(rows)
    first = [cloud(space, SCREEN) if _sampled(space) else None for space in spaces]
    evidence = [broad if item is None else item.log_evidence for item in first]
    weight = _probabilities(spaces, evidence)
    final = [
        item if item is None or weight[n] < KEPT else cloud(spaces[n], full)
        for n, item in enumerate(first)
    ]
    for n, item in enumerate(final):
        if item is not first[n] and not _settled(item, first[n]):
            # a first look of few particles can miss a narrow posterior: a second full one decides
            first[n] = cloud(spaces[n], full, "again")
    evidence = [broad if item is None else item.log_evidence for item in final]
    weight = _probabilities(spaces, evidence)
    suspects = [
        Suspect(
            cause=space.cause,
            probability=float(weight[n]),
            log_evidence=evidence[n],
            space=space,
            z=space.draw(SCREEN, rng) if item is None else item.z,
            effective=float(SCREEN) if item is None else item.effective,
            converged=_settled(item, first[n]),
            full=item is not None and item.z.shape[0] == full,
        )
        for n, (space, item) in enumerate(zip(spaces, final, strict=True))
    ]
    suspects.sort(key=lambda item: -item.probability)
    return Posterior(build, model.unknowns, base, tuple(suspects), silent)


@dataclass(frozen=True)
class Model:
    """What is the same for every set of readings of one build."""

    build: Build
    unknowns: tuple[Unknown, ...]
    car: forward.Car


def prepare(build: Build) -> Model:
    """Unknowns of the build and its nominal car."""
    return Model(build, unknowns(build), forward.nominal(build))


def focus(
    model: Model, readings: tuple[Reading, ...]
) -> tuple[forward.Base, tuple[int, ...], tuple[str, ...]]:
    """The working points of the readings, and which unknowns they can feel."""
    plan = observe.plan(model.build, readings, model.car[2])
    base = forward.base(model.build, plan, model.car)
    return base, felt(base, model.unknowns), plan.silent


def felt(base: forward.Base, rows: tuple[Unknown, ...]) -> tuple[int, ...]:
    """Columns of the unknowns that move some prediction, in healthy cars or in broken ones."""
    points = np.random.default_rng(1).standard_normal((PROBES, len(rows)))
    broken = np.arange(PROBES)[:, None] % 2 == 0  # every other probe has all faults at once
    start = {}
    for n, row in enumerate(rows):
        sound, fault = (row.value(points[:, [n]], faulty) for faulty in (False, True))
        start[row.name] = np.where(broken, fault, sound)
    changes = [
        (n, {row.name: row.value(points[:, [n]] + step, faulty)})
        for n, row in enumerate(rows)
        for step, faulty in ((2.0, False), (0.0, True))
    ]
    stacked = {
        name: np.vstack([value, *(change.get(name, value) for _, change in changes)])
        for name, value in start.items()
    }
    predicted = forward.predict(base, stacked).reshape(1 + len(changes), PROBES, -1)
    spread = np.array([item.spread or YES_NO for item in base.plan.observations])
    away = np.nanmax(np.abs(predicted[1:] - predicted[:1]) / spread, axis=(1, 2))
    return tuple(sorted({n for (n, _), far in zip(changes, away, strict=True) if far > FELT}))


def felt_sound(base: forward.Base, rows: tuple[Unknown, ...]) -> tuple[int, ...]:
    """Columns of the unknowns that move some prediction while they are healthy themselves."""
    points = np.random.default_rng(1).standard_normal((PROBES, len(rows)))
    broken = np.arange(PROBES)[:, None] % 2 == 0
    start = {
        row.name: np.where(
            broken, row.value(points[:, [n]], True), row.value(points[:, [n]], False)
        )
        for n, row in enumerate(rows)
    }
    changes = [
        {row.name: row.value(points[:, [n]] + step, False)}
        for n, row in enumerate(rows)
        for step in (0.0, 2.0)
    ]
    stacked = {
        name: np.vstack([change.get(name, value) for change in changes])
        for name, value in start.items()
    }
    predicted = forward.predict(base, stacked).reshape(len(rows), 2, PROBES, -1)
    spread = np.array([item.spread or YES_NO for item in base.plan.observations])
    away = np.nanmax(np.abs(predicted[:, 1] - predicted[:, 0]) / spread, axis=(1, 2))
    return tuple(int(n) for n in np.flatnonzero(away > FELT_SOUND))


def narrowed(
    cause: Cause, rows: tuple[Unknown, ...], active: tuple[int, ...], sound: tuple[int, ...]
) -> Space:
    """What is sampled of one cause: what is felt in its healthy spread, and the cause's faults.

    Where some of several are at fault, all that may be: a fault that no reading feels still
    counts towards how many there are.
    """
    faulty = {n for n, row in enumerate(rows) if row.name in cause.at_fault}
    columns = {*sound, *(faulty if cause.least else faulty & set(active))}
    return Space(cause, rows, tuple(sorted(columns)))


def target(base: forward.Base, space: Space) -> sampler.LogLikelihood:
    """Log likelihood of the readings, of deviates of a space."""
    rows = base.plan.observations

    def log_likelihood(z: FloatArray) -> FloatArray:
        return likelihood.log_likelihood(forward.predict(base, space.values(z)), rows)

    return log_likelihood


def _sampled(space: Space) -> bool:
    return space.cause.name != NONE


def _key(space: Space, count: int) -> tuple[str, ...]:
    """Causes whose fault no reading feels share the cloud of the healthy car."""
    name = space.cause.name if space.felt() else HEALTHY
    return name, str(count)


def _settled(final: sampler.Cloud | None, first: sampler.Cloud | None) -> bool:
    """Whether the particles moved, and two runs agree about the evidence."""
    if final is None or first is None:
        return True
    return final.converged and abs(final.log_evidence - first.log_evidence) < AGREE


def _probabilities(spaces: list[Space], evidence: list[float]) -> FloatArray:
    prior = np.array([space.cause.prior for space in spaces])
    with np.errstate(divide="ignore"):
        total = np.log(prior) + np.array(evidence)
    weight = np.exp(total - total.max())
    return np.asarray(weight / weight.sum())
