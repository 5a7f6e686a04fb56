"""Random cars on the load ladder: how often a run crosses an abort limit, by who decides.

    python bench/ladder.py --cases 1000 --json FILE

Three builders drive the same cars: one goes straight to full load, one steps up and stops when a
gauge shows that a limit is near, one climbs only where the model, with all readings so far, gives
95 %. Cars and opening readings come from `evidence.simulate.case`, with the slips that it plants.
What the model believes is a bank of draws from the same prior, weighed by the readings: the same
answer as `infer`, for a thousand cars in a minute. Cars of no known cause are drawn too.
"""

from __future__ import annotations

import argparse
import json
import sys
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

HERE = Path(__file__).resolve().parent
# run as a program, also where keyturn is not installed: what is imported below (E402) is found
# through this path
sys.path[:0] = [str(HERE.parent / "src")]

import keyturn  # noqa: E402
from keyturn.evidence import after, forward, likelihood, observe, simulate  # noqa: E402
from keyturn.evidence.causes import NONE, Space, causes  # noqa: E402
from keyturn.evidence.infer import Model, prepare  # noqa: E402
from keyturn.evidence.pooled import Values, stack  # noqa: E402
from keyturn.evidence.reading import Conditions, Reading  # noqa: E402
from keyturn.procedure import climb_model, ladder  # noqa: E402
from keyturn.procedure.climb_model import Table  # noqa: E402
from keyturn.procedure.fit import has  # noqa: E402
from keyturn.procedure.ladder import Rung, measures  # noqa: E402
from keyturn.system.circuit import FloatArray  # noqa: E402

EXAMPLES = Path(keyturn.__file__).parent / "examples"
DRAWS = 40_000  # of the bank of one build
PIECE = 2_000
LEAST = 40.0  # effective draws; below, the readings are believed less until there are as many
FIRST = "L4"  # the steps below need no load: all builders make them
# what a step of the ladder shows, 1 sigma; common practice, no source
ERRORS = {"rail": 5.0e3, "volts": 0.08, "lambda": 0.02, "duty": 0.02, "inlet": 2.0}
TIMED = 4.0e-5  # [m3] 1 sigma of a can and a watch; common practice, no source
OPENING = (
    ("rail-pressure", "key-on"), ("rail-pressure", "idle"), ("rail-pressure", "held-speed"),
    ("pump-voltage", "idle"), ("return-flow", "key-on"),
)  # fmt: skip


@dataclass(frozen=True)
class Bank:
    """Draws of one build, what they show in the opening readings and on the ladder."""

    model: Model
    rungs: tuple[Rung, ...]
    values: Values
    shown: FloatArray  # (draws, opening readings)
    base: forward.Base
    table: Table
    names: tuple[str, ...]


def _table(model: Model, values: Values, rungs: tuple[Rung, ...], seed: int) -> Table:
    """The ladder for every row of the unknowns, everything else of the build drawn too."""
    count = next(iter(values.values())).shape[0]
    pieces = []
    for number, first in enumerate(range(0, count, PIECE)):
        some = {name: row[first : first + PIECE] for name, row in values.items()}
        rows = {n: np.vstack([np.median(v, keepdims=True), v]) for n, v in some.items()}
        own, scales = after.put_in(model.build, rows)
        size = rows["set"].shape[0] - 1
        rng = np.random.default_rng([seed, number])
        draws = after.Learnt(model.build, size, rng, own, scales)
        pieces.append(climb_model.table(model.build, draws, rungs))
    whole = {
        name: np.vstack([getattr(piece, name) for piece in pieces])
        for name in Table.__dataclass_fields__
        if name != "points"
    }
    return Table(points=pieces[0].points, **whole)


def _opening(model: Model) -> tuple[Reading, ...]:
    read = [observe.imagined(kind, state) for kind, state in OPENING]
    # the hold point before load: flow at working pressure, by the can
    said = Conditions(pressure_gauge=model.build.regulator.set.si, duration=30.0)
    timed = observe.imagined("timed-volume", "key-on", said)
    return (*read, replace(timed, spread=TIMED))


@cache
def bank(name: str, draws: int = DRAWS) -> Bank:
    """The draws of an example, made once."""
    model = prepare(keyturn.load(EXAMPLES / name))
    rng = np.random.default_rng(7)
    rungs = ladder.rungs(has(model.build))
    blocks = []
    for cause in causes(model.build):
        space = Space(cause, model.unknowns, tuple(range(len(model.unknowns))))
        count = round(draws * cause.prior)
        if count and cause.name != NONE:
            blocks.append(space.all_values(space.draw(count, rng)))
    values = stack(blocks)
    plan = observe.plan(model.build, _opening(model), model.car[2])
    base = forward.base(model.build, plan, model.car)
    size = values["set"].shape[0]
    shown = [
        forward.predict(base, {n: v[at : at + PIECE] for n, v in values.items()})
        for at in range(0, size, PIECE)
    ]
    table = _table(model, values, rungs, seed=11)
    return Bank(model, rungs, values, np.nan_to_num(np.vstack(shown)), base, table, tuple(values))


