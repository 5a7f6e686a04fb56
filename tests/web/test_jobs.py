"""Long work elsewhere: watched, stopped with all that it started, and honest about how it ended."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from asking import OURS, app_on, local
from fastapi import FastAPI

from keyturn.errors import ValueRefused
from keyturn.web.jobs import MOST_KEPT, MOST_WAITING, Job, Jobs
from keyturn.web.missing import NoSuchJob
from keyturn.web.shelf import Car

Progress = Callable[..., None]
HERE = "long_work"  # a module beside this one, found by the other process too
VAN = Car("van", Path("."))


def until(true: Callable[[], object], seconds: float = 20.0) -> None:
    deadline = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < deadline, "it never came"
        time.sleep(0.02)


@pytest.fixture
def told() -> list[dict[str, Any]]:
    return []


@pytest.fixture
def jobs(told: list[dict[str, Any]]) -> Iterator[Jobs]:
    made = Jobs(lambda name, event, data: told.append({"car": name, "event": event, **data}))
    yield made
    made.close()


def alive(pid: int) -> bool:
    """Whether a process runs; one that ended and was not fetched yet does not."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def test_a_job_tells_how_far_it_is_and_what_came_of_it(
    jobs: Jobs, told: list[dict[str, Any]]
) -> None:
    job = jobs.start(VAN, "choose", f"{HERE}:counts", {"to": 3, "pause": 0.15})
    until(lambda: job.over)
    assert job.row() == {"id": job.id, "word": "choose", "done": 3, "of": 3, "state": "done",
                         "words": "step 3", "result": {"counted": 3}}  # fmt: skip
    until(lambda: told[-1]["state"] == "done")
    assert {row["car"] for row in told} == {"van"}
    assert {row["event"] for row in told} == {"job"}
    done = [row["done"] for row in told]
    assert done == sorted(done) and len(set(done)) >= 3


def test_progress_at_any_rate_is_told_at_a_bearable_one(
    jobs: Jobs, told: list[dict[str, Any]]
) -> None:
    job = jobs.start(VAN, "choose", f"{HERE}:counts", {"to": 20_000, "pause": 0.0})
    until(lambda: job.over)
    assert job.done == 20_000
    assert len(told) < 100


def test_stopping_kills_it_with_all_that_it_started(jobs: Jobs, tmp_path: Path) -> None:
    job = jobs.start(VAN, "choose", f"{HERE}:starts_another", {"note": str(tmp_path / "pid")})
    until(lambda: (tmp_path / "pid").is_file() and job.done == 1)
    child = int((tmp_path / "pid").read_text())
    process = job.process
    assert process is not None
    first = process.pid
    assert first is not None
    assert alive(child) and alive(first)
    began = time.monotonic()
    jobs.stop("van", job.id)
    until(lambda: job.over)
    assert time.monotonic() - began < 2
    assert job.state == "stopped"
    assert "result" not in job.row() and "error" not in job.row()
    until(lambda: not alive(child) and not alive(first), 5)


def test_two_at_once_and_the_others_wait(jobs: Jobs) -> None:
    three = [jobs.start(VAN, "choose", f"{HERE}:waits", {}) for _ in range(3)]
    until(lambda: sum(job.state == "running" for job in three) == 2)
    time.sleep(0.3)
    (waiting,) = [job for job in three if job.state == "waiting"]
    jobs.stop("van", waiting.id)  # before its turn: it never runs
    assert waiting.state == "stopped"
    running = [job for job in three if job is not waiting]
    for job in running:
        jobs.stop("van", job.id)
    until(lambda: all(job.over for job in three))
    assert [job.state for job in three] == ["stopped"] * 3
    after = jobs.start(VAN, "choose", f"{HERE}:counts", {"to": 1, "pause": 0.0})
    until(lambda: after.over)  # the turns were given back
    assert after.state == "done"


@pytest.mark.parametrize(
    ("function", "kind", "words"),
    [("is_killed", "fault", "ended before it was done (code -9)"),
     ("leaves", "fault", "ended before it was done (code 7)"),
     ("refuses", "refused", "the power cannot be read"),
     ("breaks", "fault", "keyturn itself failed"),
     ("gives_no_json", "fault", "keyturn itself failed"),
     ("gives_nan", "fault", "keyturn itself failed"),
     ("is_not_there", "fault", "keyturn itself failed")],
)  # fmt: skip
def test_a_job_that_fails_says_so(jobs: Jobs, function: str, kind: str, words: str) -> None:
    job = jobs.start(VAN, "choose", f"{HERE}:{function}", {})
    until(lambda: job.over)
    assert job.state == "failed"
    assert job.error is not None
    assert job.error["kind"] == kind
    assert words in job.error["problem"]
    assert "inside words" not in str(job.row())


