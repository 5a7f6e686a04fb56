"""Whether a fault matters: the car with it, beside the same car with the thing as described.

A worn pump that still has more than the engine asks for is a fault by name only. Money is lost by
leaving a fault alone only where some quantity that a builder relies on leaves its limit
(data/consequences.toml).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from keyturn.build.schema import read_data
from keyturn.evidence import forward, observe, renewed
from keyturn.evidence.causes import Space, possible
from keyturn.evidence.infer import Model
from keyturn.evidence.reading import Conditions
from keyturn.evidence.unknowns import at_fault
from keyturn.system.circuit import FloatArray

Mask = NDArray[np.bool_]


@cache
def table() -> Mapping[str, Any]:
    """data/consequences.toml."""
    return read_data("consequences.toml")


def broken(space: Space, whole: FloatArray) -> dict[str, Mask]:
    """Which particles have which unknown at fault; ``whole`` are deviates of every unknown."""
    out = {}
    for number, row in enumerate(space.unknowns):
        if row.name in space.cause.at_fault and row.fault is not None:
            z = whole[:, number : number + 1]
            sure = np.ones(z.shape, dtype=bool)
            out[row.name] = at_fault(z, space.cause.share) if space.cause.least else sure
    return out


def matters(probe: Probe, space: Space, whole: FloatArray, repaired: tuple[str, ...] = ()) -> Mask:
    """For each particle whether a fault that is left, after those repairs, matters."""
    count = whole.shape[0]
    mended = renewed.mended(repaired)
    left = {name: mask for name, mask in broken(space, whole).items() if name not in mended}
    if not left:
        return np.zeros(count, dtype=bool)
    values = space.all_values(whole)
    centre = {row.name: row.healthy.value(np.zeros((1, 1))) for row in space.unknowns}
    for name in mended:
        values[name] = np.broadcast_to(centre[name], (count, 1))
    sound = values | {
        name: np.where(mask, centre[name], values[name]) for name, mask in left.items()
    }
    both = {name: np.vstack([values[name], sound[name]]) for name in values}
    found = forward.predict(probe.base, both)
    away = found[:count] - found[count:]
    out = np.zeros(count, dtype=bool)
    for number, row in enumerate(probe.rows):
        scale = np.abs(found[count:, number]) if row["share"] else 1.0
        side = {"either": np.abs(away[:, number]), "above": away[:, number]}
        far = side.get(row["side"], -away[:, number])
        out |= ~(far <= row["limit"] * scale)  # what cannot be solved matters
    return np.asarray(out & np.any(np.hstack(list(left.values())), axis=1), dtype=bool)


@dataclass(frozen=True)
class Probe:
    """The limits that this build can break, and the car where they are read."""

    rows: tuple[Mapping[str, Any], ...]
    base: forward.Base


def probe(model: Model) -> Probe:
    """Everything that does not change from particle to particle."""
    rows = [row for row in table()["limit"] if row["needs"] in possible(model.build)]
    wanted = []
    for row in rows:
        pressure = model.build.regulator.set.si if row.get("pressure") == "set" else None
        said = Conditions(pressure_gauge=pressure, duration=row.get("duration"))
        wanted.append(observe.imagined(row["kind"], row["state"], said))
    plan = observe.plan(model.build, tuple(wanted), model.car[2])
    kept = tuple(rows[item.number] for item in plan.observations)
    return Probe(kept, forward.base(model.build, plan, model.car))