def cars(own: Bank, count: int, seed: int) -> tuple[list[simulate.Case], Table]:
    """Cars of the prior with their opening readings, and what they would do on the ladder."""
    rng = np.random.default_rng([seed, 3])
    rows = causes(own.model.build)
    drawn = [simulate.case(own.model, _opening(own.model), rows, rng) for _ in range(count)]
    return drawn, _table(own.model, stack([case.values for case in drawn]), own.rungs, seed + 1000)


def shown_at(values: Values, table: Table, at: list[int]) -> dict[str, FloatArray]:
    """What the gauges show at some points without their noise, (rows, points)."""
    rail = values["gauge_offset"] + values["gauge_scale"] * table.rail_gauge[:, at]
    return {
        "rail": rail,
        "volts": table.pump_voltage[:, at],
        "lambda": table.air_fuel_equivalence[:, at],
        "duty": table.duty[:, at],
        "inlet": table.inlet_temperature[:, at],
    }


def weights(log: FloatArray) -> FloatArray:
    """Weights of the draws; believed less where too few of them would carry it all."""
    log = log - log.max()
    for power in 0.8 ** np.arange(40):
        weight = np.exp(power * log)
        weight /= weight.sum()
        if 1.0 / float((weight**2).sum()) >= LEAST:
            return weight
    return np.full(log.size, 1.0 / log.size)


def _crossed(table: Table, row: int, rung: Rung, rungs: tuple[Rung, ...], ambient: float) -> bool:
    """Whether the car itself goes past an abort limit at a step."""
    one = {name: values[row : row + 1] for name, values in table.worst(rung.name, ambient).items()}
    _, holds = ladder.judged(rung, rungs, one, np.ones(1))
    return holds < 1.0


def stepping(own: Bank, case: simulate.Case, table: Table, row: int,
             rng: np.random.Generator) -> tuple[bool, int]:  # fmt: skip
    """Steps up; stops when a gauge shows that a limit is near."""
    ambient = own.model.build.site.barometer.si
    start = [r.name for r in own.rungs].index(FIRST)
    broken = case.cause.name == NONE
    for number in range(start, len(own.rungs)):
        rung = own.rungs[number]
        if _crossed(table, row, rung, own.rungs, ambient):
            return True, number
        worst = table.worst(rung.name, ambient)
        noise = {"rail-pressure": 5.0e3, "pump-voltage": 0.08, "lambda": 0.02, "duty": 0.02,
                 "inlet": 2.0}  # fmt: skip
        for name, values in worst.items():
            told = float(values[row]) + noise[name] * float(rng.standard_normal())
            if not broken and not ladder.inside(measures()[name], np.array([told]), "look")[0]:
                return False, number
    return False, len(own.rungs)


def climbing(own: Bank, case: simulate.Case, table: Table, row: int, at_least: float,
             rng: np.random.Generator) -> tuple[bool, int]:  # fmt: skip
    """Climbs where the model opens the step; what every step shows is learnt from."""
    build = own.model.build
    ambient = build.site.barometer.si
    plan = observe.plan(build, case.readings, own.model.car[2])
    log = likelihood.log_likelihood(own.shown, plan.observations)
    broad = likelihood.log_broad(plan.observations)
    prior = {cause.name: cause.prior for cause in causes(build)}
    start = [r.name for r in own.rungs].index(FIRST)
    for number in range(start, len(own.rungs)):
        rung = own.rungs[number]
        weight = weights(log)
        top = float(log.max())
        known = np.log(np.mean(np.exp(log - top))) + top + np.log(1.0 - prior.get(NONE, 0.0))
        odd = np.log(max(prior.get(NONE, 0.0), 1e-12)) + broad
        unexplained = float(1.0 / (1.0 + np.exp(np.clip(known - odd, -700.0, 700.0))))
        judgement = ladder.judged(rung, own.rungs, own.table.worst(rung.name, ambient), weight)
        if not ladder.opening(rung, judgement, unexplained, at_least).open:
            return False, number
        if _crossed(table, row, rung, own.rungs, ambient):
            return True, number
        log = log + _learnt(own, case, table, row, rung, rng)
        broad += _broad(own, rung)
    return False, len(own.rungs)