def test_nothing_as_a_result_is_a_result(jobs: Jobs) -> None:
    job = jobs.start(VAN, "choose", f"{HERE}:gives_nothing", {})
    until(lambda: job.over)
    assert job.state == "done"


def test_a_job_belongs_to_its_car(jobs: Jobs) -> None:
    job = jobs.start(VAN, "choose", f"{HERE}:counts", {"to": 1, "pause": 0.0})
    assert jobs.get("van", job.id) is job
    for car, number in (("pickup", job.id), ("van", "nothing")):
        with pytest.raises(NoSuchJob):
            jobs.get(car, number)
        with pytest.raises(NoSuchJob):
            jobs.stop(car, number)
    until(lambda: job.over)


def test_too_much_work_is_refused(jobs: Jobs) -> None:
    for _ in range(MOST_WAITING):
        jobs.start(VAN, "choose", f"{HERE}:waits", {})
    with pytest.raises(ValueRefused, match="too much"):
        jobs.start(VAN, "choose", f"{HERE}:waits", {})


def test_finished_jobs_are_forgotten(jobs: Jobs) -> None:
    for number in range(100):
        jobs._jobs[str(number)] = Job(str(number), "van", "choose", state="done")
    job = jobs.start(VAN, "choose", f"{HERE}:counts", {"to": 1, "pause": 0.0})
    assert len(jobs.of("van")) == MOST_KEPT
    until(lambda: job.over)


def test_a_job_that_is_stopped_as_it_ends_is_told_to_be_over(
    jobs: Jobs, told: list[dict[str, Any]]
) -> None:
    """Stopped again and again around its own end: its thread must see it to the end."""
    over = ("stopped", "done")
    for _ in range(8):
        job = jobs.start(VAN, "choose", f"{HERE}:counts", {"to": 1, "pause": 0.0})
        until(lambda job=job: job.process is not None or job.over)
        while job.process is not None:
            jobs.stop("van", job.id)
        until(lambda job=job: told[-1]["id"] == job.id and told[-1]["state"] in over)


def test_closing_leaves_nothing_behind(jobs: Jobs) -> None:
    job = jobs.start(VAN, "choose", f"{HERE}:waits", {})
    until(lambda: job.state == "running" and job.process is not None)
    assert job.process is not None
    pid = job.process.pid
    assert pid is not None
    jobs.close()
    until(lambda: not alive(pid), 5)


def test_a_server_that_was_killed_leaves_nothing_behind(tmp_path: Path) -> None:
    """The job notices that its parent is gone, and goes with all that it started."""
    code = (
        "import time\n"
        "from pathlib import Path\n"
        "from keyturn.web.jobs import Jobs\n"
        "from keyturn.web.shelf import Car\n"
        "if __name__ == '__main__':\n"
        "    jobs = Jobs(lambda *said: None)\n"
        f"    job = jobs.start(Car('van', Path('.')), 'choose', '{HERE}:starts_another',\n"
        f"                     {{'note': {str(tmp_path / 'pid')!r}}})\n"
        "    time.sleep(60)\n"
    )
    script = tmp_path / "host.py"
    script.write_text(code, encoding="utf-8")
    env = os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)}
    host = subprocess.Popen([sys.executable, str(script)], env=env)
    try:
        until(lambda: (tmp_path / "pid").is_file())
        child = int((tmp_path / "pid").read_text())
    finally:
        host.send_signal(signal.SIGKILL)
        host.wait(5)
    until(lambda: not alive(child), 5)


def test_over_the_address(tmp_path: Path) -> None:
    app: FastAPI = app_on(tmp_path)
    asker = local(app)
    car = app.state.shelf.car("van-roots")
    job = app.state.jobs.start(car, "choose", f"{HERE}:waits", {})
    at = f"/api/car/van-roots/jobs/{job.id}"
    until(lambda: asker.get(at).json()["state"] == "running")
    assert [row["id"] for row in asker.get("/api/car/van-roots/jobs").json()] == [job.id]
    assert asker.delete(at).status_code == 403  # not from our page
    assert job.state == "running"
    asker.delete(at, headers=OURS)
    until(lambda: asker.get(at).json()["state"] == "stopped")
    assert asker.get("/api/car/van-roots/jobs/nothing").status_code == 404
    assert asker.get(f"/api/car/nothing/jobs/{job.id}").status_code == 404
    app.state.jobs.close()
