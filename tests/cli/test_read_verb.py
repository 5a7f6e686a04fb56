"""The verb `read` end to end; no fault ends in a traceback."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from keyturn.cli import outcome

Capture = pytest.CaptureFixture[str]


@pytest.fixture
def car(tmp_path: Path, capsys: Capture) -> Path:
    folder = tmp_path / "car"
    assert outcome.run(["new", str(folder), "--example", "kitcar-boost"]) == 0
    capsys.readouterr()
    return folder


def read(car: Path, *typed: str) -> int:
    return outcome.run(["read", str(car), *typed])


def test_one_reading(car: Path, capsys: Capture) -> None:
    assert read(car, "rail-pressure", "46 psi", "--state", "key-on", "--volts", "12.1") == 0
    out = capsys.readouterr().out
    assert "46 psi" in out
    assert "caution:" in out


def test_json_of_the_list(car: Path, capsys: Capture) -> None:
    typed = ["--state", "idle", "--reference", "off", "--instrument", "dial 0-100 psi"]
    assert read(car, "rail-pressure", "46 psi", *typed) == 0
    capsys.readouterr()
    assert read(car, "--list", "--json", "-") == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["schema"] == "keyturn.read.v1"
    (row,) = answer["readings"]
    assert (row["id"], row["kind"], row["unit"], row["status"]) == (
        1,
        "rail-pressure",
        "Pa",
        "kept",
    )
    assert row["conditions"] == {"reference": "off"}
    # 2 % of 100 psi, NIST SP 811 (2008): 1 psi = 6894.757 Pa
    assert row["spread"] == pytest.approx(2 * 6894.757, abs=0.01)


def test_a_suspicion_says_what_to_type(car: Path, capsys: Capture) -> None:
    assert read(car, "rail-pressure", "46 bar", "--state", "key-on") == 0
    out = capsys.readouterr().out
    assert "kept apart" in out
    assert '--confirm 1 --as "46 psi"' in out
    assert read(car, "--confirm", "1", "--as", "46 psi") == 0
    assert "in place of 1" in capsys.readouterr().out


def test_a_value_below_zero_is_no_option(car: Path, capsys: Capture) -> None:
    assert read(car, "gauge-zero", "-1.5 psi") == 0
    assert "-1.5 psi" in capsys.readouterr().out
    assert read(car, "gauge-zero", "--colour") == 2


def test_file_with_a_bad_row(car: Path, capsys: Capture) -> None:
    file = car / "rows.csv"
    file.write_text("kind,value,state\nlambda,0.98,idle\nlambda,0.98,\n", encoding="utf-8")
    assert read(car, "--from", str(file), "--json", str(car / "made" / "rows.json")) == 2
    shown = capsys.readouterr()
    assert "1 stored, 1 refused" in shown.out
    assert "rows.csv:3: state: in which state" in shown.err
    answer = json.loads((car / "made" / "rows.json").read_text(encoding="utf-8"))
    assert [fault["line"] for fault in answer["refused"]] == [3]


def test_carried_to_another_folder(car: Path, tmp_path: Path, capsys: Capture) -> None:
    assert read(car, "return-flow", "yes", "--state", "idle") == 0
    assert read(car, "--withdraw", "1", "--note", "not looked well") == 0
    assert read(car, "--export", str(tmp_path / "all.jsonl")) == 0
    other = tmp_path / "other"
    assert outcome.run(["new", str(other), "--example", "kitcar-boost"]) == 0
    assert read(other, "--import", str(tmp_path / "all.jsonl")) == 0
    capsys.readouterr()
    assert read(other, "--list") == 0
    assert "taken out" in capsys.readouterr().out


def test_nothing_stored_yet(car: Path, capsys: Capture) -> None:
    assert read(car, "--list") == 0
    assert "no readings yet" in capsys.readouterr().out


@pytest.mark.parametrize(
    "typed",
    [
        [],
        ["rail-pressure"],
        ["rail-pressure", "46 psi"],
        ["rail-pressure", "46 psi", "--state", "idle"],
        ["rail-pressure", "46 psi", "--state", "key-on", "--list"],
        ["--list", "--rpm", "3000"],
        ["--list", "--correct", "1"],
        ["--as", "3 psi", "--list"],
        ["--confirm", "1"],
        ["--withdraw", "1"],
        ["--withdraw", "99999999999999999999999"],
        ["--from", "nowhere.csv"],
        ["--import", "nowhere.jsonl"],
        ["--export", "/dev/null/x"],
        ["manifold-pressure", "8 psi", "--state", "idle"],
        ["rail-pressure", "46 psi", "--state", "key-on", "--correct", "4"],
    ],
)
def test_what_cannot_be_taken_is_2_and_says_so(
    typed: list[str], car: Path, capsys: Capture
) -> None:
    assert read(car, *typed) == 2
    shown = capsys.readouterr()
    assert shown.out == ""
    assert shown.err.strip()
    assert "Traceback" not in shown.err
