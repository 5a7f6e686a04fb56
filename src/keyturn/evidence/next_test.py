"""Which test to make next: by what it is expected to save, from the particles already there.

For one scalar reading the predictive density under each cause is the histogram of the particles'
predictions, made wider by the instrument's error; the value of sample information and the
information about the cause are then sums over that one dimension (Raiffa and Schlaifer 1961,
Applied Statistical Decision Theory, ch. 4; Lindley 1956).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

import numpy as np

from keyturn.build.schema import read_data
from keyturn.evidence import forward, observe
from keyturn.evidence.causes import HEALTHY, NONE, Cause
from keyturn.evidence.infer import Model, Posterior, Suspect
from keyturn.evidence.likelihood import slip_share
from keyturn.evidence.observe import Observation
from keyturn.evidence.pooled import Values, full_values, stack
from keyturn.evidence.reading import Conditions, Reading, kinds
from keyturn.evidence.result import NextTest, Outcome
from keyturn.system.circuit import FloatArray

LEAST_CAUSE = 2e-3  # causes below this are not followed
PER_CAUSE = 512
BINS_PER_SIGMA = 3.0
FEWEST_BINS, MOST_BINS = 64, 1500
TIE = 0.05  # of the best saving
TIE_MONEY = 1.0
LEAST_OUTCOME = 0.02


@dataclass(frozen=True)
class Candidate:
    row: Mapping[str, Any]
    reading: Reading


@cache
def table() -> Mapping[str, Any]:
    """data/tests.toml."""
    return read_data("tests.toml")


def hour() -> float:
    """An hour of the builder's time in money."""
    return float(table()["money"]["hour"])


def candidates(model: Model, made: tuple[Reading, ...], possible: set[str]) -> list[Candidate]:
    """Tests that this build allows and that have not been made."""
    build = model.build
    done = {_same(reading) for reading in made}
    found = []
    for row in table()["test"]:
        if row["needs"] not in possible:
            continue
        pressure = build.regulator.set.si if row.get("pressure") == "set" else None
        said = Conditions(
            reference=row.get("reference"),
            isolated=row.get("isolated"),
            pressure_gauge=pressure,
            duration=row.get("duration"),
        )
        reading = observe.imagined(row["kind"], row["state"], said, row.get("spread"))
        if row["kind"] == "timed-volume":
            expected = build.pump.curve.y[0] * 0.7 * row["duration"]
            spread = kinds()["timed-volume"].usual_spread(expected)
            reading = observe.imagined(row["kind"], row["state"], said, spread)
        if _same(reading) not in done:
            found.append(Candidate(row, reading))
    return found


def _same(reading: Reading) -> tuple[object, ...]:
    reference = "off" if reading.conditions.reference == "off" else "on"
    return reading.kind, reading.state, reference, reading.conditions.isolated


def rank(
    posterior: Posterior,
    model: Model,
    made: tuple[Reading, ...],
    possible: set[str],
    rng: np.random.Generator,
) -> tuple[NextTest, ...]:
    """Candidate tests, the one that is expected to save most first."""
    tried = candidates(model, made, possible)
    if not tried:
        return ()
    plan = observe.plan(model.build, tuple(item.reading for item in tried), model.car[2])
    base = forward.base(model.build, plan, model.car)
    followed = [item for item in posterior.suspects if item.probability >= LEAST_CAUSE]
    weight = np.array([item.probability for item in followed])
    weight = weight / weight.sum()
    predicted = _predictions(base, followed, rng)
    loss = losses([item.cause for item in followed])
    rows: list[tuple[NextTest, float]] = []
    for number, observation in enumerate(plan.observations):
        chosen = [block[:, number] for block in predicted]
        row = tried[observation.number].row
        whole = _judge(observation, followed, chosen, weight, loss)
        halves = [
            _judge(observation, followed, [b[k::2] for b in chosen], weight, loss)[0]
            for k in (0, 1)
        ]
        rows.append((_test(row, whole, made, tried), abs(halves[0] - halves[1])))
    return ordered(rows)


def _predictions(
    base: forward.Base, followed: list[Suspect], rng: np.random.Generator
) -> list[FloatArray]:
    blocks: list[Values] = []
    for item in followed:
        size = min(PER_CAUSE, item.z.shape[0])
        chosen = item.z[rng.permutation(item.z.shape[0])[:size]]
        blocks.append(full_values(item.space, chosen, rng))
    predicted = forward.predict(base, stack(blocks))
    ends = np.cumsum([next(iter(block.values())).shape[0] for block in blocks])[:-1]
    return [np.nan_to_num(part) for part in np.split(predicted, ends)]


def losses(rows: list[Cause]) -> FloatArray:
    """Money and time lost, (repair of, true cause)."""
    again = table_of_causes()["wrong_repair"]
    rate = hour()
    cost = np.array([row.money + row.hours * rate for row in rows])
    look = float(again["hours"]) * rate
    out = cost[:, None] + cost[None, :] + look
    for n, row in enumerate(rows):
        if row.name == HEALTHY:
            out[n, :] = cost[n] + np.array([other.wrong for other in rows])
            out[:, n] = cost + cost[n]
    np.fill_diagonal(out, cost)
    return np.asarray(out)


@cache
def table_of_causes() -> Mapping[str, Any]:
    """data/causes.toml."""
    return read_data("causes.toml")


