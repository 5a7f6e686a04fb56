"""The verb `log`: proposal, questions, confirmation, JSON, exit codes."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
import writers

from keyturn.cli.outcome import run


@pytest.fixture
def log(tmp_path: Path) -> Path:
    path = tmp_path / "drive.csv"
    writers.semicolon_with_decimal_comma(path)
    return path


def test_proposed_then_confirmed(car: Path, log: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["log", str(car), str(log)]) == 0
    said = capsys.readouterr().out
    assert said.startswith("drive.csv: 9 columns proposed, 0 to be asked; nothing is taken yet")
    assert "rail_gauge           Fuel Pressure (psi) as psi gauge" in said
    assert "at rest it reads" in said
    assert "--confirm" in said
    assert run(["log", str(car), "logs/drive.csv", "--confirm"]) == 0
    said = capsys.readouterr().out
    assert said.startswith("drive.csv: 8 channels taken, as confirmed")
    assert "inlet temperature after the cooler" in said


def test_as_json(car: Path, log: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["log", str(car), str(log), "--confirm", "--json", "-"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["confirmed"] is True
    assert answer["rows"] == writers.ROWS
    assert answer["rate"] == pytest.approx(writers.RATE)
    assert {row["channel"] for row in answer["channels"]} == {"time", *writers.CHANNELS}


def test_a_question_and_its_answer(
    car: Path, log: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = log.read_text(encoding="utf-8").replace("Coolant Temp (°C)", "Coolant Temp")
    log.write_text(text, encoding="utf-8")
    assert run(["log", str(car), str(log)]) == 0
    said = capsys.readouterr().out
    assert "? 'Coolant Temp' as coolant_temperature: degC or degF?" in said
    answer = "coolant_temperature=Coolant Temp as degC"
    assert f"--map '{answer}'" in said
    assert run(["log", str(car), str(log), "--map", answer, "--confirm"]) == 0
    assert "8 channels taken" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("typed", "code", "words"),
    [
        (["--map", "rail_gauge"], 2, "CHANNEL=COLUMN as UNIT"),
        (["--map", "rail_gauge=Nothing as psi"], 2, "no column 'Nothing'"),
        (["--map", "oil=Lambda"], 2, "no such channel"),
    ],
)
def test_refused_words(
    car: Path, log: Path, typed: list[str], code: int, words: str,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    assert run(["log", str(car), str(log), *typed]) == code
    assert words in capsys.readouterr().err


def test_no_file_and_no_use(car: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["log", str(car), "nothing.csv"]) == 2
    assert "no such file" in capsys.readouterr().err
    useless = car / "useless.csv"
    useless.write_text("Time (s),Door\n" + "".join(f"{i / 10},1\n" for i in range(50)))
    assert run(["log", str(car), str(useless), "--confirm"]) == 3
    assert "missing: fuel pressure at the rail" in capsys.readouterr().err
