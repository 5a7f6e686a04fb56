"""What the last watch left is found again on the disk, by the same rules of evidence."""

from __future__ import annotations

import json
import os
import re
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from by_hand import KEY_ON, YES, ended, given, low, pickup
from patience import killed

from keyturn.errors import CannotAnswer, FileRefused, ValueRefused
from keyturn.tasks import watch as task
from keyturn.tasks import watch_kept
from keyturn.tasks.open_items import open_item
from keyturn.tasks.watch_climb import climb_of, recorded
from keyturn.tasks.watch_kept import HOME, _all, judged, last, runs


@pytest.fixture
def car(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    return pickup(tmp_path, monkeypatch)


def sidecar(car: Path) -> Path:
    (found,) = (car / HOME).glob("*.json")
    return found


def edited(car: Path, change: Callable[[dict[str, Any]], None]) -> None:
    """The one sidecar of a car with something else in it."""
    body = json.loads(sidecar(car).read_text())
    change(body)
    sidecar(car).write_text(json.dumps(body))


def cut_off(car: Path, *parts: tuple[float, dict[str, float]]) -> None:
    """A watch in a program of its own that is killed once all of this is acknowledged."""
    code = f"""
        from by_hand import given, unplugged
        unplugged()
        made = given({str(car)!r}, {parts!r})
        while made.recorder._lines:
            time.sleep(0.01)
        print("written", flush=True)
        time.sleep(600)
    """
    killed(code, lambda line: line == "written\n", Path(__file__))


def test_nothing_was_watched(car: Path) -> None:
    assert last(car) is None


def test_a_clean_watch_is_found_again_as_it_was(car: Path) -> None:
    left = ended(car, (11.0, KEY_ON))
    found = last(car)
    assert found == left
    row = climb_of(car, found, YES)
    assert row.clean, row.why
    assert recorded(car, left) == recorded(car, found) is not None


def test_reasons_are_found_again_too(car: Path) -> None:
    left = ended(car, (6.0, KEY_ON), (0.6, {**KEY_ON, "rail_gauge": low(car) - 2e3}), (5.0, KEY_ON))
    found = last(car)
    assert found is not None and found.against == left.against != ()
    assert found.worst["rail-pressure"].value == pytest.approx(low(car) - 2e3)
    assert not climb_of(car, found, YES).clean


def test_a_killed_watch_is_offered_and_never_clean(car: Path) -> None:
    cut_off(car, (11.0, KEY_ON))
    found = last(car)
    assert found is not None and found.cut
    assert found.against == (
        "it ended without an end after 11 s, its program was cut off: what was cried after the "
        "last line of its record is not known",
    )
    assert found.worst["rail-pressure"].value == pytest.approx(313e3)
    assert last(car) == found  # judged once, then written down
    row = climb_of(car, found, YES)
    assert not row.clean and "ended without an end" in row.why


def test_a_killed_watch_is_judged_by_what_is_recorded(car: Path) -> None:
    weak = {**KEY_ON, "rail_gauge": low(car) - 2e3}
    cut_off(car, (6.0, KEY_ON), (0.6, weak), (3.0, {}), (2.0, KEY_ON))
    found = last(car)
    assert found is not None and found.cut
    reasons = "\n".join(found.against)
    assert "alarm: FUEL PRESSURE 2 kPa below its abort number" in reasons
    assert "no fuel pressure for 3.0 s" in reasons or "no fuel pressure for 3.1 s" in reasons
    assert found.worst["rail-pressure"].value == pytest.approx(weak["rail_gauge"])


def test_the_record_judged_again_says_what_was_seen_live(car: Path) -> None:
    parts = (3.0, KEY_ON), (0.6, {**KEY_ON, "rail_gauge": low(car) - 2e3}), (3.0, KEY_ON)
    left = ended(car, *parts)
    ((known, _),) = _all(car)
    again = judged(car, known)
    # nine digits of a value and 0.1 ms of its time are written
    for name, worst in left.worst.items():
        assert again.worst[name].value == pytest.approx(worst.value, rel=1e-8)
        assert again.worst[name].engine_speed == worst.engine_speed
    assert again.crossed == left.crossed
    assert again.unwatched == left.unwatched
    assert again.lines == left.lines
    assert set(left.against) < set(again.against)


def test_a_disk_that_takes_no_end_leaves_a_watch_without_one(
    car: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = given(car, ((11.0, KEY_ON),))

    def full(*_: object) -> None:
        raise FileRefused("cannot be written: No space left on device")

    monkeypatch.setattr(watch_kept, "write_all", full)
    made.stop()
    found = last(car)
    assert found is not None and found.cut and found.against


def test_a_disk_that_takes_no_beginning_does_not_stop_the_watch(
    car: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise FileRefused("cannot be written: No space left on device")

    monkeypatch.setattr(watch_kept, "write_all", full)
    assert ended(car, (11.0, KEY_ON)).against == ()
    assert last(car) is None


def test_a_record_too_long_to_be_judged_again_stays_a_log(
    car: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    cut_off(car, (2.0, KEY_ON))
    monkeypatch.setattr(watch_kept, "MOST_BYTES", 100)
    with pytest.raises(CannotAnswer, match="too long"):
        last(car)


def test_a_half_written_line_and_a_broken_one(car: Path) -> None:
    cut_off(car, (11.0, KEY_ON))
    record = next((car / "logs").glob("*.csv"))
    with record.open("ab") as stream:
        stream.write(b"\0" * 40 + b"\n12.0")  # what a loss of power may leave
    found = last(car)
    assert found is not None and found.cut
    assert "1 lines of its record cannot be read" in found.against


def test_another_car_is_refused(car: Path, tmp_path: Path) -> None:
    left = ended(car, (11.0, KEY_ON))
    other = tmp_path / "other"
    shutil.copytree(car, other)
    text = (other / "build.toml").read_text()
    (other / "build.toml").write_text(re.sub(r'^name = ".*"', 'name = "another"', text, flags=re.M))
    with pytest.raises(CannotAnswer, match="another car"):
        last(other)
    with pytest.raises(CannotAnswer, match="another car"):
        climb_of(other, left, YES)


def test_another_step_is_refused(car: Path) -> None:
    ended(car, (11.0, KEY_ON))

    def other_step(body: dict[str, Any]) -> None:
        body["begun"]["step"] = body["ended"]["step"] = "L1"

    edited(car, other_step)
    with pytest.raises(CannotAnswer, match="not the record of a watch of L1"):
        last(car)


def test_a_step_that_this_car_has_not_is_refused(car: Path) -> None:
    left = ended(car, (11.0, KEY_ON))
    with pytest.raises(ValueRefused, match="no such step"):
        climb_of(car, replace(left, step="L77"), YES)


def test_a_record_that_is_gone_or_shorter(car: Path) -> None:
    left = ended(car, (11.0, KEY_ON))
    text = left.path.read_bytes()
    left.path.write_bytes(text[:-100])
    found = last(car)
    assert found is not None
    assert not climb_of(car, found, YES).clean
    left.path.unlink()
    with pytest.raises(CannotAnswer, match="is gone"):
        last(car)


@pytest.mark.parametrize("name", ["../../build.toml", "/etc/passwd", "..\\x.csv/../../y.csv"])
def test_no_name_leads_elsewhere(car: Path, name: str) -> None:
    ended(car, (11.0, KEY_ON))
    edited(car, lambda body: body["begun"].update(record=name))
    assert last(car) is None
    shutil.move(sidecar(car), sidecar(car).with_name(f"{Path(name).stem}.json"))
    assert last(car) is None


def test_a_file_that_is_none_is_passed_over(car: Path) -> None:
    left = ended(car, (11.0, KEY_ON))
    whole = json.loads(sidecar(car).read_text())["begun"]
    texts = ["", "{", "[]", '{"begun": {}}', '{"begun": {"number": 9}}']
    odd = {"number": "9"}, {"record": 5}, {"frames": None}, {"numbers": "x"}, {"car": []}
    texts += [json.dumps({"begun": {**whole, "number": 99, **row}}) for row in odd]
    for number, text in enumerate(texts):
        (car / HOME / f"watch-{number}.json").write_text(text)
    assert last(car) == left


@pytest.mark.parametrize(
    "row",
    [{"worst": {"lambda": {"value": 1}}}, {"worst": 5}, {"against": None}, {"lines": "many"}, {}],
    ids=str,
)
def test_an_end_that_is_none_is_refused_in_words(car: Path, row: dict[str, Any]) -> None:
    ended(car, (11.0, KEY_ON))
    edited(car, lambda body: body.update(ended={**body["ended"], **row} if row else {}))
    with pytest.raises(CannotAnswer, match="cannot be read"):
        last(car)


def test_limits_that_are_none_are_refused_in_words(car: Path) -> None:
    cut_off(car, (2.0, KEY_ON))
    edited(car, lambda body: body["begun"]["numbers"].update(bounds=["rail-pressure"]))
    with pytest.raises(CannotAnswer, match="cannot be read"):
        last(car)


def test_the_last_is_the_last_also_where_the_clock_was_set_back(
    car: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(task.time, "strftime", lambda _: "watch-20300101-000000")
    ended(car, (11.0, KEY_ON))
    monkeypatch.setattr(task.time, "strftime", lambda _: "watch-20200101-000000")
    later = ended(car, (11.0, {**KEY_ON, "rail_gauge": 320e3}))
    found = last(car)
    assert found is not None and found.path == later.path


# --- what was changed since -----------------------------------------------------------------------
def test_a_build_that_was_changed_since_is_not_clean(car: Path) -> None:
    left = ended(car, (11.0, KEY_ON))
    with (car / "build.toml").open("a") as stream:
        stream.write("# another word\n")
    row = climb_of(car, left, YES)
    assert not row.clean and "the build was changed after" in row.why


def test_what_was_opened_since_makes_it_not_clean(car: Path) -> None:
    left = ended(car, (11.0, KEY_ON))
    open_item(car, "belt taken off", "belt")
    row = climb_of(car, left, YES)
    assert not row.clean and "opened after this watch began: belt taken off" in row.why


def test_another_journal_is_refused(car: Path) -> None:
    open_item(car, "belt off", "belt")
    left = ended(car, (11.0, KEY_ON))
    for path in car.glob("journal.db*"):
        path.unlink()
    with pytest.raises(CannotAnswer, match="another journal"):
        climb_of(car, left, YES)


def test_one_watch_is_one_record_and_may_only_become_worse(car: Path) -> None:
    left = ended(car, (11.0, KEY_ON))
    first = climb_of(car, left, YES)
    assert first.clean and climb_of(car, left, YES).at == first.at
    worse = climb_of(car, left, {"nothing-new": "no"})
    assert not worse.clean and worse.at > first.at
    with pytest.raises(ValueRefused, match="recorded already, and not clean"):
        climb_of(car, left, YES)


# --- one at a time --------------------------------------------------------------------------------
def test_two_watches_at_once_on_one_car_are_refused(car: Path) -> None:
    one = task.Watch(car, "simulated", "L0")
    two = task.Watch(car, "simulated", "L0")
    one.start()
    assert runs(car) and last(car) is None
    with pytest.raises(ValueRefused, match="running already"):
        two.start()
    one.stop()
    assert not runs(car)
    two.start()
    two.stop()
    assert sorted(path.name for path in (car / "logs").glob("*.csv"))[1:]


def test_who_only_looks_keeps_nobody_out(car: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from keyturn.tasks.watch_kept import Only, _locked

    Only(car).close()
    looking = _locked(car / HOME, alone=False)
    assert looking is not None and not runs(car)
    # the one that begins tries again until the other has looked
    monkeypatch.setattr(watch_kept.time, "sleep", lambda _: os.close(looking))
    Only(car).close()


def test_a_killed_program_holds_nothing(car: Path) -> None:
    cut_off(car, (1.0, KEY_ON))
    assert not runs(car)


def test_by_the_terminal(car: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from typer.testing import CliRunner

    from keyturn.cli.app import app

    ended(car, (11.0, KEY_ON))
    runner = CliRunner()
    told = runner.invoke(app, ["watch", str(car), "--last"])
    assert told.exit_code == 0, told.output
    assert "nothing speaks against a clean step" in told.output
    assert "--climb nothing-new=yes" in told.output
    done = runner.invoke(app, ["watch", str(car), "--climb", "nothing-new=yes", "--json", "-"])
    assert done.exit_code == 0, done.output
    assert json.loads(done.output)["clean"] is True
    assert "recorded already as clean" in runner.invoke(app, ["watch", str(car), "--last"]).output
