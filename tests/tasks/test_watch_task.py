"""The watch as a whole: limits of the step, alarm, record, loss, and the verb."""

from __future__ import annotations

import errno
import json
import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import pytest
from patience import until

from keyturn.errors import ValueRefused
from keyturn.logs.alarm import Change, Status
from keyturn.logs.can_bus import SourceLost
from keyturn.logs.live import Sample
from keyturn.procedure.ladder import measures
from keyturn.tasks import watch as task
from keyturn.tasks.ladder import Watched as Limits
from keyturn.tasks.ladder import watched
from keyturn.tasks.log import import_log
from keyturn.tasks.watch_kept import last
from keyturn.tasks.watch_words import limits_in_words

ROOT = Path(__file__).resolve().parents[2]
EXAMPLES = ROOT / "src/keyturn/examples"
ALWAYS = {"engine_speed": 50.0, "manifold_pressure": 140e3, "rail_gauge": 390e3, "voltage": 13.6,
          "lambda": 0.8, "duty": 0.5, "inlet_temperature": 310.0, "coolant_temperature": 360.0,
          "knock_retard": 0.0}  # fmt: skip


@pytest.fixture(scope="module")
def car(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("watch") / "car"
    shutil.copytree(EXAMPLES / "pickup-screw", path)
    return path


@pytest.fixture(scope="module")
def told(car: Path) -> Limits:
    """The limits of L9, asked of the model once."""
    return watched(car, "L9")


class Fed:
    """A source that a test feeds."""

    def __init__(self) -> None:
        self.put: Callable[[Sequence[Sample], float], None] | None = None
        self.broken = threading.Event()

    def run(self, put: Callable[[Sequence[Sample], float], None], stop: threading.Event) -> None:
        if self.broken.is_set():
            raise SourceLost("still gone")
        self.put = put
        while not stop.is_set() and not self.broken.wait(0.01):
            pass
        self.put = None
        if not stop.is_set():
            raise SourceLost("pulled off")

    def give(self, **values: float) -> float:
        assert self.put is not None
        at = time.monotonic()
        self.put([Sample(name, value) for name, value in {**ALWAYS, **values}.items()], at)
        return at


class Fixed:
    """A watch of L9 by a fed source, with what was heard."""

    def __init__(self, car: Path, told: Limits, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(task, "watched", lambda *_: told)
        self.fed = Fed()
        self.heard: list[tuple[float, Change]] = []
        monkeypatch.setattr(task, "_source", lambda *_: self.fed)
        self.watch = task.Watch(car, "fed", "L9", heard=self._hear)
        self.watch.start()
        until(lambda: self.fed.put)

    def _hear(self, changes: tuple[Change, ...], _: Status) -> None:
        self.heard += [(time.monotonic(), one) for one in changes]


@pytest.fixture
def live(car: Path, told: Limits, monkeypatch: pytest.MonkeyPatch) -> Fixed:
    return Fixed(car, told, monkeypatch)


def test_the_limits_are_those_of_the_step(car: Path, told: Limits) -> None:
    from keyturn.build.read import load

    found = task.numbers(load(car), told)
    assert found.bounds["rail-pressure"] == told.bounds["rail-pressure"]
    assert found.at_manifold == told.bounds["at-manifold"]
    assert found.bounds["knock"] == pytest.approx(told.bounds["knock"] * 3.14159265 / 180)
    assert found.lean == measures()["lambda"].abort
    assert (found.speed_cap, found.pressure_cap) == told.caps
    with pytest.raises(ValueRefused, match="no such step"):
        task.Watch(car, "simulated", "L99")


def test_pressure_alarm_and_its_record(live: Fixed, car: Path) -> None:
    for _ in range(20):
        live.fed.give()
        time.sleep(0.01)
    assert live.watch.status().state == "ok", live.watch.status()
    first = live.watch.values()[0]
    # rail less what stands in the manifold above ambient, by hand
    barometer = live.watch.numbers.barometer
    assert first.name == "across_injector" and first.value is not None
    assert first.value == pytest.approx(390e3 - (140e3 - barometer))
    # at 140 kPa the rail is allowed down to its number less 1:1 of what the manifold is lower
    low = live.watch.judge.rail_bound(140e3) - 1e3
    for _ in range(60):
        live.fed.give(rail_gauge=low)
        time.sleep(0.01)
        if live.heard:
            break
    assert [one.name for _, one in live.heard] == ["pressure"]
    assert live.watch.status().state == "alarm"
    assert live.watch.values()[0].state == "alarm"
    ended = live.watch.stop()
    assert ended.unwritten == 0 and len(ended.crossed) == 1
    text = ended.path.read_text(encoding="utf-8")
    assert "alarm began: FUEL PRESSURE" in text and "watch of L9" in text
    assert len(text.splitlines()) == ended.lines
    brought = import_log(car, ended.path, confirm=True)
    assert brought.recording is not None and brought.questions == ()
    assert {"engine_speed", "manifold_pressure", "rail_gauge", "voltage", "lambda", "duty"} <= set(
        brought.recording.channels
    )


def test_a_lost_source_cries_at_once_and_is_taken_up_again(live: Fixed) -> None:
    live.fed.give()
    live.fed.broken.set()
    until(lambda: live.heard, 2.0)
    assert "pulled off" in live.heard[0][1].words
    assert live.watch.status().state == "lost"
    before = live.watch.recorder.acknowledged
    live.fed.broken.clear()
    until(lambda: live.fed.put)
    live.fed.give()
    assert live.watch.status().state == "ok"
    ended = live.watch.stop()
    assert ended.lines > before and ended.unwritten == 0


def test_silence_is_cried_without_any_frame(live: Fixed) -> None:
    live.fed.give()
    until(lambda: live.heard, 5.0)
    assert live.heard[0][1].kind == "lost"
    assert {one.state for one in live.watch.values()} == {"stale"}
    live.watch.stop()


def test_a_listener_that_breaks_does_not_end_the_watch(live: Fixed) -> None:
    def broken(*_: object) -> None:
        raise BrokenPipeError("invented: nobody reads the terminal any more")

    live.watch._heard = broken
    live.fed.give()
    # silence is found by the thread that calls the listener: it has to outlive that
    until(lambda: live.watch.status().state == "lost", 5.0)
    live.fed.give()
    assert live.watch.status().state == "ok"
    until(lambda: live.watch.status().state == "lost", 5.0)
    ended = live.watch.stop()
    assert "nobody heard it: BrokenPipeError" in ended.path.read_text()
    assert any("NO SIGNAL" in words for words in ended.against)


def test_a_fault_while_silence_is_looked_for_is_cried(
    live: Fixed, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object) -> str:
        raise ZeroDivisionError("invented")

    live.fed.give()
    monkeypatch.setattr(live.watch, "_trouble", broken)
    until(lambda: live.watch.status().state == "lost", 5.0)
    monkeypatch.undo()
    assert any("ZeroDivisionError" in words for words in live.watch.stop().against)


def test_a_record_that_fails_is_cried(live: Fixed) -> None:
    full = [True]

    def write(file: int, text: bytes) -> int:
        if full[0]:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return os.write(file, text)

    live.watch.recorder._write = write
    live.fed.give()
    until(lambda: any(one.kind == "unrecorded" and one.began for _, one in live.heard), 3.0)
    assert live.watch.standing()[0].words.startswith("NOT RECORDED: cannot write")
    full[0] = False
    live.watch.recorder._again = 0.01
    until(lambda: any(one.kind == "unrecorded" and not one.began for _, one in live.heard), 5.0)
    ended = live.watch.stop()
    assert ended.unwritten == 0
    assert any("NOT RECORDED" in words for words in ended.against)


def test_a_fault_of_ours_is_no_silence(
    car: Path, told: Limits, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(task, "watched", lambda *_: told)

    class Broken:
        def run(self, *_: object) -> None:
            raise ZeroDivisionError("invented")

    monkeypatch.setattr(task, "_source", lambda *_: Broken())
    made = task.Watch(car, "broken", "L9")
    made.start()
    until(lambda: made.status().state == "lost", 3.0)
    assert "ZeroDivisionError" in made.status().words[0]
    made.stop()


def test_a_watch_without_what_the_step_records_is_not_within_limits(live: Fixed) -> None:
    assert live.fed.put is not None
    values = {k: v for k, v in ALWAYS.items() if k != "lambda"}
    live.fed.put([Sample(name, value) for name, value in values.items()], time.monotonic())
    status = live.watch.status()
    assert status.state == "part" and status.unwatched == ("lambda",)
    assert live.watch.stop().unwatched == ("lambda",)


@pytest.mark.parametrize("source", ["", "radio", "file:", "can:", "can:virtual:0", "obd:nothing"])
def test_sources_that_are_none(
    car: Path, told: Limits, source: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(task, "watched", lambda *_: told)
    with pytest.raises(ValueRefused):
        task.Watch(car, source)


def test_the_frame_of_limits_in_words(live: Fixed) -> None:
    words = "\n".join(limits_in_words(live.watch.numbers))
    live.watch.stop()
    assert "across the injector" in words and "12.8 V" in words and "85 %" in words
    assert "not above 2 deg" in words


def test_the_verb(car: Path) -> None:
    asked = [sys.executable, "-m", "keyturn", "watch", str(car), "--step", "L9",
             "--source", "simulated", "--seconds", "1", "--json", "-"]  # fmt: skip
    env = {"PYTHONPATH": str(ROOT / "src"), "PATH": ""}
    answer = subprocess.run(asked, env=env, capture_output=True, text=True, check=True)
    told = json.loads(answer.stdout)
    assert told["step"] == "L9" and told["unwritten"] == 0 and told["lines"] > 5
    assert "L9 IS NOT OPEN" in answer.stderr and "across the injector" in answer.stderr
    assert Path(told["record"]).exists()


@pytest.mark.parametrize(
    ("how", "cut"),
    [(signal.SIGTERM, False), (signal.SIGHUP, False), (signal.SIGINT, False),
     (signal.SIGKILL, True)],
)  # fmt: skip
def test_the_verb_ended_from_outside(car: Path, tmp_path: Path, how: int, cut: bool) -> None:
    """A terminal that is closed ends the watch in good order; a kill leaves it without an end."""
    shutil.copytree(car, tmp_path / "car", ignore=shutil.ignore_patterns("logs"))
    asked = [sys.executable, "-m", "keyturn", "watch", str(tmp_path / "car"), "--step", "L9"]
    env = {"PYTHONPATH": str(ROOT / "src"), "PATH": ""}
    child = subprocess.Popen(asked, env=env, stdout=subprocess.PIPE, text=True)
    assert child.stdout is not None
    while "LIMITS" not in (line := child.stdout.readline()):
        assert line, "it ended by itself"
    child.send_signal(how)
    rest, _ = child.communicate(timeout=30)
    assert ("lines in" in rest) is not cut
    left = last(tmp_path / "car")
    assert left is not None and left.cut is cut
    assert any("ended without an end" in words for words in left.against) is cut
    text = left.path.read_text()
    assert len(text.splitlines()) == left.lines


def test_overrides_are_printed(car: Path, told: Limits, monkeypatch: pytest.MonkeyPatch) -> None:
    from keyturn.cli.watch import _head

    more = replace(told, overridden=("belt: an invented reason",))
    monkeypatch.setattr(task, "watched", lambda *_: more)
    made = task.Watch(car, "simulated", "L9")
    assert "OVERRIDDEN: belt: an invented reason" in _head(made, ())


@pytest.mark.parametrize("typed", ["-3", "0", "nan", "inf"])
def test_a_time_that_is_none_is_refused_before_anything_is_written(
    tmp_path: Path, typed: str
) -> None:
    from typer.testing import CliRunner

    from keyturn.cli.app import app
    from keyturn.tasks.new import new

    new(tmp_path / "car", "van-roots")
    told = CliRunner().invoke(app, ["watch", str(tmp_path / "car"), f"--seconds={typed}"])
    assert isinstance(told.exception, ValueRefused)
    assert "is no time to watch" in str(told.exception)
    assert list((tmp_path / "car" / "logs").iterdir()) == []
