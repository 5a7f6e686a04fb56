"""`find` beside the Bayes ceiling by brute force: a bank of prior draws, no sampler.

The bank of scripts/validation/ceiling.py shares only the forward model and the priors with `find`;
its likelihood is written out from docs/theory/inference.md.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

sys.path.append(str(Path(__file__).parents[2] / "scripts"))

from scipy.stats import norm

from keyturn.evidence import importance
from keyturn.evidence.causes import Space
from keyturn.evidence.sampler import sample
from keyturn.evidence.unknowns import table
from keyturn.system.circuit import FloatArray
from validation import ceiling
from validation.cases import RAIL_ONLY, RICH, Job, answers, made, model_of

PICKUP = "pickup-screw"
CASES = 20
DRAWS = 40_000
# 0.04 on a mean of the largest difference: evidences of 384 particles scatter by a few per cent,
# and the bank's own by as much where the readings are informative.
APART = 0.04


@pytest.mark.validate
@pytest.mark.parametrize("readings", [RAIL_ONLY[1], RICH])
def test_top_1_reaches_the_ceiling(readings: str) -> None:
    found = ceiling.beside(answers(Job(PICKUP, readings, 0, CASES, seed=5)), DRAWS, seed=5)
    assert found["holds"], found
    assert found["apart_mean"] < APART
    # by the bank's own probabilities, free of luck: what find puts first is as good as the best
    assert found["expected"] > found["ceiling"] - 0.02


@pytest.mark.validate
def test_rail_pressures_alone_never_find_a_clogged_filter() -> None:
    named = float(table()["threshold"]["named"])
    for readings in RAIL_ONLY:
        rows = answers(Job(PICKUP, readings, 0, 10, seed=6, cause="filter"))
        assert max(row["claims"]["filter"] for row in rows) < named
    rows = answers(Job(PICKUP, RICH, 0, 10, seed=6, cause="filter"))
    assert sum(row["claims"]["filter"] >= named for row in rows) >= 5  # the control: it can be


def test_readings_that_say_nothing_leave_the_prior() -> None:
    bank = ceiling.bank(PICKUP, RAIL_ONLY[0], 400)
    blind = tuple(replace(row, value=0.0, spread=1e9) for row in bank.rows)
    whole, halves = ceiling.posterior(bank, blind)
    broad = np.prod([1.0 / row.broad for row in blind])
    flat = np.prod([0.99 / (1e9 * np.sqrt(2.0 * np.pi)) + 0.01 / row.broad for row in blind])
    weight = bank.prior * np.append(np.full(bank.prior.size - 1, flat), broad)
    # 1e-5: predictions are kept in single precision
    assert whole == pytest.approx(weight / weight.sum(), rel=1e-5)
    assert halves == pytest.approx(np.stack([whole, whole]), rel=1e-5)


def test_a_reading_from_nowhere_is_none_of_these() -> None:
    bank = ceiling.bank(PICKUP, RAIL_ONLY[1], 400)
    wild = tuple(replace(row, value=8.5e5 - 7.0e5 * (n % 2)) for n, row in enumerate(bank.rows))
    whole, _ = ceiling.posterior(bank, wild)
    assert bank.names[int(np.argmax(whole))] == "none of these"


def test_the_bound_can_fail() -> None:
    rng = np.random.default_rng(0)
    best = np.full(200, 0.8)
    for share, holds in ((0.8, True), (0.6, False)):
        right = (rng.random(200) < share).astype(float)
        rows = np.column_stack([right, best, best, best, np.zeros(200)])
        assert ceiling.summed(PICKUP, RAIL_ONLY[0], 1, rows)["holds"] is holds


def test_a_case_is_the_same_each_time_it_is_made() -> None:
    job = Job(PICKUP, RAIL_ONLY[0], 0, 2, seed=5)
    first, again, other = made(job, 0), made(job, 0), made(job, 1)
    assert first.readings == again.readings != other.readings


def test_slip_share_of_the_bank_is_that_of_the_page() -> None:
    """Written twice on purpose; a moved prior must be moved in both."""
    assert float(table()["slip"]["share"]) == ceiling.SLIPS


def test_evidence_of_a_normal_likelihood() -> None:
    """Closed form: z standard normal, y given z normal about z: y is normal, variance 1 + s^2."""
    model, causes = model_of(PICKUP)
    space = Space(causes[0], model.unknowns, tuple(range(6)))
    rng = np.random.default_rng(0)
    y, s = np.array([2.5, -1.0, 0.0, 0.5, 1.5, -2.0]), np.array([0.2, 0.5, 1.0, 2.0, 0.3, 0.4])

    def target(z: FloatArray) -> FloatArray:
        return np.asarray(norm.logpdf(y, z, s).sum(axis=1))

    exact = float(norm.logpdf(y, 0.0, np.sqrt(1.0 + s**2)).sum())
    found = [sample(space, target, count, rng).log_evidence for count in (384, 2304)]
    # three standard errors where half, or in 384 particles a quarter, of the draws count
    assert found[0] == pytest.approx(exact, abs=3.0 * np.sqrt(3.0 / 384))
    assert found[1] == pytest.approx(exact, abs=3.0 * np.sqrt(1.0 / 2304))


def test_evidence_of_no_reading_is_one_for_several_faults() -> None:
    """Drawing only from where enough is at fault must not count as evidence."""
    model, causes = model_of(PICKUP)
    several = next(cause for cause in causes if cause.least)
    space = Space(several, model.unknowns, tuple(range(len(model.unknowns))))
    rng = np.random.default_rng(0)
    flat = importance.log_evidence(space, lambda z: np.zeros(len(z)), space.draw(4000, rng), rng)
    # three standard errors with a tenth of 4000 draws counting
    assert flat == pytest.approx(0.0, abs=3.0 * np.sqrt(9.0 / 4000))
