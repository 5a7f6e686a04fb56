"""`find` with eight readings and all causes, and the ranking of tests from the same particles."""

from __future__ import annotations

from pathlib import Path

import numpy as np

import keyturn
from keyturn.evidence import next_test
from keyturn.evidence.causes import possible
from keyturn.evidence.find import find
from keyturn.evidence.infer import infer, prepare
from keyturn.evidence.reading import Conditions, Reading, kinds
from report import Report, measure

EXAMPLES = Path(keyturn.__file__).parent / "examples"


def _reading(kind: str, state: str, value: float, **said: object) -> Reading:
    spread = kinds()[kind].usual_spread(value)
    conditions = Conditions(**said)
    return Reading(kind, state, value, spread, "", conditions=conditions)


READINGS = (
    _reading("rail-pressure", "key-on", 2.45e5),
    _reading("rail-pressure", "idle", 1.85e5),
    _reading("rail-pressure", "held-speed", 1.85e5),
    _reading("rail-pressure", "full-load", 3.1e5),
    _reading("rail-pressure", "full-load", 3.1e5, engine_speed=55.0),
    _reading("return-flow", "key-on", 1.0),
    _reading("pump-voltage", "idle", 13.5),
    _reading("pump-current", "idle", 9.8),
)


def run(report: Report) -> None:
    build = keyturn.load(EXAMPLES / "pickup-screw")
    model = prepare(build)
    found = infer(build, READINGS, np.random.default_rng(0), model=model)
    sample = measure(lambda: infer(build, READINGS, np.random.default_rng(0), model=model), times=3)
    report.row("infer, 8 readings, all causes", sample, 1, "answers")
    counted = [item for item in found.suspects if item.probability > 0.05]
    effective = sum(item.effective for item in counted)
    report.want("infer, effective samples over causes above 5 %", effective, ">=", 2000.0)
    report.want("infer, 8 readings, all causes [s]", sample.wall, "<=", 3.0)
    tests = measure(
        lambda: next_test.rank(found, model, READINGS, possible(build), np.random.default_rng(0)),
        times=3,
    )
    report.row("next tests ranked", tests, 1, "answers")
    report.want("next tests ranked [s]", tests.wall, "<=", 1.0)
    whole = measure(lambda: find(build, READINGS, seed=0), times=3)
    report.row("find, whole answer", whole, 1, "answers")
    report.want("find, whole answer with both verdicts [s]", whole.wall, "<=", 4.0)
