"""What is not known of a car before its gauges are read: continuous unknowns with their priors.

The sampler works on standard normal deviates ``z``; each unknown turns its own into a value by its
healthy or its fault spread. So every prior is the same for the sampler, and moving a prior moves
only this map.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

import numpy as np
from scipy.special import ndtr, ndtri

from keyturn.build.model import Build, Part
from keyturn.build.schema import read_data
from keyturn.system import equations, operating, parts
from keyturn.system.circuit import FloatArray
from keyturn.system.draws import Draws

PROBE_SAMPLES = 128  # draws of the build that size a healthy spread
PROBE_FLOW = 6.0e-5  # [m3/s] flow at which the spread of a loss is taken
EDGE = 1e-12


@dataclass(frozen=True)
class Spread:
    """A law for one unknown: scale "log", "normal" or "probit" of centre + spread * z."""

    scale: str
    centre: float
    spread: float

    def value(self, z: FloatArray) -> FloatArray:
        bent = self.centre + self.spread * z
        if self.scale == "log":
            return np.exp(bent)
        return ndtr(bent) if self.scale == "probit" else bent


@dataclass(frozen=True)
class Unknown:
    """One continuous unknown, a row of data/priors.toml."""

    name: str
    words: str
    quantity: str
    healthy: Spread
    fault: Spread | None
    low: float
    high: float
    reason: str
    source: str

    def value(self, z: FloatArray, faulty: bool, share: float | None = None) -> FloatArray:
        """The value for deviates z; ``share`` is the chance of the fault when it is open."""
        if not faulty or self.fault is None:
            found = self.healthy.value(z)
        elif share is None:
            found = self.fault.value(z)
        else:
            broken = at_fault(z, share)
            rank = ndtr(z)
            inside = np.where(broken, (rank - (1.0 - share)) / share, rank / (1.0 - share))
            bent = ndtri(np.clip(inside, EDGE, 1.0 - EDGE))
            found = np.where(broken, self.fault.value(bent), self.healthy.value(bent))
        return np.clip(found, self.low, self.high)


def at_fault(z: FloatArray, share: float) -> Any:
    """Which deviates mean a fault, when a fault has the chance ``share``."""
    return z > float(ndtri(1.0 - share))


@cache
def table() -> Mapping[str, Any]:
    """data/priors.toml."""
    return read_data("priors.toml")


def unknowns(build: Build) -> tuple[Unknown, ...]:
    """Every unknown, with the spreads that the build states put into the healthy ones."""
    own = _stated(build)
    wider = {row.name: row.value for row in build.priors if row.moves == "spread"}
    rows = []
    for row in table()["unknown"]:
        healthy = Spread(**row["healthy"])
        if row.get("build"):
            healthy = replace(healthy, spread=float(np.hypot(healthy.spread, own[row["name"]])))
        rows.append(
            Unknown(
                name=row["name"],
                words=row["words"],
                quantity=row["quantity"],
                healthy=healthy,
                fault=_fault(row, wider.get(row["name"], 1.0)),
                low=float(row["low"]),
                high=float(row["high"]),
                reason=row["reason"],
                source=row["source"],
            )
        )
    return tuple(rows)


def _fault(row: Mapping[str, Any], factor: float) -> Spread | None:
    """The spread of the fault, as much wider as the build says."""
    if "fault" not in row:
        return None
    plain = Spread(**row["fault"])
    return replace(plain, spread=plain.spread * factor)


def _stated(build: Build) -> dict[str, float]:
    """1 sigma of each unknown as the build file states it."""
    draws = Draws(build, PROBE_SAMPLES, np.random.default_rng(0))
    liquid = parts.fluid(build, draws)
    line = operating.full_load(build, draws, liquid)
    gauge = line.air.manifold_pressure[1:, -1:] - line.dry_ambient[1:]
    boosted = bool(np.all(gauge > 0.0))

    def loss(chosen: tuple[Part, ...]) -> float:
        return _log_spread(equations.path_drop(parts.path(chosen, draws, liquid), PROBE)[0][1:])

    filters, others = split_feed(build.feed)
    pump = draws.scale(build.pump.curve) * draws.of(build.pump.age)
    return {
        "pump": _log_spread(pump[1:]),
        "pump_pressure": _log_spread(draws.of(build.pump.pressure_scale)[1:]),
        "set": float(np.std(draws.of(build.regulator.set)[1:])),
        "filter": loss(filters),
        "strainer": loss(build.suction),
        "wiring": float(np.std(parts.wiring_resistance(build, draws)[1:])),
        "line": loss(others),
        "return": loss(build.returns),
        "boost": _log_spread(gauge) if boosted else 0.0,
        "demand": _log_spread(line.fuel_demand[1:, -1:]),
        "current": build.pump.current.spread,
    }


PROBE = np.full((1, 1), PROBE_FLOW)


def split_feed(feed: tuple[Part, ...]) -> tuple[tuple[Part, ...], tuple[Part, ...]]:
    """Filters, and everything else."""
    filters = tuple(part for part in feed if part.kind == "filter")
    return filters, tuple(part for part in feed if part.kind != "filter")


def _log_spread(values: FloatArray) -> float:
    positive = values[values > 0.0]
    return float(np.std(np.log(positive))) if positive.size > 1 else 0.0
