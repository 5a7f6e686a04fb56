"""Posterior from prior draws that are made once for a build, for a thousand cases in minutes.

The same prior, forward model and likelihood as `infer`. Draws of every cause are weighed by the
readings before any repair; what every test would show of them, and which of them have a fault that
matters, is known from the start. At a repair draws are picked by weight, what was renewed is drawn
anew, and the later readings weigh them on. Where a cause that counts has too few effective draws,
`infer` itself answers.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from keyturn.evidence import (
    consequence,
    decide,
    forward,
    infer,
    likelihood,
    next_test,
    observe,
    renewed,
    sampler,
)
from keyturn.evidence.causes import NONE, Cause, Space, causes, possible
from keyturn.evidence.infer import Model, Posterior, Suspect
from keyturn.evidence.reading import Reading
from keyturn.evidence.result import NextTest
from keyturn.system.circuit import FloatArray

Numbers = NDArray[np.floating]  # single precision in the bank
PIECE = 1000
DRAWS = 24_000  # of each cause
LATER = 8_000  # of all causes together after a repair, by their probability
LEAST_LATER, MOST_LATER = 200, 3_000  # of one cause
ALIVE = 1e-4  # causes above this are followed past a repair
COUNTED = 0.05  # a cause above this needs enough effective draws
LEAST = 100.0
FULL = 512  # particles where `infer` answers
HANDED = 160  # particles of a cause handed on to the ranking


@dataclass
class Bank:
    """Draws of every cause of one build, and what they would show in every test."""

    model: Model
    rows: tuple[Cause, ...]
    spaces: list[Space]
    z: list[Numbers]
    shown: list[Numbers]  # (draws, tests) of each cause
    bad: list[consequence.Mask]
    tests: tuple[observe.Observation, ...]
    keys: dict[tuple[object, ...], int]
    probe: consequence.Probe
    expected: dict[tuple[object, ...], FloatArray] = field(default_factory=dict)
    logs: dict[tuple[object, ...], list[Numbers]] = field(default_factory=dict)  # of one case

    def log(self, row: observe.Observation) -> list[Numbers]:
        """Log likelihood of one reading for all draws; kept while a case lasts."""
        at = next_test.key(row.source)
        name = (*at, row.value)
        if name not in self.logs:
            column = self.keys[at]
            self.logs[name] = [_log(block[:, column], row) for block in self.shown]
        return self.logs[name]


@dataclass
class Mind:
    """What is believed in one case, reading by reading."""

    bank: Bank
    rng: np.random.Generator
    readings: tuple[Reading, ...] = ()
    rows: list[Cause] = field(default_factory=list)  # that are followed
    spaces: list[Space] = field(default_factory=list)
    z: list[Numbers] = field(default_factory=list)
    logs: list[Numbers] = field(default_factory=list)
    before: list[float] = field(default_factory=list)  # log evidence before the last repair
    fewest: list[float] = field(default_factory=list)  # effective draws at earlier repairs
    broad: float = 0.0  # log evidence of "none of these"
    fell_back: int = 0
    clouds: dict[str, sampler.Cloud] = field(default_factory=dict)  # of causes sampled anew
    narrow: dict[str, Space] = field(default_factory=dict)  # their unknowns

    def __post_init__(self) -> None:
        known = [n for n, row in enumerate(self.bank.rows) if row.name != NONE]
        self.rows = [self.bank.rows[n] for n in known]
        self.spaces = [self.bank.spaces[n] for n in known]
        self.z = [self.bank.z[n] for n in known]
        self.logs = [np.zeros(len(block), dtype=np.float32) for block in self.z]
        self.before = [0.0] * len(known)
        self.fewest = [np.inf] * len(known)

    def read(self, readings: tuple[Reading, ...]) -> None:
        """Take in what is new among the readings of the case."""
        for reading in readings[len(self.readings) :]:
            last = self.readings[-1].conditions.renewed if self.readings else None
            if reading.conditions.renewed != last:
                self._repaired()
            self.readings = (*self.readings, reading)
            model = self.bank.model
            plan = observe.plan(model.build, (reading,), model.car[2])
            self.broad += likelihood.log_broad(plan.observations)
            for row in plan.observations:
                self._weigh(row, plan)

    def _weigh(self, row: observe.Observation, plan: observe.Plan) -> None:
        if self.first:
            found = self.bank.log(row)
            at = {cause.name: n for n, cause in enumerate(self.bank.rows)}
            more = [found[at[cause.name]] for cause in self.rows]
        else:
            more = list(self._later(row, plan))
        self.logs = [log + new for log, new in zip(self.logs, more, strict=True)]

    @property
    def first(self) -> bool:
        """Whether nothing is renewed yet."""
        return not (self.readings and self.readings[-1].conditions.renewed)

    def _repaired(self) -> None:
        """Pick draws by weight for the car in which something will be renewed."""
        chance = self.probabilities()[:-1]
        kept = [n for n, p in enumerate(chance) if p > ALIVE]
        sizes = [int(np.clip(LATER * chance[n], LEAST_LATER, MOST_LATER)) for n in kept]
        picked = [
            _resample(self.logs[n], size, self.rng) for n, size in zip(kept, sizes, strict=True)
        ]
        self.before = [self.before[n] + _log_mean(self.logs[n]) for n in kept]
        self.fewest = [min(self.fewest[n], effective(self.logs[n])) for n in kept]
        self.z = [self.z[n][take] for n, take in zip(kept, picked, strict=True)]
        self.rows = [self.rows[n] for n in kept]
        self.spaces = [self.spaces[n] for n in kept]
        self.logs = [np.zeros(size) for size in sizes]

    def _later(self, row: observe.Observation, plan: observe.Plan) -> list[Numbers]:
        """Log likelihood of a reading after a repair; empty when only "none of these" is left."""
        if not self.spaces:
            return []
        model, reading = self.bank.model, (row.source,)
        for n, space in enumerate(self.spaces):
            rows = renewed.widened(space.unknowns, reading)
            more = self.rng.standard_normal((len(self.z[n]), len(rows) - self.z[n].shape[1]))
            self.z[n] = np.hstack([np.asarray(self.z[n], dtype=float), more])
            self.spaces[n] = replace(space, unknowns=rows, active=tuple(range(len(rows))))
        base = forward.base(model.build, plan, model.car)
        blocks = [
            space.all_values(np.asarray(block, dtype=float))
            for space, block in zip(self.spaces, self.z, strict=True)
        ]
        stacked = {name: np.vstack([block[name] for block in blocks]) for name in blocks[0]}
        log = likelihood.log_likelihood(_predict(base, stacked), plan.observations)
        return list(np.split(log, np.cumsum([len(block) for block in self.z])[:-1]))

    def probabilities(self) -> FloatArray:
        """Of the followed causes, and at the end of "none of these"."""
        prior = {row.name: row.prior for row in self.bank.rows}
        evidence = [
            self.clouds[row.name].log_evidence if row.name in self.clouds else b + _log_mean(log)
            for row, b, log in zip(self.rows, self.before, self.logs, strict=True)
        ]
        names = [row.name for row in self.rows] + [NONE]
        weight = np.log([prior[name] for name in names]) + np.array([*evidence, self.broad])
        weight = np.exp(weight - weight.max())
        return np.asarray(weight / weight.sum())

    def effective(self) -> FloatArray:
        """Effective draws of each followed cause, the fewest on the way."""
        now = [effective(log) for log in self.logs]
        return np.minimum(now, self.fewest)

    def trust(self) -> None:
        """Sample anew, as `infer` does, each cause that counts and has too few effective draws."""
        self.clouds = {}
        few = self.effective() < LEAST
        focus: tuple[forward.Base, tuple[int, ...], tuple[int, ...]] | None = None
        while True:
            chance = self.probabilities()[:-1]
            short = [
                n
                for n, row in enumerate(self.rows)
                if few[n] and chance[n] > COUNTED and row.name not in self.clouds
            ]
            if not short:
                return
            self.fell_back += 1
            unknowns = renewed.widened(self.bank.model.unknowns, self.readings)
            if focus is None:
                model = replace(self.bank.model, unknowns=unknowns)
                base, active, _ = infer.focus(model, self.readings)
                focus = base, active, infer.felt_sound(base, unknowns)
            for n in short:
                space = infer.narrowed(self.rows[n], unknowns, focus[1], focus[2])
                target = infer.target(focus[0], space)
                self.clouds[self.rows[n].name] = sampler.sample(space, target, FULL, self.rng)
                self.narrow[self.rows[n].name] = space

    def judged(
        self, repaired: tuple[str, ...], tried: list[next_test.Candidate]
    ) -> tuple[decide.Belief, tuple[NextTest, ...]]:
        """What `find` would say of the causes and of the tests."""
        state, rows, predicted = self.foreseen(repaired, tried)
        return state, next_test.weighed(state, tried, rows, predicted) if tried else ()

    def foreseen(
        self, repaired: tuple[str, ...], tried: list[next_test.Candidate]
    ) -> tuple[decide.Belief, tuple[observe.Observation, ...], list[FloatArray]]:
        """What is believed, and what each test would show of the particles."""
        bank = self.bank
        model = bank.model
        self.trust()
        suspects, picked = self.suspects()
        if not self.first or self.clouds:
            base = forward.base(model.build, observe.Plan((), ()), model.car)
            posterior = Posterior(model.build, model.unknowns, base, tuple(suspects), ())
            state = decide.belief(posterior, model, repaired, self.rng, bank.probe)
            return state, *next_test.foreseen(state, model, tried)
        at = {cause.name: n for n, cause in enumerate(bank.rows)}
        taken = [(at[item.cause.name], take) for item, take in zip(suspects, picked, strict=True)]
        followed = [n for n, item in enumerate(suspects) if item.probability >= decide.LEAST_CAUSE]
        state = decide.believed(
            tuple(suspects[n] for n in followed),
            tuple(suspects[n].z for n in followed),
            tuple(bank.bad[taken[n][0]][taken[n][1]] for n in followed),
            repaired,
            bank.rows,
        )
        columns = [bank.keys[next_test.key(item.reading)] for item in tried]
        rows = tuple(replace(bank.tests[column], number=n) for n, column in enumerate(columns))
        predicted = [
            bank.shown[taken[n][0]][taken[n][1]][:, columns].astype(float) for n in followed
        ]
        return state, rows, predicted

    def suspects(self) -> tuple[list[Suspect], list[NDArray[np.intp]]]:
        """Equally weighted particles of every cause, and which draws they are."""
        chance = self.probabilities()
        none = next(n for n, row in enumerate(self.bank.rows) if row.name == NONE)
        fewest = self.effective()
        found, picked = [], []
        for n, row in enumerate([*self.rows, self.bank.rows[none]]):
            lost = row.name == NONE
            log = np.zeros(len(self.bank.z[none])) if lost else self.logs[n]
            take = _resample(log, HANDED, self.rng)
            z = np.asarray((self.bank.z[none] if lost else self.z[n])[take], dtype=float)
            space = self.bank.spaces[none] if lost else self.spaces[n]
            if lost and self.spaces:
                wide = self.spaces[0].unknowns
                more = self.rng.standard_normal((HANDED, len(wide) - z.shape[1]))
                z = np.hstack([z, more])
                space = replace(space, unknowns=wide, active=tuple(range(len(wide))))
            if row.name in self.clouds:
                cloud = self.clouds[row.name]
                z, space = cloud.z, self.narrow[row.name]
                fewest[n] = cloud.effective
            own = float(LEAST) if lost else float(fewest[n])
            found.append(Suspect(row, float(chance[n]), 0.0, space, z, own, True, True))
            picked.append(take)
        order = np.argsort([-item.probability for item in found])
        return [found[n] for n in order], [picked[n] for n in order]


def bank(model: Model, seed: int, draws: int = DRAWS) -> Bank:
    """Draw every cause and carry out every test on the draws."""
    rng = np.random.default_rng(seed)
    tried = tuple(item.reading for item in next_test.candidates(model, (), possible(model.build)))
    plan = observe.plan(model.build, tried, model.car[2])
    base = forward.base(model.build, plan, model.car)
    probe = consequence.probe(model)
    rows = causes(model.build)
    unknowns = renewed.widened(model.unknowns, tried)
    spaces, deviates, shown, bad = [], [], [], []
    for cause in rows:
        space = Space(cause, unknowns, tuple(range(len(unknowns))))
        z = space.draw(draws, rng)
        spaces.append(space)
        deviates.append(z.astype(np.float32))
        if cause.name == NONE:
            shown.append(np.zeros((draws, len(plan.observations)), dtype=np.float32))
            bad.append(np.ones(draws, dtype=bool))
            continue
        shown.append(_predict(base, space.all_values(z)).astype(np.float32))
        bad.append(_matters(probe, space, z))
    keys = {next_test.key(row.source): n for n, row in enumerate(plan.observations)}
    return Bank(model, rows, spaces, deviates, shown, bad, plan.observations, keys, probe)


def _matters(probe: consequence.Probe, space: Space, z: FloatArray) -> consequence.Mask:
    pieces = [z[at : at + PIECE] for at in range(0, len(z), PIECE)]
    return np.concatenate([consequence.matters(probe, space, piece) for piece in pieces])


def _predict(base: forward.Base, values: dict[str, FloatArray]) -> FloatArray:
    """In pieces: a draw that cannot be solved has its piece halved over and over."""
    count = next(iter(values.values())).shape[0]
    pieces = [
        forward.predict(base, {name: row[at : at + PIECE] for name, row in values.items()})
        for at in range(0, count, PIECE)
    ]
    return np.nan_to_num(np.vstack(pieces))


def _log(shown: Numbers, row: observe.Observation) -> Numbers:
    """As `likelihood.log_likelihood` of one reading, in single precision."""
    share = likelihood.slip_share()
    if row.yes_no:
        plain = shown if row.value > 0.5 else 1.0 - shown
    else:
        away = (np.float32(row.value) - shown) / np.float32(row.spread)
        plain = np.exp(np.float32(-0.5) * away**2) / np.float32(row.spread * np.sqrt(2.0 * np.pi))
    return np.asarray(np.log((1.0 - share) * plain + share / row.broad), dtype=np.float32)


def _log_mean(log: Numbers) -> float:
    top = float(log.max())
    return top + float(np.log(np.mean(np.exp(log - top), dtype=float)))


def effective(log: Numbers) -> float:
    """Effective number of draws of these weights."""
    weight = np.exp(log - log.max())
    return float(weight.sum(dtype=float) ** 2 / (weight**2).sum(dtype=float))


def _resample(log: Numbers, count: int, rng: np.random.Generator) -> NDArray[np.intp]:
    weight = np.cumsum(np.exp(log - log.max()), dtype=float)
    places = (rng.random() + rng.permutation(count)) / count * weight[-1]
    return np.asarray(np.minimum(np.searchsorted(weight, places), log.size - 1))
