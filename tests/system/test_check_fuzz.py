"""Mutated builds that can be read end in an answer or a clear error, never in a traceback."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

import keyturn
from keyturn.errors import KeyturnError
from keyturn.system.result import VERDICTS

FOLDER = Path(keyturn.__file__).parent / "examples"
NUMBER = re.compile(r"(?<=[\"= \[])\d+(\.\d+)?(?= ?[\"%a-zA-Z,\]])")
CASES = 40  # each about 50 ms


@pytest.mark.parametrize("name", ["pickup-screw", "kitcar-boost", "van-roots"])
def test_scaled_numbers(name: str, tmp_path: Path) -> None:
    text = (FOLDER / name / "build.toml").read_text("utf-8")
    places = list(NUMBER.finditer(text))
    assert len(places) > 15
    rng = np.random.default_rng(11)
    answered, words = 0, []
    for _ in range(CASES):
        changed = text
        for place in sorted(rng.choice(len(places), 3, replace=False), reverse=True):
            found = places[place]
            number = float(found.group()) * float(np.exp(rng.normal(0.0, 1.0)))
            changed = changed[: found.start()] + f"{number:.4g}" + changed[found.end() :]
        (tmp_path / "build.toml").write_text(changed, "utf-8")
        try:
            answer = keyturn.check(keyturn.load(tmp_path), samples=8)
        except KeyturnError as error:
            words.append(str(error))
        else:
            assert answer.verdict in VERDICTS
            answered += 1
    assert all(words)
    assert answered, "every mutation was refused: the test shows nothing"
