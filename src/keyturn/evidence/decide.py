"""Act now or test first: what each repair is expected to cost, and when a car may be called clear.

Each cause has two branches: with a fault that matters (`consequence`) and without. Without any
further test the best that can be done is to repair in the order of chance over price, looking
after each, and to leave off where the rest is not worth it (Heckerman, Breese and Rommelse 1995,
Decision-theoretic troubleshooting, Comm. ACM 38(3)). What that is expected to cost is the loss; a
test is worth what it takes off it (Raiffa and Schlaifer 1961, ch. 4).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from keyturn.build.schema import read_data
from keyturn.evidence import consequence, renewed
from keyturn.evidence.causes import HEALTHY, NONE, Cause, causes
from keyturn.evidence.infer import Model, Posterior, Suspect
from keyturn.evidence.pooled import whole_deviates
from keyturn.evidence.result import Act, NextTest
from keyturn.system.circuit import FloatArray

LEAST_CAUSE = 2e-3  # causes below this are not followed
PER_CAUSE = 512


@dataclass(frozen=True)
class Branch:
    """Particles of one followed cause, all with a fault that matters or all without."""

    cause: Cause
    at: int  # of the cause among those followed
    matters: bool
    weight: float
    chosen: NDArray[np.intp]  # of the cause's particles
    mended: Mapping[str, float]  # chance that a repair meets something at fault


@dataclass(frozen=True)
class Belief:
    """What is known, ready for decisions."""

    followed: tuple[Suspect, ...]
    whole: tuple[FloatArray, ...]  # deviates of every unknown for each of them
    branches: tuple[Branch, ...]
    leave: float  # what leaving the car as it is takes when nothing is wrong
    causes: tuple[Cause, ...]  # that the build can have

    @property
    def weight(self) -> FloatArray:
        return np.array([branch.weight for branch in self.branches])

    @property
    def left(self) -> float:
        """Chance that a fault that matters is left."""
        return sum(branch.weight for branch in self.branches if branch.matters)


@cache
def tests() -> Mapping[str, Any]:
    """data/tests.toml."""
    return read_data("tests.toml")


@cache
def wrong_repair() -> Mapping[str, Any]:
    """What a repair that did not help costs beside itself."""
    found: Mapping[str, Any] = read_data("causes.toml")["wrong_repair"]
    return found


def hour() -> float:
    """An hour of the builder's time in money."""
    return float(tests()["money"]["hour"])


def price(cause: Cause) -> float:
    """Money and time of a repair, in money."""
    return cause.money + cause.hours * hour()


def retest() -> float:
    """Money and time of repeating the readings after a repair."""
    names = tests()["retest"]["tests"]
    rows = [row for row in tests()["test"] if row["name"] in names]
    return sum(float(row["minutes"]) for row in rows) / 60.0 * hour()


def belief(
    posterior: Posterior,
    model: Model,
    repaired: tuple[str, ...],
    rng: np.random.Generator,
    probe: consequence.Probe | None = None,
) -> Belief:
    """Branches after the readings and the repairs so far."""
    probe = probe or consequence.probe(model)
    followed = tuple(item for item in posterior.suspects if item.probability >= LEAST_CAUSE)
    whole, bad = [], []
    for item in followed:
        size = min(PER_CAUSE, item.z.shape[0])
        chosen = item.z[rng.permutation(item.z.shape[0])[:size]]
        whole.append(whole_deviates(item.space, chosen, rng))
        bad.append(
            np.ones(size, dtype=bool)
            if item.cause.name == NONE
            else consequence.matters(probe, item.space, whole[-1], repaired)
        )
    return believed(followed, tuple(whole), tuple(bad), repaired, causes(model.build))


def believed(
    followed: tuple[Suspect, ...],
    whole: tuple[FloatArray, ...],
    bad: tuple[consequence.Mask, ...],
    repaired: tuple[str, ...],
    every: tuple[Cause, ...],
) -> Belief:
    """The same where it is known already which particles have a fault that matters."""
    total = sum(item.probability for item in followed)
    branches = tuple(
        branch
        for at, item in enumerate(followed)
        for branch in _branches(item, at, whole[at], bad[at], repaired, total)
    )
    healthy = next(row for row in every if row.name == HEALTHY)
    leave = 0.0 if repaired else price(healthy)
    return Belief(followed, whole, branches, leave, every)


