"""The verb `log` on a confirmed log: findings, pictures, readings in the journal."""

from __future__ import annotations

import json
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import polars as pl
import pytest

from keyturn.build.model import Build
from keyturn.cli.outcome import run
from keyturn.logs.simulate import drive
from keyturn.tasks.new import new
from keyturn.tasks.read import listed


@pytest.fixture(scope="module")
def pickup(tmp_path_factory: pytest.TempPathFactory, build: Build) -> tuple[Path, Path]:
    """A build folder and the log of a simulated drive with a weak supply."""
    place = tmp_path_factory.mktemp("pickup")
    new(place / "car", "pickup-screw")
    frame = drive(build, "supply limit", 5, minutes=5.0).frame
    columns = {
        "Time (s)": frame.time.round(3),
        "RPM": (frame["engine_speed"] * 60).round(0),
        "MAP (kPa abs)": (frame["manifold_pressure"] / 1e3).round(1),
        "Fuel Pressure (kPa gauge)": (frame["rail_gauge"] / 1e3).round(1),
        "Lambda": frame["lambda"].round(3),
        "Lambda Target": frame["lambda_target"].round(3),
        "Injector Duty (%)": (frame["duty"] * 100).round(1),
        "Battery (V)": frame["voltage"].round(2),
        "TPS (%)": (frame["throttle"] * 100).round(1),
        "Knock Retard (deg)": np.degrees(frame["knock_retard"]).round(1),
    }
    pl.DataFrame(columns).write_csv(place / "drive.csv")
    return place / "car", place / "drive.csv"


def test_findings_pictures_and_readings(
    pickup: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    car, log = pickup
    typed = ["log", str(car), str(log), "--confirm", "--readings", "--pictures", str(tmp_path)]
    assert run(typed) == 0
    said = capsys.readouterr().out
    assert "Found: supply limit, lean excursion." in said
    assert "where: " in said and "next: measure pump flow" in said
    stored = listed(car)
    assert {one.kind for one in stored} == {"rail-pressure", "lambda", "manifold-pressure"}
    assert f"{len(stored)} readings in the journal, 0 of them from before" in said
    for name in ("drive.csv.corridor.svg", "drive.csv.traces.svg"):
        drawn = ElementTree.fromstring((tmp_path / name).read_text(encoding="utf-8"))
        assert len(list(drawn.iter())) > 20
    # handed over again: stored once
    assert run([*typed[:3], "--readings"]) == 0
    assert f"{len(stored)} of them from before" in capsys.readouterr().out
    assert len(listed(car)) == len(stored)


@pytest.mark.validate  # the same from end to end: test_log_evidence.py
def test_find_sharpens_from_the_readings_of_a_log(
    pickup: tuple[Path, Path], capsys: pytest.CaptureFixture[str]
) -> None:
    car, log = pickup
    assert run(["log", str(car), str(log), "--confirm", "--readings"]) == 0
    capsys.readouterr()
    assert run(["find", str(car), "--json", "-"]) == 0
    answer = json.loads(capsys.readouterr().out)
    causes = {row["cause"]: row for row in answer["causes"]}
    # what starves the engine rises, what the pressure at light load speaks against falls
    for name in ("pump", "wiring"):
        assert causes[name]["p"] > 2.0 * causes[name]["prior"]
    for name in ("as described", "set point", "reference hose"):
        assert causes[name]["p"] < 0.5 * causes[name]["prior"]
    assert answer["verdict_after"]["verdict"] == "short"


def test_findings_as_json(pickup: tuple[Path, Path], capsys: pytest.CaptureFixture[str]) -> None:
    car, log = pickup
    assert run(["log", str(car), str(log), "--confirm", "--json", "-"]) == 0
    judged = json.loads(capsys.readouterr().out)["judged"]
    assert [row["kind"] for row in judged["findings"]] == ["supply limit", "lean excursion"]
    assert all(row["spans"] and row["next"] for row in judged["findings"])
    assert "supply limit" in judged["judged"]
