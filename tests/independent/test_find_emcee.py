"""Posterior of `find` against emcee (Foreman-Mackey et al. 2013) on the same likelihood.

Stretch and differential-evolution moves; the snooker move of release 3.1.6 is biased and not used.
Tolerance: 0.2 posterior standard deviations at the 5, 50 and 95 % points. Both sides are samples: a
chain of about 2400 independent draws (autocorrelation about 66 steps) has a standard error of 0.045
deviations at the outer points of a normal law and more in a longer tail, ours about as much, and
hundreds of quantiles are looked at.
"""

from __future__ import annotations

import numpy as np
import pytest

import garage

emcee = pytest.importorskip("emcee")

from keyturn.evidence import forward, likelihood, sampler  # noqa: E402
from keyturn.evidence.causes import Space, causes  # noqa: E402
from keyturn.evidence.infer import focus  # noqa: E402
from keyturn.evidence.observe import imagined  # noqa: E402
from keyturn.evidence.reading import Conditions  # noqa: E402
from keyturn.evidence.simulate import case_of  # noqa: E402

CASES = [
    ("pickup-screw", "as described"),
    ("pickup-screw", "set point"),
    ("pickup-screw", "wiring"),
    ("pickup-screw", "gauge"),
    ("pickup-screw", "reference hose"),
    ("v8-5400", "filter"),
    ("v8-5400", "pump"),
    ("v8-5400", "feed line"),
    ("v8-5400", "strainer"),
    ("v8-5400", "leak in the tank"),
]
READ = (
    imagined("rail-pressure", "key-on"),
    imagined("rail-pressure", "full-load"),
    imagined("before-filter", "full-load"),
    imagined("pump-voltage", "full-load"),
    imagined("timed-volume", "key-on", Conditions(pressure_gauge=3.0e5, duration=30.0)),
)
WALKERS, STEPS, BURN = 64, 2500, 500
TOLERANCE = 0.2
LEAST_SHRINK = 0.9  # unknowns that the readings tell nothing of are prior on both sides


@pytest.mark.validate
@pytest.mark.parametrize(("name", "wanted"), CASES)
def test_quantiles_agree_with_emcee(name: str, wanted: str) -> None:
    model = garage.model_of(name)
    cause = next(row for row in causes(model.build) if row.name == wanted)
    rng = np.random.default_rng(11)
    true = case_of(model, READ, cause, rng)
    base, active, _ = focus(model, true.readings)
    space = Space(cause, model.unknowns, active)

    def target(z: np.ndarray) -> np.ndarray:
        predicted = forward.predict(base, space.values(z))
        return likelihood.log_likelihood(predicted, base.plan.observations)

    ours = sampler.sample(space, target, 4096, rng)
    assert ours.converged
    theirs = chain(target, ours.z, rng)
    compared = 0
    for number in range(len(active)):
        spread = float(np.std(theirs[:, number]))
        if spread > LEAST_SHRINK and abs(float(np.mean(theirs[:, number]))) < 0.3:
            continue
        compared += 1
        for q in (0.05, 0.5, 0.95):
            a, b = np.quantile(ours.z[:, number], q), np.quantile(theirs[:, number], q)
            assert abs(a - b) < TOLERANCE * spread, (model.unknowns[active[number]].name, q, a, b)
    assert compared > 0


def chain(target, start, rng):  # type: ignore[no-untyped-def]
    """Independent draws by emcee; the walkers start spread over the prior near the particles."""
    walkers = start[rng.permutation(start.shape[0])[:WALKERS]]
    walkers = walkers + 0.3 * rng.standard_normal(walkers.shape)

    def log_posterior(z):  # type: ignore[no-untyped-def]
        return target(z) - 0.5 * (z**2).sum(axis=1)

    moves = [(emcee.moves.StretchMove(), 0.4), (emcee.moves.DEMove(), 0.6)]
    run = emcee.EnsembleSampler(WALKERS, start.shape[1], log_posterior, vectorize=True, moves=moves)
    run.random_state = np.random.RandomState(3).get_state()
    run.run_mcmc(walkers, STEPS + BURN, skip_initial_state_check=True)
    return run.get_chain(discard=BURN, flat=True)
