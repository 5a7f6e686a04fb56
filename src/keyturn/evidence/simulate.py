"""Cases with a known truth: a cause and unknowns from their priors, and readings from them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from keyturn.evidence import forward
from keyturn.evidence.causes import NONE, Cause, Space
from keyturn.evidence.infer import Model
from keyturn.evidence.likelihood import slip_share
from keyturn.evidence.observe import Observation, plan
from keyturn.evidence.pooled import Values
from keyturn.evidence.reading import Reading


@dataclass(frozen=True)
class Case:
    cause: Cause
    values: Values  # (1, 1) each
    readings: tuple[Reading, ...]


def case(
    model: Model,
    wanted: tuple[Reading, ...],
    rows: tuple[Cause, ...],
    rng: np.random.Generator,
) -> Case:
    """One car of the prior, read where ``wanted`` says (their values are not used)."""
    cause = rows[int(rng.choice(len(rows), p=np.array([row.prior for row in rows])))]
    return case_of(model, wanted, cause, rng)


def case_of(
    model: Model, wanted: tuple[Reading, ...], cause: Cause, rng: np.random.Generator
) -> Case:
    """The same with the cause given."""
    space = Space(cause, model.unknowns, tuple(range(len(model.unknowns))))
    values = space.all_values(space.draw(1, rng))
    made = plan(model.build, wanted, model.car[2])
    base = forward.base(model.build, made, model.car)
    predicted = forward.predict(base, values)[0]
    readings = list(wanted)
    for row, value in zip(made.observations, predicted, strict=True):
        readings[row.number] = replace(readings[row.number], value=float(value))
    # the model's error of some kinds is a share of what is read: planned again, it is known
    made = plan(model.build, tuple(readings), model.car[2])
    for row, value in zip(made.observations, predicted, strict=True):
        read = read_value(row, float(value), rng, broken=cause.name == NONE)
        readings[row.number] = replace(readings[row.number], value=read)
    return Case(cause, values, tuple(readings))


def read_value(row: Observation, value: float, rng: np.random.Generator, *, broken: bool) -> float:
    """What the instrument shows; a broken model shows anything."""
    slipped = broken or rng.random() < slip_share()
    if row.yes_no:
        return float(rng.random() < (0.5 if slipped else value))
    if slipped:
        return float(rng.random() * row.broad)
    return value + row.spread * float(rng.standard_normal())