def _branches(
    item: Suspect,
    at: int,
    whole: FloatArray,
    bad: consequence.Mask,
    repaired: tuple[str, ...],
    total: float,
) -> list[Branch]:
    broken = consequence.broken(item.space, whole)
    out = []
    for matters in (True, False):
        chosen = np.flatnonzero(bad == matters)
        if not chosen.size:
            continue
        mended = {
            name: float(np.any([broken[u][chosen, 0] for u in own if u in broken], axis=0).mean())
            for name, own in renewed.repairable().items()
            if name not in repaired and any(u in broken for u in own)
        }
        share = item.probability / total * chosen.size / bad.size
        out.append(Branch(item.cause, at, matters, share, chosen, mended))
    return out


@dataclass(frozen=True)
class Prospect:
    """Repairs in order without a further test, for each column of weights."""

    loss: FloatArray  # (columns,) expected money and time
    saves: FloatArray  # (columns,) over leaving the car as it is
    first: NDArray[np.intp]  # (columns,) branch whose repair comes first, -1: leave the car


def prospect(state: Belief, joint: FloatArray) -> Prospect:
    """What is best done from here without a test; ``joint`` are weights (branches, columns)."""
    bad = np.flatnonzero([branch.matters for branch in state.branches])
    fine = joint.sum(axis=0) - joint[bad].sum(axis=0)
    look = float(wrong_repair()["hours"]) * hour()
    rows = [state.branches[number].cause for number in bad]
    cost = np.array([price(row) + retest() for row in rows])
    wrong = np.array([row.wrong for row in rows])
    worth = np.where(wrong > cost, joint[bad].T / cost, 0.0)  # (columns, things)
    order = np.argsort(-worth, axis=1, kind="stable")
    chance = np.take_along_axis(joint[bad].T, order, axis=1)
    spent = np.cumsum(cost[order] + look, axis=1)
    met = np.cumsum(chance * (spent - look), axis=1)
    open_ = chance.sum(axis=1, keepdims=True) - np.cumsum(chance, axis=1)
    missed = chance * wrong[order]
    missed = missed.sum(axis=1, keepdims=True) - np.cumsum(missed, axis=1)
    leave = fine * state.leave
    repaired = met + missed + spent * (open_ + fine[:, None]) + leave[:, None]
    nothing = (joint[bad].T @ wrong + leave)[:, None]
    totals = np.hstack([nothing, repaired])
    best = totals.argmin(axis=1)
    loss = totals.min(axis=1)
    start = bad[order[:, 0]] if bad.size else np.zeros(best.size, dtype=np.intp)
    return Prospect(loss, nothing[:, 0] - loss, np.where(best > 0, start, -1))


def act(state: Belief, ranked: tuple[NextTest, ...]) -> Act:
    """The next thing to do: a test, a repair, leaving the car as it is, or asking someone."""
    left = state.left
    worth = next((row for row in ranked if row.net > 0.0), None)
    if worth is not None:
        return Act("test", worth.name, worth.words, worth.net, left)
    ahead = prospect(state, state.weight[:, None])
    if ahead.first[0] >= 0:
        return _repair(state, state.branches[ahead.first[0]], float(ahead.saves[0]))
    if left <= float(consequence.table()["clear"]["left"]):
        return Act("leave", HEALTHY, "", 0.0, left)
    asking = next((price(row) for row in state.causes if row.name == NONE), np.inf)
    proving = [row for row in ranked if 0.0 < row.proof <= asking]
    if proving:
        row = max(proving, key=lambda one: one.clears / max(one.saves - one.net, 1.0))
        return Act("test", row.name, row.words, row.net, left)
    bad = [branch for branch in state.branches if branch.matters]
    leading = max(bad, key=lambda branch: branch.weight)
    if leading.weight > 0.5 and leading.cause.name != NONE:
        return _repair(state, leading, 0.0)
    return Act("ask", NONE, "", 0.0, left)


def _repair(state: Belief, branch: Branch, saves: float) -> Act:
    """The repair of one branch; of several faults the likeliest for its price."""
    if branch.cause.name == NONE:
        return Act("ask", NONE, branch.cause.repair, saves, state.left)
    rows = {row.name: row for row in state.causes}
    names = [name for name in branch.mended if name in rows]
    if not names:
        return Act("ask", NONE, "", saves, state.left)
    name = max(names, key=lambda one: branch.mended[one] / price(rows[one]))
    return Act("repair", name, rows[name].repair, saves, state.left)
