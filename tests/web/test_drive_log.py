"""The twins of the log pages: files taken and refused, columns, traces against NumPy, readings."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from asking import OURS, app_on, local
from browser import shelf
from drives import LONG_CHANNELS, RATE, ROWS, drive_csv, long_log
from starlette.testclient import TestClient

from keyturn.errors import CannotAnswer
from keyturn.logs.pyramid import Pyramid
from keyturn.tasks.log import import_log
from keyturn.web.config import Limits
from keyturn.web.jobs import Job, Jobs
from keyturn.web.log_files import WAITING, plain_name
from keyturn.web.traces import Trace, Traces

CAR = "pickup-screw"
API = f"/api/car/{CAR}/drive/logs"
SPIKE, LAST = 654_321, ROWS - 1


class AtOnce(Jobs):
    """Does the work of a job here and now: what a process of its own does is tested elsewhere."""

    def start(self, car: Any, word: str, target: str, arguments: dict[str, Any]) -> Job:
        from importlib import import_module

        from keyturn.errors import KeyturnError
        from keyturn.web.faults import described

        job = Job(f"job-{len(self._jobs)}", car.name, word)
        self._jobs[job.id] = job
        module, _, function = target.partition(":")
        try:
            job.result = getattr(import_module(module), function)(lambda *_: None, **arguments)
            job.state = "done"
        except KeyturnError as fault:
            job.state, job.error = "failed", described(fault)
        return job


def asker_on(folder: Path, real: bool = False, **config: Any) -> TestClient:
    if not (folder / "builds").exists():
        shelf(folder / "builds", CAR, "van-roots")
    app = app_on(folder, **config)
    if not real:
        app.state.jobs = app.state.logs._jobs = AtOnce(app.state.live.tell)
    return local(app)


@pytest.fixture
def asker(tmp_path: Path) -> TestClient:
    return asker_on(tmp_path)


@pytest.fixture(scope="module")
def judged(tmp_path_factory: pytest.TempPathFactory) -> tuple[TestClient, Path]:
    """An asker on a build with a drive whose columns are confirmed and which was judged."""
    folder = tmp_path_factory.mktemp("judged")
    asks = asker_on(folder)
    import_log(folder / "builds" / CAR, drive_csv(folder / "drive.csv"), confirm=True)
    assert asks.post(f"{API}/drive.csv/judge", headers=OURS).status_code == 200
    return asks, folder / "builds" / CAR


def send(asks: TestClient, data: bytes, file: str = "drive.csv") -> Any:
    """What became of a file that was sent: the job, or the refusal."""
    answer = asks.post(API, params={"file": file}, content=data, headers=OURS)
    if answer.status_code != 200:
        return answer
    return asks.get(f"/api/car/{CAR}/jobs/{answer.json()['job']}").json()


def left_over(folder: Path) -> list[str]:
    """What lies under logs/ and made/logs/ of the build."""
    car = folder / "builds" / CAR
    return sorted(p.name for d in ("logs", "made/logs") for p in (car / d).glob("*"))


def plain(rows: int = 400) -> bytes:
    """A small log as text; nothing in it but time and engine speed."""
    lines = ["Time (s),RPM", *(f"{n / 20:.2f},{900 + n % 7}" for n in range(rows))]
    return "\n".join(lines).encode()


# --- what comes in ----------------------------------------------------------------------------
def test_a_log_is_sent_asked_about_confirmed_and_the_next_one_is_known(
    asker: TestClient, tmp_path: Path
) -> None:
    data = drive_csv(tmp_path / "one.csv", minutes=2.0).read_bytes()
    done = send(asker, data, "one.csv")
    assert done["state"] == "done" and done["result"] == {"log": "one.csv", "confirmed": False}
    car = tmp_path / "builds" / CAR
    assert (car / "logs" / "one.csv").read_bytes() == data
    seen = asker.post(f"{API}/one.csv/columns", json={"said": {}}, headers=OURS).json()
    asked = [row for row in seen["items"] if row["question"]]
    assert [row["channel"] for row in asked] == ["inlet_temperature"]
    assert [option["words"] for option in asked[0]["options"]] == ["°C", "°F", "leave it out"]
    assert all(row["reasons"] and 0 < row["confidence"] < 100 for row in seen["items"])
    said = {"inlet_temperature": asked[0]["options"][0]["value"]}
    again = asker.post(f"{API}/one.csv/columns", json={"said": said}, headers=OURS).json()
    assert again["questions"] == 0
    assert asker.get(f"{API}/one.csv").status_code == 422  # looked at, not taken
    body = {"said": said, "revision": seen["revision"]}
    confirmed = asker.post(f"{API}/one.csv/confirm", json=body, headers=OURS)
    assert confirmed.json()["channels"] == 9
    # whoever looked before that is told, and nothing is written
    stale = asker.post(f"{API}/one.csv/confirm", json=body, headers=OURS)
    assert stale.status_code == 409 and stale.json()["error"]["revision"] != seen["revision"]
    other = drive_csv(tmp_path / "two.csv", None, minutes=2.0, seed=6).read_bytes()
    assert send(asker, other, "two.csv")["result"] == {"log": "two.csv", "confirmed": True}
    assert asker.get(f"{API}/two.csv").json()["judged"]["usable"] is True
    assert [row["name"] for row in asker.get(API).json()["logs"]] == ["two.csv", "one.csv"]


@pytest.mark.parametrize(
    ("said", "kept"),
    [
        ("../../../etc/passwd", "passwd"), ("C:\\logs\\drive.csv", "drive.csv"),
        ("/var/x.csv", "x.csv"), ("..", "log.csv"), (".hidden", "hidden"), ("", "log.csv"),
        ("mapping.toml", "log.csv"), ("a\x00b\n.csv", "a_b_.csv"), ("x" * 300, "x" * 120),
        ("%2e%2e%2fx", "_2e_2e_2fx"), ("<b>.csv", "_b_.csv"), ("é.csv", "é.csv"),
    ],
)  # fmt: skip
def test_a_name_is_a_name_and_nothing_else(said: str, kept: str) -> None:
    assert plain_name(said) == kept


@pytest.mark.parametrize("said", ["../../out.csv", "/out.csv", "..\\..\\out.csv"])
def test_a_path_in_the_name_leads_nowhere(asker: TestClient, tmp_path: Path, said: str) -> None:
    before = sorted(p.name for p in tmp_path.iterdir())
    assert send(asker, plain(), said)["result"]["log"] == "out.csv"
    assert sorted(p.name for p in tmp_path.iterdir()) == before
    assert (tmp_path / "builds" / CAR / "logs" / "out.csv").is_file()


def truncated(folder: Path) -> bytes:
    return long_log(folder / "long.parquet", {}, rows=5000).read_bytes()[:-2000]


BAD: dict[str, tuple[Callable[[Path], bytes], str]] = {
    "empty": (lambda _: b"", "is empty"),
    "zeros": (lambda _: bytes(5000), "nothing but empty bytes"),
    "picture": (lambda _: b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 20, "a picture"),
    "archive": (lambda _: b"PK\x03\x04" + bytes(4000), "a workbook or an archive"),
    "binary": (lambda _: np.random.default_rng(1).bytes(6000), "is not text"),
    "a letter": (lambda _: b"Dear reader,\nthis is no log at all.\n" * 40, "no column"),
    "no rows": (lambda _: b"Time (s),RPM,MAP (kPa)\n", "no columns of numbers"),
    "one column": (lambda _: b"RPM\n" + b"900\n" * 200, "no columns of numbers side by side"),
    "no time": (lambda _: b"RPM,MAP\n" + b"900,40\n905,41\n" * 99, "can be its time"),
    "truncated Parquet": (truncated, "cannot be read as Parquet"),
}


@pytest.mark.parametrize("what", BAD)
def test_what_is_no_log_is_refused_and_leaves_nothing(
    asker: TestClient, tmp_path: Path, what: str
) -> None:
    make, words = BAD[what]
    found = send(asker, make(tmp_path), "x.csv")
    row = found["error"] if isinstance(found, dict) else found.json()["error"]
    assert words in row["problem"], row
    # with words on what to do or to record, and none of the machine or of the command line
    assert row.get("do") or row.get("missing") or row.get("accepted")
    assert str(tmp_path) not in str(row) and "--" not in str(row), row
    # only the log without a clock is a table: it stays, and is asked about on its page
    assert [name for name in left_over(tmp_path) if not name.startswith("x.csv")] == []
    if what != "no time":
        assert left_over(tmp_path) == []


def test_a_log_without_a_clock_says_so_and_lets_somebody_say_which_it_is(
    asker: TestClient,
) -> None:
    rows = "".join(f"{900 + n % 7},{n * 50}\n" for n in range(300))
    done = send(asker, f"RPM,Counter\n{rows}".encode(), "odd.csv")
    assert "can be its time" in done["error"]["problem"] and done["error"]["missing"]
    seen = asker.post(f"{API}/odd.csv/columns", json={"said": {}}, headers=OURS).json()
    assert seen["items"] == [] and seen["columns"] == ["RPM", "Counter"] and seen["missing"]
    body = {"said": {"time": "Counter as ms"}}
    seen = asker.post(f"{API}/odd.csv/columns", json=body, headers=OURS).json()
    assert [row["channel"] for row in seen["items"]] == ["time", "engine_speed"]
    answer = asker.post(f"{API}/odd.csv/confirm", json=body | {"revision": ""}, headers=OURS)
    assert answer.json()["channels"] == 1
    assert asker.get(f"{API}/odd.csv").json()["duration"] == pytest.approx(299 * 0.05)


@pytest.mark.parametrize("encoding", ["utf-16", "utf-8-sig", "cp1252"])
def test_other_encodings_are_read(asker: TestClient, encoding: str) -> None:
    text = "Zeit (s);Drehzahl (1/min);Ansauglufttemperatur (°C)\n"
    text += "".join(f"{n / 20:.2f};{900 + n % 7};{20 + n % 3}\n" for n in range(300))
    done = send(asker, text.replace(".", ",").encode(encoding))
    assert done["state"] == "done", done
    seen = asker.post(f"{API}/drive.csv/columns", json={"said": {}}, headers=OURS).json()
    assert {"time", "engine_speed"} <= {row["channel"] for row in seen["items"]}


def test_a_file_larger_than_the_cap_is_stopped_while_it_comes(tmp_path: Path) -> None:
    asks = asker_on(tmp_path, limits=Limits(log=10_000))
    assert send(asks, b"x" * 10_001).status_code == 413

    def trickled() -> Any:
        for _ in range(20):
            yield b"1,2,3\n" * 200  # says no length: it is counted

    answer = asks.post(API, params={"file": "x.csv"}, content=trickled(), headers=OURS)
    assert answer.status_code == 413
    assert left_over(tmp_path) == []


def test_a_job_killed_in_the_middle_leaves_nothing(tmp_path: Path) -> None:
    asks = asker_on(tmp_path, real=True)
    data = plain(400_000)
    answer = asks.post(API, params={"file": "drive.csv"}, content=data, headers=OURS).json()
    stopped = asks.delete(f"/api/car/{CAR}/jobs/{answer['job']}", headers=OURS)
    assert stopped.status_code == 200
    job, deadline = stopped.json(), time.monotonic() + 60
    while job["state"] in ("waiting", "running") and time.monotonic() < deadline:
        job = asks.get(f"/api/car/{CAR}/jobs/{answer['job']}").json()
    assert job["state"] == "stopped"
    asks.get(f"/car/{CAR}/drive/logs")  # whoever looks next finds it tidied
    assert [name for name in left_over(tmp_path) if name.startswith(WAITING)] == []
    assert asks.get(API).json()["logs"] == []
    # and the same file can be sent again
    again = asks.post(API, params={"file": "drive.csv"}, content=plain(), headers=OURS).json()
    while (job := asks.get(f"/api/car/{CAR}/jobs/{again['job']}").json())["state"] != "done":
        assert job["state"] != "failed" and time.monotonic() < deadline + 60, job
    assert [row["name"] for row in asks.get(API).json()["logs"]] == ["drive.csv"]


def test_only_what_was_made_is_thrown_away(judged: tuple[TestClient, Path]) -> None:
    asks, car = judged
    before = (car / "logs" / "drive.csv").read_bytes()
    row = asks.delete(f"{API}/drive.csv/made", headers=OURS).json()
    assert row["original"] is True and row["freed"] > len(before) / 2
    assert (car / "logs" / "drive.csv").read_bytes() == before
    # but the line of its boost, a few numbers, against which later logs are held
    left = {path.name for path in (car / "made" / "logs").glob("drive.csv*")}
    assert left <= {"drive.csv.boost.json"}
    assert asks.get(f"{API}/drive.csv").status_code == 422
    asked = asks.post(f"{API}/drive.csv/columns", json={"said": {}}, headers=OURS)
    assert asked.status_code == 409  # it has to be read again first
    assert asks.post(f"{API}/drive.csv/read", headers=OURS).status_code == 200
    assert asks.get(f"{API}/drive.csv").json()["judged"]["usable"] is True  # as confirmed before


# --- attacks on what is drawn -------------------------------------------------------------------
NUMBERS = [
    ("start", "nan"), ("end", "inf"), ("start", "-inf"), ("end", "1e300"), ("pixels", "1"),
    ("pixels", "100000"), ("pixels", "-5"), ("pixels", "x"), ("channels", ""),
    ("channels", "time"), ("channels", "../x"), ("channels", "lambda," * 100), ("end", "0"),
    ("start", "5"), ("channels", "oil"),
]  # fmt: skip


@pytest.mark.parametrize(("key", "value"), NUMBERS)
def test_numbers_that_make_no_window_are_refused(
    judged: tuple[TestClient, Path], key: str, value: str
) -> None:
    said = {"channels": "lambda", "start": "0", "end": "5", "pixels": "100", key: value}
    answer = judged[0].get(f"{API}/drive.csv/traces", params=said)
    assert answer.status_code == 422, answer.content[:100]


def test_a_window_beside_the_log_holds_nothing(judged: tuple[TestClient, Path]) -> None:
    (view,) = window(judged[0], "drive.csv", ["lambda"], 5000.0, 9000.0, 50)
    assert view["form"] == 1.0 and len(view["first"]) <= 1
    for at in ("-1e9", "1e9"):
        row = judged[0].get(f"{API}/drive.csv/values", params={"channels": "lambda", "at": at})
        assert row.status_code == 200
    answer = judged[0].get(f"{API}/drive.csv/values", params={"channels": "lambda", "at": "nan"})
    assert answer.status_code == 422


@pytest.mark.parametrize(
    "name",
    ["..%2f..%2fbuild.toml", "..", "%2e%2e", "mapping.toml", "no.csv", "a%00b", "build.toml"],
)
def test_a_log_that_is_not_there_is_not_found(judged: tuple[TestClient, Path], name: str) -> None:
    for end in ("", "/traces?channels=lambda&start=0&end=5&pixels=9", "/judged"):
        place = f"/api/car/{CAR}" if end != "/judged" else f"/car/{CAR}"
        assert judged[0].get(f"{place}/drive/logs/{name}{end}").status_code in (404, 422)
    assert judged[0].delete(f"{API}/{name}/made", headers=OURS).status_code in (404, 405)


def test_the_log_of_another_car_is_not_found(judged: tuple[TestClient, Path]) -> None:
    assert judged[0].get(f"{API}/drive.csv").status_code == 200
    assert judged[0].get("/api/car/van-roots/drive/logs/drive.csv").status_code == 404
    link = judged[1] / "logs" / "link.csv"
    link.symlink_to(judged[1] / "build.toml")
    try:
        assert judged[0].get(f"{API}/link.csv").status_code == 404
    finally:
        link.unlink()


# --- traces against NumPy ----------------------------------------------------------------------
def window(
    asks: TestClient, log: str, names: list[str], start: float, end: float, pixels: int
) -> list[dict[str, Any]]:
    """The binary answer taken apart, as web/traces.py describes it."""
    said = {"channels": ",".join(names), "start": start, "end": end, "pixels": pixels}
    answer = asks.get(f"{API}/{log}/traces", params=said)
    assert answer.status_code == 200, answer.text
    numbers = np.frombuffer(answer.content, "<f4")
    heads, at, found = numbers[: 4 * len(names)].reshape(-1, 4), 4 * len(names), []
    for form, count, low, high in heads:
        first, second = numbers[at : at + 2 * int(count)].reshape(2, -1)
        found.append({"form": form, "low": low, "high": high, "first": first, "second": second})
        at += 2 * int(count)
    assert at == len(numbers)
    return found


@pytest.fixture(scope="module")
def long(tmp_path_factory: pytest.TempPathFactory) -> TestClient:
    """A million rows of four channels with a spike of one sample, and one in the last sample."""
    folder = tmp_path_factory.mktemp("long")
    asks = asker_on(folder)
    log = long_log(folder / "long.parquet", {SPIKE: 700.0, LAST: 20.0})
    import_log(folder / "builds" / CAR, log, confirm=True)
    return asks


@pytest.mark.parametrize("pixels", [200, 1000, 2160])
@pytest.mark.parametrize("seconds", [(ROWS - 1) / RATE, 2000.0, 100.0, 30.0, 3.0])
def test_a_spike_of_one_sample_is_in_the_answer_at_every_zoom(
    long: TestClient, seconds: float, pixels: int
) -> None:
    """Also the last sample of the log. The heights are those that were planted."""
    for row, value, pick in ((SPIKE, 700e3, np.nanmax), (LAST, 20e3, np.nanmin)):
        end = min((ROWS - 1) / RATE, row / RATE + 0.37 * seconds)
        start = max(0.0, end - seconds)
        views = window(long, "long.parquet", list(LONG_CHANNELS), start, end, pixels)
        rail = views[2]
        both = rail["second"] if rail["form"] else np.stack([rail["first"], rail["second"]])
        seen = np.where(np.isinf(both), np.nan, both)
        assert float(pick(seen)) == pytest.approx(value, rel=1e-6)  # 32 bits
        if not rail["form"]:
            pixel = int(np.nanargmax(seen[1])) if row == SPIKE else int(np.nanargmin(seen[0]))
            where = (row / RATE - start) / (end - start) * pixels
            assert pixel == min(pixels - 1, int(where + 1e-6))


def test_every_pixel_is_the_least_and_greatest_of_its_samples(long: TestClient) -> None:
    """Against NumPy over the samples themselves, as they were written."""
    start, end, pixels = 1234.5, 4321.0, 777
    time_ = np.arange(ROWS) / RATE
    speed = (850.0 + 4000.0 * np.clip(np.sin(time_ / 9.0), 0.0, 1.0)) / 60.0
    (view,) = window(long, "long.parquet", ["engine_speed"], start, end, pixels)
    edges = np.linspace(start, end, pixels + 1)
    for n in range(pixels):
        inside = (time_ >= edges[n]) & (time_ < edges[n + 1] if n < pixels - 1 else time_ <= end)
        assert view["first"][n] == pytest.approx(speed[inside].min(), rel=1e-6)
        assert view["second"][n] == pytest.approx(speed[inside].max(), rel=1e-6)
    assert (view["low"], view["high"]) == pytest.approx((speed.min(), speed.max()), rel=1e-6)


def test_a_gap_is_a_gap_and_a_thin_place_is_none() -> None:
    """NaN where the logger was off, infinity where only no sample falls into a pixel."""
    from keyturn.logs.frame import Gap
    from keyturn.web.traces import trace

    slow = np.arange(0.0, 100.0, 1.0)
    fast = np.arange(120.0, 220.0, 0.01)
    one = trace(np.concatenate([slow, fast]), np.ones(len(slow) + len(fast)), [Gap(99.0, 120.0)])
    form, low, high = one.view(0.0, 220.0, 440)
    assert form == 0.0
    edges = np.linspace(0.0, 220.0, 441)
    off = (edges[:-1] > 99.0) & (edges[1:] < 120.0)
    assert np.isnan(low[off]).all() and off.sum() > 30
    thin = edges[1:] < 99.0
    assert not np.isnan(low[thin]).any() and np.isinf(low[thin]).sum() == pytest.approx(98, abs=2)
    assert np.array_equal(np.isnan(low), np.isnan(high))
    form, place, value = one.view(90.0, 130.0, 2000)
    assert form == 1.0
    assert np.isnan(value).sum() == 1  # the line is broken once
    at = int(np.flatnonzero(np.isnan(value))[0])
    assert place[at - 1] * 40.0 + 90.0 == pytest.approx(99.0, abs=1e-3)
    assert place[at + 1] * 40.0 + 90.0 == pytest.approx(120.0, abs=1e-3)


def test_what_is_kept_of_channels_stays_below_its_bound() -> None:
    """Channels looked at long ago go first; those of one answer are all answered."""

    class Log:
        path = clock = Path(__file__)
        gaps = ()

    kept = Traces(most=5_000_000)
    one = Trace(Pyramid(np.arange(500_000.0), np.zeros(500_000)), np.empty(0), np.empty(0), 0, 0)
    for n in range(6):
        kept._rows["log", n] = one
    assert kept.bytes > kept.most
    kept.of(Log(), [])  # type: ignore[arg-type]
    assert kept.bytes <= kept.most and list(kept._rows) == [("log", 5)]


# --- findings and readings ----------------------------------------------------------------------
def test_readings_of_a_log_are_stored_once_however_often_it_is_pressed(
    judged: tuple[TestClient, Path],
) -> None:
    asks, _ = judged
    found = asks.get(f"{API}/drive.csv").json()["judged"]
    assert "supply limit" in [row["kind"] for row in found["findings"]]
    ids = [row["id"] for row in found["measured"]]
    assert len(ids) == len(set(ids)) >= 5 and not any(row["stored"] for row in found["measured"])

    def take(chosen: list[str]) -> Any:
        job = asks.post(f"{API}/drive.csv/readings", json={"chosen": chosen}, headers=OURS).json()
        return asks.get(f"/api/car/{CAR}/jobs/{job['job']}").json()

    assert take(ids[:3])["result"] == {"log": "drive.csv", "stored": 3, "again": 0}
    assert take(ids)["result"] == {"log": "drive.csv", "stored": len(ids) - 3, "again": 3}
    assert take(ids)["result"] == {"log": "drive.csv", "stored": 0, "again": len(ids)}
    read = asks.get(f"/api/car/{CAR}/read").json()["readings"]
    assert {row["instrument"] for row in read} == {"log drive.csv"} and len(read) == len(ids)
    again = asks.get(f"{API}/drive.csv").json()["judged"]
    assert all(row["stored"] for row in again["measured"]) and again["open"] == 0
    assert asks.get(API).json()["logs"][0]["readings"] == len(ids)
    assert take(["rail-pressure.idle.1-2"])["error"]["problem"].startswith("these stretches")
    assert (
        asks.post(f"{API}/drive.csv/readings", json={"chosen": []}, headers=OURS).status_code == 422
    )


def test_without_an_answer_of_the_model_the_log_is_there_all_the_same(
    asker: TestClient, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def nothing(*_: object) -> None:
        raise CannotAnswer("the model has no answer", ["a pump curve"])

    import_log(tmp_path / "builds" / CAR, drive_csv(tmp_path / "a.csv", minutes=2.0), confirm=True)
    monkeypatch.setattr("keyturn.web.log_work.findings", nothing)
    again = drive_csv(tmp_path / "b.csv", None, minutes=2.0, seed=8).read_bytes()
    assert send(asker, again, "b.csv")["result"] == {"log": "b.csv", "confirmed": True}
    job = asker.post(f"{API}/b.csv/judge", headers=OURS).json()["job"]
    row = asker.get(f"/api/car/{CAR}/jobs/{job}").json()
    assert row["state"] == "failed" and row["error"]["missing"] == ["a pump curve"]
    found = asker.get(f"{API}/b.csv").json()
    assert found["judged"] is None
    assert window(asker, "b.csv", ["engine_speed"], 0.0, 60.0, 100)[0]["high"] > 20.0
    assert asker.get(f"/car/{CAR}/drive/logs/b.csv/judged").status_code == 409


def test_points_of_the_corridor_carry_their_time(judged: tuple[TestClient, Path]) -> None:
    asks, _ = judged
    found = asks.get(f"{API}/drive.csv").json()["judged"]
    points, pulls = found["points"], [s for s in found["stretches"] if s["kind"] == "pull"]
    assert len(points["time"]) == len(points["flow"]) == len(points["across"]) > 30
    for moment, pull in zip(points["time"], points["pull"], strict=True):
        inside = any(one["start"] <= moment <= one["end"] for one in pulls)
        assert inside is pull
