"""The verb `choose` end to end on invented examples."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from keyturn.cli import outcome


@pytest.fixture
def car(tmp_path: Path) -> Path:
    folder = tmp_path / "car"
    assert outcome.run(["new", str(folder), "--example", "van-roots"]) == 0
    return folder


def test_it_answers_with_text_and_a_drawing(
    car: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    capsys.readouterr()
    target = tmp_path / "choose.svg"
    assert outcome.run(["choose", str(car), "--samples", "50", "--figure", str(target)]) == 0
    said = capsys.readouterr().out
    assert said.startswith("Invented example")
    assert len(said.splitlines()) <= 40
    assert target.read_text("utf-8").startswith("<svg")


def test_json_is_only_json(car: Path, capsys: pytest.CaptureFixture[str]) -> None:
    capsys.readouterr()
    typed = ["choose", str(car), "--samples", "50", "--power", "100 kW", "--json", "-"]
    assert outcome.run(typed) == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["schema"] == "keyturn.choose.v1"
    assert answer["power"] == 100e3
    assert {"frontier", "cheapest", "corrected", "options", "bounded"} <= set(answer)


def test_strict_is_1_when_nothing_is_enough(car: Path) -> None:
    assert outcome.run(["choose", str(car), "--samples", "50", "--strict"]) == 1


@pytest.mark.parametrize("typed", [["--power", "lots"], ["--samples", "0"], ["--seed", "-1"]])
def test_what_cannot_be_taken_is_2(car: Path, typed: list[str]) -> None:
    assert outcome.run(["choose", str(car), *typed]) == 2


def test_with_readings_it_says_so(car: Path, capsys: pytest.CaptureFixture[str]) -> None:
    typed = ["read", str(car), "rail-pressure", "300 kPa", "--state", "key-on"]
    assert outcome.run(typed) == 0
    capsys.readouterr()
    assert outcome.run(["choose", str(car), "--samples", "50"]) == 0
    assert "1 reading;" in capsys.readouterr().out
