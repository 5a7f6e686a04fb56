"""Which readings speak for a cause and which against it.

Twice: each reading by itself, against what the cause expects before anything is read; and beside
all other readings, against what the cause still expects once it has explained those. A level rail
pressure speaks by itself, a pressure that falls with the flow only beside the others.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from keyturn.evidence import likelihood
from keyturn.evidence.causes import NONE
from keyturn.evidence.infer import Posterior, Suspect
from keyturn.evidence.observe import Observation
from keyturn.evidence.reading import kinds
from keyturn.evidence.result import Speaks
from keyturn.system.circuit import FloatArray
from keyturn.system.result import Band

LEAST = 1e-300
FIELD = 0.05  # share of its prior with which an unlikely cause still counts in the field


@dataclass(frozen=True)
class View:
    """Predictions with weights and the log density of every reading, by cause."""

    predicted: Mapping[str, FloatArray]
    weight: Mapping[str, FloatArray]
    log_density: Mapping[str, FloatArray]
    field: Mapping[str, float]  # weight of each cause in the field of the others
    beside: bool


def alone(posterior: Posterior, unread: Mapping[str, FloatArray]) -> View:
    """Each reading by itself."""
    density = {}
    for item in posterior.suspects:
        name = item.cause.name
        density[name] = _broad(posterior)
        if name != NONE:
            density[name] = np.log(np.maximum(_mixed(posterior, unread[name]), LEAST).mean(axis=0))
    weight = {name: np.ones_like(values) for name, values in unread.items()}
    field = {item.cause.name: item.cause.prior for item in posterior.suspects}
    return View(unread, weight, density, field, beside=False)


def beside(posterior: Posterior, predicted: Mapping[str, FloatArray]) -> View:
    """Each reading beside the others: 1 / mean(1 / density) over the posterior.

    Bounded, because the share of slips keeps every density up.
    """
    density, weight = {}, {}
    for item in posterior.suspects:
        name = item.cause.name
        weight[name] = 1.0 / np.maximum(_mixed(posterior, predicted[name]), LEAST)
        density[name] = _broad(posterior) if name == NONE else -np.log(weight[name].mean(axis=0))
    field = {
        item.cause.name: max(item.probability, item.cause.prior * FIELD)
        for item in posterior.suspects
    }
    return View(predicted, weight, density, field, beside=True)


def _mixed(posterior: Posterior, predicted: FloatArray) -> FloatArray:
    rows = posterior.rows
    return likelihood.with_slips(likelihood.densities(predicted, rows), rows)


def _broad(posterior: Posterior) -> FloatArray:
    return np.asarray(np.log([1.0 / row.broad for row in posterior.rows]))


def lines(posterior: Posterior, item: Suspect, views: tuple[View, View]) -> list[Speaks]:
    """Every reading against what this cause expects, the most favourable first.

    Of the two views of a reading the one that says more.
    """
    bits = [_bits(view, item.cause.name) for view in views]
    found = []
    for n, row in enumerate(posterior.rows):
        chosen = int(np.argmax([abs(some[n]) for some in bits]))
        found.append(_line(row, n, views[chosen], float(bits[chosen][n]), item.cause.name))
    return sorted(found, key=lambda line: -line.bits)


def _bits(view: View, name: str) -> FloatArray:
    """Log2 of the density of each reading under a cause over that of all the others."""
    others = [other for other in view.field if other != name]
    weight = np.array([view.field[other] for other in others])
    densities = np.exp([view.log_density[other] for other in others])
    field = np.log((weight / weight.sum()) @ densities)
    return np.asarray((view.log_density[name] - field) / np.log(2.0))


def _line(row: Observation, at: int, view: View, bits: float, name: str) -> Speaks:
    quantity = kinds()[row.kind].quantity
    values, weight = view.predicted[name][:, at], view.weight[name][:, at]
    if name == NONE:
        expected = Band(float("nan"), float("nan"), float("nan"))
    elif quantity == "yes_no":
        share = float(np.average(values, weights=weight))
        expected = Band(share, share, share)
    else:
        expected = _band(values, weight, row.spread)
    return Speaks(row.kind, row.source.state, quantity, row.value, expected, bits, view.beside)


def _band(values: FloatArray, weight: FloatArray, spread: float) -> Band:
    """Weighted quantiles, made wider by the instrument."""
    order = np.argsort(values)
    rank = np.cumsum(weight[order]) / weight.sum()
    low, middle, high = (
        float(values[order][min(int(np.searchsorted(rank, q)), values.size - 1)])
        for q in (0.05, 0.5, 0.95)
    )
    reach = 1.645 * spread
    return Band(
        middle - float(np.hypot(middle - low, reach)),
        middle,
        middle + float(np.hypot(high - middle, reach)),
    )
