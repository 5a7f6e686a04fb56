"""What `find` says of every part once the readings are in: never better than the evidence."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import garage
import keyturn
from keyturn.build.read import load
from keyturn.evidence import after
from keyturn.evidence.find import find
from keyturn.evidence.infer import Model, prepare
from keyturn.system.result import VERDICTS

MEASURED = (
    'age = {value = "97 %", spread = "2 %", grade = "measured", '
    'source = "timed return flow against the sheet"}'
)
GUESSED = 'age = {value = "90 %", spread = "20 %", grade = "assumed", source = "a guess"}'


def guessed(folder: Path) -> Model:
    """A car whose pump is worth what somebody guessed."""
    text = (garage.EXAMPLES / "pickup-screw" / "build.toml").read_text("utf-8")
    assert text.count(MEASURED) == 1
    (folder / "build.toml").write_text(text.replace(MEASURED, GUESSED), encoding="utf-8")
    return prepare(load(folder))


def as_described(model: Model) -> dict[str, np.ndarray]:
    """Every unknown as wide as it was before any reading, and without a fault."""
    rng = np.random.default_rng(3)
    return {row.name: row.healthy.value(rng.standard_normal((4000, 1))) for row in model.unknowns}


@pytest.mark.parametrize("name", ["guessed", "pickup-screw", "van-roots", "kitcar-boost"])
def test_readings_that_teach_nothing_better_no_word(name: str, tmp_path: Path) -> None:
    """A spread that comes from a guess counts as a guess also where samples carry it."""
    model = guessed(tmp_path) if name == "guessed" else garage.model_of(name)
    values = as_described(model)
    before = after.before(model.build, 400, np.random.default_rng(0))
    now = after.after(model.build, values, values, 400, np.random.default_rng(1))
    words = {row.part: VERDICTS.index(row.verdict) for row in before.parts}
    better = {row.part for row in now.parts if VERDICTS.index(row.verdict) < words[row.part]}
    assert words
    assert not better


def test_find_begins_with_the_verdict_of_check() -> None:
    """Who asks both must not hear two answers about the same car."""
    build = garage.model_of("kitcar-boost").build
    found = find(build, (garage.psi("key-on", 46.0),), seed=5).verdict_before
    said = keyturn.check(build)
    assert (found.verdict, found.sentence) == (said.verdict, said.sentence)
    assert {row.part: row.verdict for row in found.parts} == {
        row.part: row.verdict for row in said.headroom
    }
