"""Readings for tests, typed as a builder would: psi, volts, litres."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np

import keyturn
from keyturn.evidence import forward, observe
from keyturn.evidence.infer import Model, Posterior, infer, prepare
from keyturn.evidence.reading import Conditions, Reading, kinds

PSI = 6894.757293168361
EXAMPLES = Path(keyturn.__file__).parent / "examples"
BUILDS = Path(__file__).parents[1] / "builds"


@cache
def model_of(name: str) -> Model:
    """An example or a test build, ready to be inferred about."""
    folder = EXAMPLES / name
    return prepare(keyturn.load(folder if folder.is_dir() else BUILDS / f"{name}.toml"))


def reading(kind: str, state: str, value: float, **said: object) -> Reading:
    """A reading in SI with the usual instrument."""
    spread = kinds()[kind].usual_spread(value)
    conditions = Conditions(**said)  # type: ignore[arg-type]
    return Reading(kind, state, value, spread, str(value), conditions=conditions)


def psi(state: str, value: float, kind: str = "rail-pressure", **said: object) -> Reading:
    return reading(kind, state, value * PSI, **said)


def seen(state: str, yes: bool) -> Reading:
    return reading("return-flow", state, float(yes))


def volts(state: str, value: float, **said: object) -> Reading:
    return reading("pump-voltage", state, value, **said)


def held(psi_left: float, psi_start: float, seconds: float, isolated: str | None = None) -> Reading:
    said = {"pressure_gauge": psi_start * PSI, "duration": seconds, "isolated": isolated}
    return reading("pressure-held", "shut-off", psi_left * PSI, **said)


def normal(model: Model, kind: str, state: str, **said: object) -> float:
    """What the car as described would show [SI]."""
    wanted = observe.imagined(kind, state, Conditions(**said))  # type: ignore[arg-type]
    made = observe.plan(model.build, (wanted,), model.car[2])
    base = forward.base(model.build, made, model.car)
    values = {
        row.name: np.atleast_2d(row.healthy.value(np.zeros((1, 1)))) for row in model.unknowns
    }
    return float(forward.predict(base, values)[0, 0])


def ask(model: Model, *readings: Reading, seed: int = 0, full: int = 1024) -> Posterior:
    return infer(model.build, readings, np.random.default_rng(seed), full=full, model=model)


def names(found: Posterior) -> list[str]:
    return [item.cause.name for item in found.suspects]


def share(found: Posterior, *wanted: str) -> float:
    return sum(item.probability for item in found.suspects if item.cause.name in wanted)
