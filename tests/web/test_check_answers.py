"""The answers behind the Check page: JSON twin, middle values, tries, words of a comparison."""

from __future__ import annotations

import json
import math
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from browser import EXAMPLES, shelf
from fastapi.testclient import TestClient

import keyturn
from keyturn.build.read import from_text, parse_document, read_text
from keyturn.report.check_view import view
from keyturn.report.compare import NOTHING, differences
from keyturn.report.figures import FIGURES
from keyturn.report.json_form import to_json
from keyturn.system.result import VERDICTS
from keyturn.tasks.check import middle
from keyturn.tasks.tries import as_chosen, tries
from keyturn.web.answers import Answers, Kept
from keyturn.web.app import create_app
from keyturn.web.config import Config

TEXT = read_text(EXAMPLES / "pickup-screw" / "build.toml")


@pytest.fixture(scope="module")
def asked(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    folder = shelf(tmp_path_factory.mktemp("check"), "pickup-screw")
    with TestClient(create_app(Config(folder)), base_url="http://127.0.0.1:8720") as client:
        client.headers["origin"] = "http://127.0.0.1:8720"
        yield client


def test_the_json_twin_is_what_the_command_prints(asked: TestClient) -> None:
    found = asked.get(
        "/api/car/pickup-screw/check",
        params={
            "set": ["regulator.set=250 kPa", "engine.redline=5300 rpm"],
            "samples": 50,
            "seed": 3,
        },
    ).json()
    changes = {"regulator.set": "250 kPa", "engine.redline": "5300 rpm"}
    build = keyturn.load(EXAMPLES / "pickup-screw", changes)
    assert found == to_json(keyturn.check(build, samples=50, seed=3))
    assert found["schema"] == "keyturn.check.v1"


@pytest.mark.parametrize(
    "query",
    [
        {"set": "regulator.set=blue"}, {"set": "nothing"}, {"set": "no.such=1"}, {"option": 99},
        {"set": ["regulator.set=3 bar", "regulator.set=4 bar"]}, {"samples": 0},
        {"samples": 10**9}, {"seed": -1}, {"set": "x" * 5000},
    ],
)  # fmt: skip
def test_what_cannot_be_tried_is_refused_in_words(asked: TestClient, query: dict[str, Any]) -> None:
    answer = asked.get("/api/car/pickup-screw/check", params=query)
    assert answer.status_code == 422
    assert answer.json()["error"]["problem"]


def test_middle_values_carry_no_verdict_and_no_probability() -> None:
    for name in ("van-roots", "pickup-screw", "kitcar-boost"):
        build = keyturn.load(EXAMPLES / name)
        result = middle(build)
        shown = view(result, 720, FIGURES, points=True)
        assert shown["level"] == "middle"
        assert not {row.verdict for row in result.headroom} & set(VERDICTS)
        assert result.verdict not in VERDICTS
        assert all(math.isnan(row.p_holds) for row in result.headroom)
        assert shown["chance"] == "" and shown["map"]["chances"] == []
        drawn = shown["figures"]["headroom"]
        assert ">holds<" not in drawn and "var(--holds)" not in drawn
        assert "95 %" not in shown["figures"]["envelope"]


def test_middle_values_are_the_car_without_deviation() -> None:
    """Every sample equal to the nominal row: the bands have no width; the 400-sample median of a
    monotone answer lies near it (within 2 %, the sampling error of a median and the curvature)."""
    build = keyturn.load(EXAMPLES / "pickup-screw")
    still, whole = middle(build), keyturn.check(build)
    for row, other in zip(still.states, whole.states, strict=True):
        assert row.rail_gauge.p05 == row.rail_gauge.p95
        assert row.rail_gauge.p50 == pytest.approx(other.rail_gauge.p50, rel=0.02)
    at = 100e3  # [Pa] a manifold pressure on both maps, whose grids differ
    for one, other in zip(still.envelope.rail_gauge, whole.envelope.rail_gauge, strict=True):
        rails = (
            np.interp(at, still.envelope.manifold_pressure, one),
            np.interp(at, whole.envelope.manifold_pressure, other),
        )
        assert rails[0] == pytest.approx(rails[1], rel=0.02)


def test_a_share_of_almost_nothing_is_never_shown_as_nothing() -> None:
    """A share of 0.04 % beside a share of nothing: neither may read 0 %."""
    build = keyturn.load(EXAMPLES / "pickup-screw", {"regulator.set.value": "180 kPa"})
    shown = view(keyturn.check(build), 720, (), points=True)
    words = shown["map"]["chances"] + [row["chance"] for row in shown["headroom"]]
    assert words and not any(word in ("0 %", "100 %") for word in words)
    assert any(word.startswith("<") for word in words)


@pytest.mark.parametrize("name", ["van-roots", "pickup-screw", "kitcar-boost"])
def test_every_slider_and_switch_gives_a_build_that_can_be_read(name: str) -> None:
    text = read_text(EXAMPLES / name / "build.toml")
    build, document = from_text(text), parse_document(text, "build.toml")
    found = tries(build, document)
    assert len(found) >= 12
    for row in found:
        ends = row["choices"] or (f"{row['now']} {row['unit']}",)
        if row["points"]:
            assert row["now"] == 100.0
            continue
        for typed in ends:
            if row["key"] != "regulator.place":  # the feed may name a place for the regulator
                from_text(text, "build.toml", as_chosen(document, {row["key"]: typed}))
        if row["unit"]:
            assert row["low"] <= row["now"] <= row["high"]


def test_a_chosen_number_never_counts_as_measured() -> None:
    document = parse_document(TEXT, "build.toml")
    changes = as_chosen(document, {"wiring.source_voltage": "14.2 V", "pump.age.value": "90 %"})
    known = {item.key: item for item in from_text(TEXT, "build.toml", changes).known()}
    assert known["wiring.source_voltage"].grade == "datasheet"
    assert known["wiring.source_voltage"].si == pytest.approx(14.2)
    assert known["wiring.length"].grade == "measured"


def test_differences_name_what_changed_and_nothing_else() -> None:
    first = keyturn.check(keyturn.load(EXAMPLES / "pickup-screw"), samples=100)
    assert differences(first, first) == [NOTHING]
    build = keyturn.load(EXAMPLES / "pickup-screw", {"regulator.set.value": "400 kPa"})
    told = " ".join(differences(first, keyturn.check(build, samples=100)))
    assert "Key-on: rail gauge" in told and "across the injector" in told
    assert "Blower speed" not in told and "Belt speed" not in told


def test_a_second_question_is_answered_from_what_was_kept() -> None:
    answers = Answers()
    assert answers.kept(TEXT, {}, 20, 0) is None
    first = answers.whole(TEXT, {}, 20, 0)
    assert answers.whole(TEXT, {}, 20, 0) is first is answers.kept(TEXT, {}, 20, 0)
    assert answers.kept(TEXT, {"regulator.set.value": "3.1 bar"}, 20, 0) is None
    assert answers.kept(f"{TEXT}\n# a note", {}, 20, 0) is None
    assert answers.middle(TEXT, {}) is answers.middle(TEXT, {})


def test_what_is_kept_is_bounded_and_the_oldest_goes() -> None:
    rows: Kept[int] = Kept(3)
    for number in range(5):
        rows.put(number, number)
        rows.get(2)
    assert len(rows) == 3
    assert (rows.get(2), rows.get(0), rows.get(4)) == (2, None, 4)


def test_apply_keeps_comments_and_refuses_what_is_stale(asked: TestClient, tmp_path: Path) -> None:
    page = asked.get("/car/pickup-screw/check").text
    revision = page.split('data-seen-revision="')[1].split('"')[0]
    body = {"set": {"regulator.set.value": "320 kPa"}, "options": [], "revision": revision}
    done = asked.post("/api/car/pickup-screw/check/apply", json=body)
    assert done.status_code == 200, done.text
    now = asked.get("/api/car/pickup-screw/check?samples=20").json()
    assert "# water to air" in TEXT
    file = asked.app.state.shelf.car("pickup-screw").file  # type: ignore[attr-defined]
    assert "# water to air" in file.read_text() and "320 kPa" in file.read_text()
    assert now["schema"] == "keyturn.check.v1"
    again = asked.post("/api/car/pickup-screw/check/apply", json=body)
    assert again.status_code == 409, again.text
    assert again.json()["error"]["kind"] == "stale"
    undone = asked.post("/api/car/pickup-screw/parts/undo", json={})
    assert undone.status_code == 200, undone.text
    assert file.read_text() == TEXT


def test_an_option_after_another_edit_is_applied_and_a_stale_one_is_not(asked: TestClient) -> None:
    car, file = "/api/car/pickup-screw/check", asked.app.state.shelf.car("pickup-screw").file  # type: ignore[attr-defined]
    seen = asked.get(f"{car}/tries").json()
    body = {"options": [1], "revision": seen["revision"], "set": {},
            "seen": json.loads(seen["options"][0]["seen"])}  # fmt: skip
    assert sorted(body["seen"]) == ["wiring.contacts", "wiring.size"]
    file.write_text(TEXT.replace('redline = "5500 rpm"', 'redline = "5600 rpm"'))
    assert file.read_text() != TEXT
    done = asked.post(f"{car}/apply", json=body)
    assert done.status_code == 200, done.text
    assert '"5600 rpm"' in file.read_text() and '"6 AWG"' in file.read_text()
    file.write_text(TEXT.replace('size = "8 AWG"', 'size = "10 AWG"'))
    refused = asked.post(f"{car}/apply", json=body)
    assert refused.status_code == 409, refused.text
    # also when only the revision is new to the page, and not what it shows
    body["revision"] = asked.get(f"{car}/tries").json()["revision"]
    assert asked.post(f"{car}/apply", json=body).status_code == 409
    assert '"10 AWG"' in file.read_text()
    file.write_text(TEXT)


def test_what_is_seen_covers_every_key_that_is_written() -> None:
    for name in ("van-roots", "pickup-screw", "kitcar-boost"):
        document = parse_document(read_text(EXAMPLES / name / "build.toml"), "build.toml")
        for row in tries(keyturn.load(EXAMPLES / name), document):
            if row["unit"] and not row["points"]:
                written = as_chosen(document, {row["key"]: f"{row['now']} {row['unit']}"})
                assert set(written) <= set(json.loads(row["seen"])), row["key"]


def test_a_server_that_is_told_to_end_leaves_nothing_behind(tmp_path: Path) -> None:
    """SIGTERM runs no exit of the interpreter: what the workers share must be given back before."""
    shelf(tmp_path, "van-roots")
    with (tmp_path / "out").open("w+") as out, (tmp_path / "err").open("w+") as err:
        command = [sys.executable, "-m", "keyturn", "serve", str(tmp_path), "--port", "0"]
        running = subprocess.Popen(command, stdout=out, stderr=err, env=os.environ | {
            "PYTHONPATH": str(Path(keyturn.__file__).parents[1])})  # fmt: skip
        try:
            until = time.monotonic() + 60
            while "on this computer" not in (tmp_path / "out").read_text():
                assert running.poll() is None and time.monotonic() < until
                time.sleep(0.1)
            running.send_signal(signal.SIGTERM)
            running.wait(30)
        finally:
            running.kill()
    assert "semaphore" not in (tmp_path / "err").read_text()
    assert (tmp_path / "err").read_text() == ""