WIDE = {"rail": 6.0e5, "volts": 6.0, "lambda": 1.0, "duty": 1.0, "inlet": 80.0}


def _broad(own: Bank, rung: Rung) -> float:
    """Log likelihood of a step by no known cause: anything."""
    return -len(own.table.of(rung.name)) * float(sum(np.log(width) for width in WIDE.values()))


def _learnt(own: Bank, case: simulate.Case, table: Table, row: int, rung: Rung,
            rng: np.random.Generator) -> FloatArray:  # fmt: skip
    """Log likelihood of what a step showed, for every draw."""
    at = table.of(rung.name)
    true = shown_at(case.values, Table(**{
        name: table.points if name == "points" else getattr(table, name)[row : row + 1]
        for name in Table.__dataclass_fields__
    }), at)  # fmt: skip
    told = shown_at(own.values, own.table, at)
    total = np.zeros(own.table.rail_gauge.shape[0])
    for name, sigma in ERRORS.items():
        if case.cause.name == NONE:
            seen = true[name] + WIDE[name] * (rng.random(len(at)) - 0.5)
        else:
            seen = true[name] + sigma * rng.standard_normal(len(at))
        away = (told[name] - seen) / sigma
        gauss = np.exp(-0.5 * away**2) / (sigma * np.sqrt(2.0 * np.pi))
        slip = likelihood.slip_share()
        total += np.log((1.0 - slip) * gauss + slip / WIDE[name]).sum(axis=1)
    return total


def run(count: int, seed: int = 1, draws: int = DRAWS, at_least: float = 0.95) -> dict[str, Any]:
    """Shares over all cars, and for each example."""
    names = sorted(path.name for path in EXAMPLES.iterdir() if path.is_dir())
    found: list[dict[str, Any]] = []
    for index, name in enumerate(names):
        own = bank(name, draws)
        size = count // len(names) + (index < count % len(names))
        drawn, table = cars(own, size, seed)
        rng = np.random.default_rng([seed, index])
        ambient = own.model.build.site.barometer.si
        top = len(own.rungs)
        for row, case in enumerate(drawn):
            crossings = [_crossed(table, row, r, own.rungs, ambient) for r in own.rungs]
            stepped = stepping(own, case, table, row, rng)
            climbed = climbing(own, case, table, row, at_least, rng)
            found.append({
                "example": name, "cause": case.cause.name, "sound": not any(crossings),
                "straight": crossings[-1], "stepping": stepped[0], "ladder": climbed[0],
                "stepping_top": stepped[1] == top, "ladder_top": climbed[1] == top,
                "ladder_steps": climbed[1],
            })  # fmt: skip
    each = {name: _shares([row for row in found if row["example"] == name]) for name in names}
    head = {"cases": len(found), "seed": seed, "at_least": at_least}
    return {**head, "all": _shares(found), **each}


def _shares(rows: list[dict[str, Any]]) -> dict[str, float]:
    sound = [row for row in rows if row["sound"]]
    asked = ("straight", "stepping", "ladder", "sound", "stepping_top", "ladder_top")
    out = {name: sum(row[name] for row in rows) / max(len(rows), 1) for name in asked}
    for name in ("stepping_top", "ladder_top"):
        out[f"sound_{name}"] = sum(row[name] for row in sound) / max(len(sound), 1)
    opened = [row for row in rows if row["ladder_steps"] > 0]
    out["mean_steps"] = float(np.mean([row["ladder_steps"] for row in opened])) if opened else 0.0
    return out


def markdown(result: dict[str, Any]) -> str:
    """The shares as a table."""
    head = (
        "| cars | straight to full load | steps, no model | by the ladder | sound cars "
        "| sound that reach the top: steps | ladder |\n" + "|---" * 7 + "|\n"
    )
    return head + "".join(
        f"| {name} | {row['straight']:.1%} | {row['stepping']:.1%} | {row['ladder']:.1%} "
        f"| {row['sound']:.1%} | {row['sound_stepping_top']:.1%} "
        f"| {row['sound_ladder_top']:.1%} |\n"
        for name, row in result.items()
        if isinstance(row, dict)
    )


def main() -> int:
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    asked.add_argument("--cases", type=int, default=1000)
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--draws", type=int, default=DRAWS)
    asked.add_argument("--json", type=Path)
    said = asked.parse_args()
    result = run(said.cases, said.seed, said.draws)
    print(markdown(result))
    if said.json:
        said.json.write_text(json.dumps(result, indent=1), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
