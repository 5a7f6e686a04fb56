"""Samples of all unknowns over all causes, and what they say of the quantities a builder wants."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from keyturn.evidence import forward, observe
from keyturn.evidence.causes import Space
from keyturn.evidence.infer import Model, Posterior
from keyturn.evidence.result import Quantity
from keyturn.system import headroom, parts
from keyturn.system.circuit import FloatArray
from keyturn.system.thresholds import limit
from keyturn.system.verdict import band

Values = dict[str, FloatArray]
SHOWN = 0.9  # a quantity is shown when its spread shrinks below this share, or always below
ALWAYS = ("flow", "set", "wiring")


def full_values(space: Space, z: FloatArray, rng: np.random.Generator) -> Values:
    """Values of every unknown: the felt ones from ``z``, the others from their prior."""
    return space.all_values(whole_deviates(space, z, rng))


def whole_deviates(space: Space, z: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Deviates of every unknown: the felt ones from ``z``, the others from their prior."""
    everything = replace(space, active=tuple(range(len(space.unknowns))))
    if space.active == everything.active:
        return z
    whole = everything.draw(z.shape[0], rng)
    whole[:, list(space.active)] = z
    return whole


def pooled(posterior: Posterior, count: int, rng: np.random.Generator) -> Values:
    """About ``count`` samples over all causes in proportion to their probability."""
    blocks = []
    for suspect in posterior.suspects:
        wanted = round(count * suspect.probability)
        if wanted == 0:
            continue
        chosen = suspect.z[rng.integers(suspect.z.shape[0], size=wanted)]
        blocks.append(full_values(suspect.space, chosen, rng))
    return stack(blocks)


def prior_values(posterior: Posterior, count: int, rng: np.random.Generator) -> Values:
    """The same before any reading."""
    blocks = []
    for suspect in posterior.suspects:
        wanted = round(count * suspect.cause.prior)
        if wanted:
            chosen = suspect.space.draw(wanted, rng)
            blocks.append(full_values(suspect.space, chosen, rng))
    return stack(blocks)


def stack(blocks: list[Values]) -> Values:
    return {name: np.vstack([block[name] for block in blocks]) for name in blocks[0]}


def pick(values: Values, count: int) -> Values:
    """The first ``count`` rows."""
    return {name: value[:count] for name, value in values.items()}


def quantities(
    posterior: Posterior, model: Model, after: Values, before: Values
) -> tuple[Quantity, ...]:
    """What a builder wants to know, after and before the readings."""
    build = model.build
    copper = float(parts.wiring_resistance(build, model.car[0])[0, 0])
    rows = [
        Quantity(
            "flow",
            "pump flow at working pressure and voltage, full load",
            "flow",
            band(working_flow(model, after)),
            band(working_flow(model, before)),
        ),
        Quantity(
            "set",
            "regulator set point",
            "pressure_gauge",
            band(build.regulator.set.si + after["set"]),
            band(build.regulator.set.si + before["set"]),
        ),
        Quantity(
            "wiring",
            "resistance of the pump's feed and ground, whole loop",
            "resistance",
            band(np.maximum(copper + after["wiring"], 0.0)),
            band(np.maximum(copper + before["wiring"], 0.0)),
        ),
    ]
    felt = {posterior.unknowns[n].name for item in posterior.suspects for n in item.space.active}
    for row in posterior.unknowns:
        if row.name in ALWAYS or row.name not in felt or row.fault is None:
            continue
        new, old = band(after[row.name]), band(before[row.name])
        if new.p95 - new.p05 < SHOWN * (old.p95 - old.p05) or new.p50 > old.p95:
            rows.append(Quantity(row.name, row.words, row.quantity, new, old))
    return tuple(rows)


def working_flow(model: Model, values: Values) -> FloatArray:
    """What the pump can pass at full load with the regulator at its set point [m3/s]."""
    reading = observe.imagined("rail-pressure", "full-load")
    base = forward.base(model.build, observe.plan(model.build, (reading,), model.car[2]), model.car)
    circuit, duty = forward.assemble(base, values)
    wanted = duty.fuel_demand * (1.0 + limit("pump", "least_bypass"))
    return headroom.pump_ability(circuit, duty.fuel_demand, wanted)
