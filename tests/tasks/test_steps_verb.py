"""The verb: what is typed, what is answered, and how it is refused."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from typer.testing import CliRunner

import keyturn
from keyturn.cli.app import app
from keyturn.errors import ValueRefused

EXAMPLES = Path(keyturn.__file__).parent / "examples"


@pytest.fixture
def car(tmp_path: Path) -> Path:
    shutil.copytree(EXAMPLES / "pickup-screw", tmp_path / "car")
    return tmp_path / "car"


def typed(car: Path, *words: str) -> str:
    answer = CliRunner().invoke(app, ["steps", str(car), *words])
    if answer.exception is not None and not isinstance(answer.exception, SystemExit):
        raise answer.exception
    assert answer.exit_code == 0, answer.output
    return answer.output


def test_all_stages_and_json(car: Path) -> None:
    assert "Next hold point: Assembly looked over" in typed(car)
    found = json.loads(typed(car, "--json", "-"))
    assert found["schema"] == "keyturn.steps.v1"
    assert {row["state"] for row in found["stages"]} == {"untested"}
    fields = {
        item["name"]: item for row in found["stages"] if row["name"] == "flow"
        for item in row["fields"]
    }  # fmt: skip
    assert fields["return-flow"]["limit"]["unit"] == "m3/s"
    assert fields["return-flow"]["limit"]["low"] > 0.0


def test_open_close_sweep_path_and_now(car: Path) -> None:
    assert "open item 1" in typed(car, "open", "return hose loose", "--area", "fuel", "--here",
                                  "engine-cold", "--where", "left rear")  # fmt: skip
    said = typed(car, "path", "first fire")
    assert "OPEN, no start: 1 return hose loose" in said and "longest chain" in said
    assert "lacks engine cold" in typed(car, "now")
    assert "item 1" in typed(car, "now", "--here", "engine-cold,level-floor")
    assert "OPEN, no start" in typed(car, "sweep")
    assert "closed" in typed(car, "close", "1", "tightened", "and", "marked")
    assert "tightened and marked" in typed(car, "open")
    found = json.loads(typed(car, "path", "load", "--json", "-"))
    assert found["path"]["target"] == "load" and found["path"]["minutes"] > 0
    assert found["open_items"][0]["closed"] is True


def test_record_and_override(car: Path) -> None:
    assert "failed" in typed(car, "record", "assembly", "marks=yes")
    assert "OVERRIDE" in typed(car, "override", "fluids", "oil", "pressure", "seen", "on", "stand")
    assert "OVERRIDE" in typed(car)
    assert "taken back" in typed(car, "override", "fluids", "--withdraw")
    assert "stages of this car" in typed(car, "scope", "belt,fuel")


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("fly",), "no such action"),
        (("path",), "to which stage"),
        (("path", "moon"), "no such stage"),
        (("open", "x"), "no such word"),
        (("close", "x"), "number of an item"),
        (("timer", "idle-soak", "nap"), "no such timer"),
        (("record", "assembly", "marks"), "cannot be read"),
        (("override", "fuel-static", "it looked dry to me"), "no reason replaces"),
        (("open", "x", "--area", "fuel", "--after", "a"), "numbers of items"),
        (("ladder", "--at-least", "0.5"), "upwards only"),
        (("now", "--here", "sunshine"), "no such condition"),
    ],
)
def test_what_cannot_be_taken_is_refused_with_a_reason(car: Path, words, says: str) -> None:
    with pytest.raises(ValueRefused, match=says):
        typed(car, *words)


def test_the_ladder_and_a_drawing(car: Path, tmp_path: Path) -> None:
    assert "L0 is not open" in typed(car, "ladder")
    typed(car, "--figure", str(tmp_path / "job.svg"))
    assert (tmp_path / "job.svg").read_text(encoding="utf-8").startswith("<svg")
