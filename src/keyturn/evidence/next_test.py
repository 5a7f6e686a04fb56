"""Which test to make next: by what it is expected to save, from the particles already there.

For one scalar reading the predictive density under each cause is the histogram of the particles'
predictions, made wider by the instrument's error; the value of sample information and the
information about the cause are then sums over that one dimension (Raiffa and Schlaifer 1961,
Applied Statistical Decision Theory, ch. 4; Lindley 1956).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from keyturn.evidence import clearing, consequence, forward, observe, renewed
from keyturn.evidence.causes import NONE
from keyturn.evidence.decide import Belief, belief, hour, prospect, tests
from keyturn.evidence.infer import Model, Posterior
from keyturn.evidence.likelihood import slip_share
from keyturn.evidence.observe import Observation
from keyturn.evidence.pooled import Values, stack
from keyturn.evidence.reading import Conditions, Reading, kinds
from keyturn.evidence.result import NextTest, Outcome
from keyturn.system.circuit import FloatArray

BINS_PER_SIGMA = 3.0
FEWEST_BINS, MOST_BINS = 64, 1500
TIE = 0.05  # of the best saving
TIE_MONEY = 1.0
LEAST_OUTCOME = 0.02
NEAR = 4  # leading tests whose noise is looked at


@dataclass(frozen=True)
class Candidate:
    row: Mapping[str, Any]
    reading: Reading


def candidates(
    model: Model, made: tuple[Reading, ...], possible: set[str], repaired: tuple[str, ...] = ()
) -> list[Candidate]:
    """Tests that this build allows and that have not been made enough since the last repair."""
    build = model.build
    done = Counter(key(reading) for reading in made)
    owned = {key(reading)[:-2] for reading in made}
    found = []
    for row in tests()["test"]:
        if row["needs"] not in possible or row.get("lent") in repaired:
            continue
        pressure = build.regulator.set.si if row.get("pressure") == "set" else None
        said = Conditions(
            reference=row.get("reference"),
            isolated=row.get("isolated"),
            pressure_gauge=pressure,
            duration=row.get("duration"),
            renewed=renewed.join(repaired),
            lent=row.get("lent"),
        )
        reading = observe.imagined(row["kind"], row["state"], said, row.get("spread"))
        if row["kind"] == "timed-volume":
            expected = build.pump.curve.y[0] * 0.7 * row["duration"]
            spread = kinds()["timed-volume"].usual_spread(expected)
            reading = observe.imagined(row["kind"], row["state"], said, spread)
        if done[key(reading)] >= row.get("times", 1):
            continue
        own = "lent" not in row and key(reading)[:-2] in owned
        found.append(Candidate({**row, "money": 0.0} if own else row, reading))
    return found


def key(reading: Reading) -> tuple[object, ...]:
    """What makes two readings the same test of the same car."""
    said = reading.conditions
    reference = "off" if said.reference == "off" else "on"
    return reading.kind, reading.state, reference, said.isolated, said.renewed, said.lent


def rank(
    posterior: Posterior,
    model: Model,
    made: tuple[Reading, ...],
    possible: set[str],
    rng: np.random.Generator,
) -> tuple[NextTest, ...]:
    """Candidate tests, the one that is expected to save most first."""
    repaired = renewed.so_far(made)
    state = belief(posterior, model, repaired, rng)
    return judged(state, model, candidates(model, made, possible, repaired))


def judged(state: Belief, model: Model, tried: list[Candidate]) -> tuple[NextTest, ...]:
    """The same from a belief that is already there."""
    return weighed(state, tried, *foreseen(state, model, tried)) if tried else ()


def foreseen(
    state: Belief, model: Model, tried: list[Candidate]
) -> tuple[tuple[Observation, ...], list[FloatArray]]:
    """Each test, and what it would show for the particles of every followed cause."""
    readings = tuple(item.reading for item in tried)
    plan = observe.plan(model.build, readings, model.car[2])
    base = forward.base(model.build, plan, model.car)
    return plan.observations, _predictions(base, state, readings)


def weighed(
    state: Belief,
    tried: list[Candidate],
    observations: tuple[Observation, ...],
    predicted: list[FloatArray],
) -> tuple[NextTest, ...]:
    """The same where it is known already what each test would show (particles, tests)."""
    rows: list[tuple[NextTest, int]] = []
    for number, observation in enumerate(observations):
        found = _judge(observation, state, _shown(state, predicted, number))
        rows.append((_test(tried[observation.number].row, found, tried), number))
    rows = _proving(rows, state, observations, predicted)
    rows.sort(key=lambda item: -item[0].net)
    noise = [_noise(observations[n], state, _shown(state, predicted, n)) for _, n in rows[:NEAR]]
    noise += [noise[-1]] * (len(rows) - len(noise))
    return ordered([(row, own) for (row, _), own in zip(rows, noise, strict=True)])


def _proving(
    rows: list[tuple[NextTest, int]],
    state: Belief,
    observations: tuple[Observation, ...],
    predicted: list[FloatArray],
) -> list[tuple[NextTest, int]]:
    """The same; what is part of the cheapest way to show the car clear says what that takes."""
    limit = float(consequence.table()["clear"]["left"])
    if state.left <= limit:
        return rows
    at = {row.name: n for n, (row, _) in enumerate(rows)}
    before = [_before(row, rows, at) for row, _ in rows]
    costs = np.array([row.saves - row.net for row, _ in rows])
    found = clearing.proof(state, observations, predicted, costs, before, limit)
    if found is None:
        return rows
    return [
        (replace(row, proof=found.cost) if n in found.tests else row, number)
        for n, (row, number) in enumerate(rows)
    ]


def _before(
    row: NextTest, rows: list[tuple[NextTest, int]], at: Mapping[str, int]
) -> tuple[int, ...]:
    """Open tests that have to be made before this one."""
    out: list[int] = []
    while row.after in at:
        out.append(at[row.after])
        row = rows[out[-1]][0]
    return tuple(out)


def _shown(state: Belief, predicted: list[FloatArray], number: int) -> list[FloatArray]:
    """What one test would show in every branch."""
    return [predicted[branch.at][branch.chosen, number] for branch in state.branches]


def _noise(row: Observation, state: Belief, chosen: list[FloatArray]) -> float:
    """By how much the saving differs between two halves of the particles."""
    one, two = (_judge(row, state, [block[k::2] for block in chosen])[0] for k in (0, 1))
    return abs(one - two)


def _predictions(
    base: forward.Base, state: Belief, readings: tuple[Reading, ...]
) -> list[FloatArray]:
    """What each test would show, for the particles of every followed cause."""
    rng = np.random.default_rng(0)
    blocks: list[Values] = []
    for item, whole in zip(state.followed, state.whole, strict=True):
        space = replace(item.space, unknowns=renewed.widened(item.space.unknowns, readings))
        more = rng.standard_normal((whole.shape[0], len(space.unknowns) - whole.shape[1]))
        blocks.append(space.all_values(np.hstack([whole, more])))
    predicted = forward.predict(base, stack(blocks))
    ends = np.cumsum([whole.shape[0] for whole in state.whole])[:-1]
    return [np.nan_to_num(part) for part in np.split(predicted, ends)]


def _judge(
    row: Observation, state: Belief, chosen: list[FloatArray]
) -> tuple[float, float, float, tuple[Outcome, ...]]:
    """Expected saving, bits about the cause and about being clear, what each result would mean."""
    names = [branch.cause.name for branch in state.branches]
    if row.yes_no:
        yes = np.array(
            [
                0.5 if n == NONE or not c.size else c.mean()
                for n, c in zip(names, chosen, strict=True)
            ]
        )
        share = slip_share()
        yes = (1.0 - share) * yes + share / 2.0
        mass, edges = np.stack([1.0 - yes, yes], axis=1), np.array([-0.5, 0.5, 1.5])
    else:
        mass, edges = _masses(row, names, chosen)
    joint = state.weight[:, None] * mass
    before = prospect(state, joint.sum(axis=1, keepdims=True)).loss[0]
    saved = float(before - prospect(state, joint).loss.sum())
    different = list(dict.fromkeys(names))
    by_cause = np.array([joint[[n == one for n in names]].sum(axis=0) for one in different])
    bad = np.array([branch.matters for branch in state.branches])
    by_clear = np.array([joint[bad].sum(axis=0), joint[~bad].sum(axis=0)])
    outcomes = _outcomes(by_cause, joint.sum(axis=0), edges, different)
    return max(saved, 0.0), _bits(by_cause), _bits(by_clear), outcomes


def _bits(joint: FloatArray) -> float:
    """Mutual information of rows and columns."""
    alone = joint.sum(axis=1, keepdims=True) * joint.sum(axis=0, keepdims=True)
    with np.errstate(divide="ignore", invalid="ignore"):
        term = joint * np.log2(joint / alone)
    return max(float(np.nansum(term)), 0.0)


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
        if names[number] == NONE or not values.size:
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
    found: tuple[float, float, float, tuple[Outcome, ...]],
    tried: list[Candidate],
) -> NextTest:
    saves, bits, clears, outcomes = found
    danger = float(tests()["risk"]["cost"][row["risk"] - 1])
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
        clears=clears,
    )


def ordered(rows: list[tuple[NextTest, float]]) -> tuple[NextTest, ...]:
    """By net saving; a dangerous test leads only when it leads clearly; ties are marked."""
    rows = sorted(rows, key=lambda item: -item[0].net)
    risk = tests()["risk"]
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
