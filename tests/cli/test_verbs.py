"""The verbs end to end on the invented example whose answer must be "not proven"."""

from __future__ import annotations

import io
import json
from pathlib import Path

import pytest

from keyturn.build.read import load
from keyturn.cli import outcome


@pytest.fixture
def car(tmp_path: Path) -> Path:
    folder = tmp_path / "car"
    assert outcome.run(["new", str(folder), "--example", "van-roots"]) == 0
    return folder


def test_new_lists_three_examples(capsys: pytest.CaptureFixture[str]) -> None:
    assert outcome.run(["new", "--list"]) == 0
    assert len(capsys.readouterr().out.strip().splitlines()) == 3


def test_new_from_nothing_takes_its_answers_as_options(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO())  # nobody there to be asked
    answers = {
        "name": "red coupe", "engine.displacement": "2.3 L", "engine.cylinders": "4",
        "engine.redline": "6200 rpm", "boost.curve": "0.55 bar", "fuel.kind": "petrol-e10",
        "pump.flow": "190 psi", "injectors.flow": "440 cc/min", "regulator.set": "43.5 psi",
        "regulator.place": "rail", "regulator.reference": "manifold",
    }  # fmt: skip

    def new() -> int:
        said = [word for row in answers.items() for word in ("--set", "=".join(row))]
        return outcome.run(["new", str(tmp_path / "red"), "--blank", *said])

    assert new() == 2
    told = capsys.readouterr().err
    assert "pump.flow: that unit measures something else" in told
    assert not (tmp_path / "red").exists()
    answers["pump.flow"] = "190 L/h"
    assert new() == 0
    assert load(tmp_path / "red").name == "red coupe"
    assert outcome.run(["new", str(tmp_path / "blue"), "--set", "name=blue"]) == 2
    assert outcome.run(["new", str(tmp_path / "blue"), "--blank", "--example", "van-roots"]) == 2
    assert not (tmp_path / "blue").exists()


def test_new_does_not_overwrite(car: Path) -> None:
    before = (car / "build.toml").read_bytes()
    assert outcome.run(["new", str(car), "--example", "van-roots"]) == 2
    assert (car / "build.toml").read_bytes() == before


def test_check_says_not_proven(car: Path, capsys: pytest.CaptureFixture[str]) -> None:
    capsys.readouterr()
    assert outcome.run(["check", str(car), "--samples", "100"]) == 0
    assert "not proven" in capsys.readouterr().out.lower()


def test_strict_is_1_when_it_does_not_hold(car: Path) -> None:
    assert outcome.run(["check", str(car), "--samples", "100", "--strict"]) == 1


def test_json_to_standard_output_is_only_json(
    car: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    capsys.readouterr()
    typed = ["check", str(car / "build.toml"), "--samples", "50", "--json", "-"]
    assert outcome.run(typed) == 0
    first = capsys.readouterr().out
    answer = json.loads(first)
    assert answer["schema"] == "keyturn.check.v1"
    assert answer["verdict"] == "not proven"
    assert outcome.run(typed) == 0
    again = json.loads(capsys.readouterr().out)
    for document in (answer, again):
        document.pop("seconds", None)
    assert answer == again, "the same seed must give the same answer"


def test_json_to_a_file(car: Path, tmp_path: Path) -> None:
    target = tmp_path / "answer.json"
    assert outcome.run(["check", str(car), "--samples", "50", "--json", str(target)]) == 0
    assert json.loads(target.read_text(encoding="utf-8"))["schema"] == "keyturn.check.v1"


def test_a_change_is_tried_without_editing(car: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = (car / "build.toml").read_bytes()
    capsys.readouterr()
    typed = ["check", str(car), "--samples", "50", "--json", "-"]
    assert outcome.run(typed) == 0
    as_is = json.loads(capsys.readouterr().out)
    assert outcome.run([*typed, "--set", "engine.redline=3000 rpm"]) == 0
    slower = json.loads(capsys.readouterr().out)
    assert max(slower["full_load"]["rpm"]) < max(as_is["full_load"]["rpm"])
    assert (car / "build.toml").read_bytes() == before


@pytest.mark.parametrize(
    "change", ["pump.colour=red", "engine.redline=-5 rpm", "engine.redline=nan rpm", "x=1"]
)
def test_a_change_that_cannot_be_taken(change: str, car: Path) -> None:
    assert outcome.run(["check", str(car), "--set", change]) == 2


@pytest.mark.parametrize("typed", [["--samples", "0"], ["--samples", "-3"], ["--seed", "-1"]])
def test_numbers_that_cannot_be_taken(typed: list[str], car: Path) -> None:
    assert outcome.run(["check", str(car), *typed]) == 2


@pytest.mark.slow
def test_report_writes_page_pdf_and_figures(car: Path) -> None:
    assert outcome.run(["report", str(car), "--samples", "50"]) == 0
    made = car / "made"
    assert "<svg" in (made / "report.html").read_text(encoding="utf-8")
    assert (made / "report.pdf").read_bytes().startswith(b"%PDF-")
    assert len(list(made.glob("*.svg"))) >= 4
    assert list(made.glob(".*")) == []


@pytest.mark.slow
def test_report_holds_cause_and_purchase(car: Path) -> None:
    typed = ["read", str(car), "rail-pressure", "300 kPa", "--state", "key-on"]
    assert outcome.run(typed) == 0
    assert outcome.run(["report", str(car), "--samples", "50"]) == 0
    for name in ("find.svg", "choose.svg"):
        assert (car / "made" / name).read_text("utf-8").startswith("<svg")


def test_report_of_a_bad_option_is_refused(car: Path) -> None:
    with (car / "build.toml").open("a", encoding="utf-8") as stream:
        stream.write('\n[[option]]\nname = "x"\nprice = -1\ntime = "1 h"\nchanges = {}\n')
    assert outcome.run(["report", str(car), "--samples", "50"]) == 2
    assert not (car / "made" / "report.html").exists()


@pytest.mark.slow
def test_report_where_it_cannot_be_written(
    car: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    blocked = tmp_path / "blocked"
    blocked.write_text("a file where the folder should be", encoding="utf-8")
    assert outcome.run(["report", str(car), "--samples", "20", "--out", str(blocked)]) == 2
    assert "cannot be written" in capsys.readouterr().err
    assert list((car / "made").iterdir()) == []
