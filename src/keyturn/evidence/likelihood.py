"""How likely the readings are for given predictions, with a share for slips."""

from __future__ import annotations

import numpy as np

from keyturn.evidence.observe import Observation
from keyturn.evidence.unknowns import table
from keyturn.system.circuit import FloatArray

LEAST = 1e-300


def slip_share() -> float:
    """Chance that a reading has nothing to do with the model."""
    return float(table()["slip"]["share"])


def densities(predicted: FloatArray, rows: tuple[Observation, ...]) -> FloatArray:
    """Density of every reading without slips, (particles, readings)."""
    out = np.empty_like(predicted)
    for number, row in enumerate(rows):
        out[:, number] = density(predicted[:, number], row, row.value)
    return np.where(np.isnan(out), 0.0, out)


def density(predicted: FloatArray, row: Observation, value: float) -> FloatArray:
    """Density of one value of one reading."""
    if row.yes_no:
        return predicted if value > 0.5 else 1.0 - predicted
    away = (value - predicted) / row.spread
    return np.asarray(np.exp(-0.5 * away**2) / (row.spread * np.sqrt(2.0 * np.pi)))


def with_slips(plain: FloatArray, rows: tuple[Observation, ...]) -> FloatArray:
    """The same with the broad density mixed in."""
    share = slip_share()
    broad = np.array([1.0 / row.broad for row in rows])
    return (1.0 - share) * plain + share * broad


def log_likelihood(predicted: FloatArray, rows: tuple[Observation, ...]) -> FloatArray:
    """Sum over readings, (particles,)."""
    mixed = with_slips(densities(predicted, rows), rows)
    return np.asarray(np.log(np.maximum(mixed, LEAST)).sum(axis=1))


def log_broad(rows: tuple[Observation, ...]) -> float:
    """Log density of all readings under "none of these"."""
    return float(-sum(np.log(row.broad) for row in rows))


def slips(predicted: FloatArray, rows: tuple[Observation, ...]) -> FloatArray:
    """Posterior chance of each reading being a slip, from posterior predictions."""
    share = slip_share()
    broad = share * np.array([1.0 / row.broad for row in rows])
    return np.asarray((broad / with_slips(densities(predicted, rows), rows)).mean(axis=0))