def _judge(
    row: Observation,
    followed: list[Suspect],
    chosen: list[FloatArray],
    weight: FloatArray,
    loss: FloatArray,
) -> tuple[float, float, tuple[Outcome, ...]]:
    """Expected saving, bits about the cause, and what each result would mean."""
    names = [item.cause.name for item in followed]
    if row.yes_no:
        yes = np.array([0.5 if n == NONE else c.mean() for n, c in zip(names, chosen, strict=True)])
        share = slip_share()
        yes = (1.0 - share) * yes + share / 2.0
        mass, edges = np.stack([1.0 - yes, yes], axis=1), np.array([-0.5, 0.5, 1.5])
    else:
        mass, edges = _masses(row, names, chosen)
    joint = weight[:, None] * mass
    total = joint.sum(axis=0)
    saved = float((loss @ weight).min() - (loss @ joint).min(axis=0).sum())
    with np.errstate(divide="ignore", invalid="ignore"):
        term = joint * np.log2(mass / total)
    bits = float(np.nansum(term))
    return max(saved, 0.0), max(bits, 0.0), _outcomes(joint, total, edges, names)


def _masses(
    row: Observation, names: list[str], chosen: list[FloatArray]
) -> tuple[FloatArray, FloatArray]:
    """Chance of each bin of the result under each cause (causes, bins), and the bins' edges."""
    real = np.concatenate([c for n, c in zip(names, chosen, strict=True) if n != NONE] or chosen)
    low, high = np.quantile(real, (0.002, 0.998))
    low, high = low - 4.0 * row.spread, high + 4.0 * row.spread
    bins = int(np.clip((high - low) / row.spread * BINS_PER_SIGMA, FEWEST_BINS, MOST_BINS))
    edges = np.linspace(low, high, bins + 1)
    step = edges[1] - edges[0]
    reach = int(np.ceil(4.0 * row.spread / step))
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) * step / row.spread) ** 2)
    kernel /= kernel.sum()
    share = slip_share()
    out = np.full((len(names), bins), 1.0 / bins)
    for number, values in enumerate(chosen):
        if names[number] == NONE:
            continue
        count = np.histogram(np.clip(values, low, high), edges)[0] / values.size
        wide = np.convolve(count, kernel, mode="full")[reach : reach + bins]
        out[number] = (1.0 - share) * wide / wide.sum() + share / bins
    return out, edges


def _outcomes(
    joint: FloatArray, total: FloatArray, edges: FloatArray, names: list[str]
) -> tuple[Outcome, ...]:
    """Neighbouring results that point at the same cause, joined; rare ones left out."""
    leader = joint.argmax(axis=0)
    cuts = np.flatnonzero(np.diff(leader)) + 1
    runs = list(zip([0, *cuts], [*cuts, leader.size], strict=True))
    runs = [run for run in runs if total[run[0] : run[1]].sum() >= LEAST_OUTCOME]
    merged: list[list[int]] = []
    for first, last in runs:
        if merged and leader[merged[-1][0]] == leader[first]:
            merged[-1][1] = last
        else:
            merged.append([first, last])
    found = []
    for number, (first, last) in enumerate(merged):
        chance = float(total[first:last].sum())
        cause = int(leader[first])
        found.append(
            Outcome(
                low=float("-inf") if number == 0 else float(edges[first]),
                high=float("inf") if number == len(merged) - 1 else float(edges[last]),
                chance=chance,
                cause=names[cause],
                p=float(joint[cause, first:last].sum() / chance),
            )
        )
    return tuple(found)


def _test(
    row: Mapping[str, Any],
    judged: tuple[float, float, tuple[Outcome, ...]],
    made: tuple[Reading, ...],
    tried: list[Candidate],
) -> NextTest:
    saves, bits, outcomes = judged
    danger = float(table()["risk"]["cost"][row["risk"] - 1])
    own = row["money"] + row["minutes"] / 60.0 * hour() + danger
    open_names = {item.row["name"] for item in tried}
    return NextTest(
        name=row["name"],
        words=row["words"],
        quantity=kinds()[row["kind"]].quantity,
        tools=row["tools"],
        minutes=float(row["minutes"]),
        money=float(row["money"]),
        risk=int(row["risk"]),
        needs=tuple(row["with"]),
        after=row["after"] if row["after"] in open_names else "",
        cautions=tuple(row["cautions"]),
        saves=saves,
        net=saves - own,
        bits=bits,
        tied=False,
        outcomes=outcomes,
    )


def ordered(rows: list[tuple[NextTest, float]]) -> tuple[NextTest, ...]:
    """By net saving; a dangerous test leads only when it leads clearly; ties are marked."""
    rows = sorted(rows, key=lambda item: -item[0].net)
    risk = table()["risk"]
    first = rows[0][0]
    if first.risk >= risk["dangerous"]:
        near = first.net - float(risk["hair"]) * max(abs(first.net), abs(first.saves))
        calm = next(
            (
                n
                for n, (row, _) in enumerate(rows)
                if row.risk < risk["dangerous"] and row.net >= near
            ),
            None,
        )
        if calm is not None:
            rows.insert(0, rows.pop(calm))
    best, best_noise = rows[0]
    width = max(TIE * abs(best.saves), TIE_MONEY)
    return tuple(
        replace(row, tied=n > 0 and abs(row.net - best.net) <= max(width, noise + best_noise))
        for n, (row, noise) in enumerate(rows)
    )
