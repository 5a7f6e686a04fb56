"""Where live values come from: a growing file, a bus with a DBC file, the simulated car."""

from __future__ import annotations

import itertools
import threading
import time
from collections.abc import Callable, Sequence
from pathlib import Path

import pytest

from keyturn.build.read import load
from keyturn.errors import CannotAnswer, FileRefused, ValueRefused
from keyturn.logs.can_bus import SourceLost
from keyturn.logs.decide import Context
from keyturn.logs.growing import growing
from keyturn.logs.live import Sample
from keyturn.logs.simulated_car import SILENT_AFTER, WEAK, SimulatedCar
from keyturn.tasks.check import check

HEAD = "Time (s);RPM;MAP (kPa abs);Fuel Pressure (kPa gauge)\n"
SAID = {
    "rail_gauge": "Fuel Pressure (kPa gauge) as kPa gauge",
    "engine_speed": "RPM as rpm",
    "manifold_pressure": "MAP (kPa abs) as kPa absolute",
}
NUMBER = itertools.count()


def row(number: int, rail: float = 300.5) -> str:
    return f"{number / 10:.1f};3000;150;{rail}\n".replace(".", ",")


class Run:
    """A source in its own thread, and what it handed over."""

    def __init__(self, run: Callable[..., None]) -> None:
        self.got: list[dict[str, float]] = []
        self.stop, self.fault = threading.Event(), ""
        self._run = run
        self.thread = threading.Thread(target=self._work, daemon=True)
        self.thread.start()

    def _work(self) -> None:
        try:
            self._run(self._put, self.stop)
        except SourceLost as fault:
            self.fault = str(fault)

    def _put(self, samples: Sequence[Sample], at: float) -> None:
        self.got.append({one.name: one.value for one in samples})

    def until(self, count: int) -> None:
        end = time.monotonic() + 10.0
        while len(self.got) < count and time.monotonic() < end:
            time.sleep(0.005)

    def end(self) -> None:
        self.stop.set()
        self.thread.join(5.0)
        assert not self.thread.is_alive()


@pytest.fixture
def log(tmp_path: Path) -> Path:
    path = tmp_path / "drive.csv"
    path.write_text(HEAD + "".join(row(n) for n in range(50)))
    return path


def test_a_file_is_read_as_it_grows(log: Path, tmp_path: Path) -> None:
    text = row(50, 311.5)
    with log.open("a") as stream:
        stream.write(text[:7])  # a begun line stands at the end
        stream.flush()
        run = Run(growing(log, tmp_path, SAID, Context()).run)
        time.sleep(0.2)
        assert run.got == []
        stream.write(text[7:])
        stream.flush()
        run.until(1)
        for number in range(51, 251):
            stream.write(row(number, number + 0.25))
            stream.flush()
        run.until(201)
    run.end()
    assert len(run.got) == 201
    assert run.got[0] == {
        "engine_speed": pytest.approx(50.0), "manifold_pressure": pytest.approx(150e3),
        "rail_gauge": pytest.approx(311.5e3),
    }  # fmt: skip
    assert [one["rail_gauge"] for one in run.got[1:]] == [
        pytest.approx((n + 0.25) * 1e3) for n in range(51, 251)
    ]


@pytest.mark.parametrize("encoding", ["utf-16", "utf-8-sig"])
def test_other_encodings_grow_too(tmp_path: Path, encoding: str) -> None:
    path = tmp_path / "drive.csv"
    path.write_text(HEAD + "".join(row(n) for n in range(50)), encoding=encoding)
    run = Run(growing(path, tmp_path, SAID, Context()).run)
    time.sleep(0.2)
    with path.open("ab") as stream:
        stream.write(row(50, 311.5).encode("utf-16-le" if encoding == "utf-16" else "utf-8"))
    run.until(1)
    run.end()
    assert [one["rail_gauge"] for one in run.got] == [pytest.approx(311.5e3)]


def test_a_file_that_is_begun_anew_is_lost(log: Path, tmp_path: Path) -> None:
    run = Run(growing(log, tmp_path, SAID, Context()).run)
    time.sleep(0.2)
    log.write_text(HEAD)
    run.thread.join(5.0)
    assert "begun anew" in run.fault


def test_lines_that_are_no_rows_are_left_out(log: Path, tmp_path: Path) -> None:
    run = Run(growing(log, tmp_path, SAID, Context()).run)
    time.sleep(0.2)
    with log.open("a") as stream:
        stream.write("5,0;3000;150\nlogger restarted\n\n5,2;;nan;--\n" + row(53, 320.5))
    run.until(1)
    run.end()
    assert [one["rail_gauge"] for one in run.got] == [pytest.approx(320.5e3)]


def test_columns_are_never_guessed(log: Path, tmp_path: Path) -> None:
    with pytest.raises(CannotAnswer, match="not confirmed"):
        growing(log, tmp_path, {}, Context())
    with pytest.raises(FileRefused):
        growing(tmp_path / "none.csv", tmp_path, SAID, Context())


DBC = """VERSION ""
NS_ :
BS_:
BU_: ECU
BO_ 512 Fuel: 8 ECU
 SG_ FuelPress : 0|16@1+ (0.1,0) [0|6500] "kPa" ECU
 SG_ engine_speed : 16|16@1+ (0.25,0) [0|16000] "rpm" ECU
BO_ 513 Air: 8 ECU
 SG_ MAP : 0|16@1+ (0.1,-100) [-100|6500] "kPa" ECU
"""


@pytest.fixture
def dbc(tmp_path: Path) -> Path:
    path = tmp_path / "bus.dbc"
    path.write_text(DBC)
    return path


def test_a_bus_with_names(dbc: Path) -> None:
    can = pytest.importorskip("can")
    pytest.importorskip("cantools")
    from keyturn.logs.can_bus import CanSource, Named

    channel = f"named-{next(NUMBER)}"
    said = {"rail_gauge": "FuelPress as kPa gauge", "manifold_pressure": "MAP as kPa gauge"}
    named = Named(dbc, said, Context(barometer=100e3))
    source = CanSource(can.Bus(interface="virtual", channel=channel), named)
    sender = can.Bus(interface="virtual", channel=channel)
    run = Run(source.run)
    # bytes worked by hand from the lines of the file: 3005 * 0.1 kPa; 12000 * 0.25 rev/min
    for frame, data in (
        (512, (3005).to_bytes(2, "little") + (12000).to_bytes(2, "little") + bytes(4)),
        (513, (1500).to_bytes(2, "little") + bytes(6)),
        (513, b"\x01"),  # too short: no value
        (700, bytes(8)),  # not named
    ):
        sender.send(can.Message(arbitration_id=frame, data=data, is_extended_id=False))
    run.until(2)
    time.sleep(0.1)
    run.end()
    assert run.got == [
        {"engine_speed": pytest.approx(50.0), "rail_gauge": pytest.approx(300.5e3)},
        {"manifold_pressure": pytest.approx(150e3)},  # 50 kPa above a barometer of 100
    ]
    assert sender.recv(0.0) is None  # nothing was sent
    source.bus.close()
    sender.shutdown()


@pytest.mark.parametrize(
    ("said", "problem"),
    [
        ({"rail_gauge": "Nothing as kPa gauge"}, "no signal"),
        ({"rail_gauge": "FuelPress as kPa"}, "not clear"),
        ({"rail_gauge": "FuelPress as V"}, "not clear"),
    ],
)
def test_signals_that_are_not_clear_are_refused(
    dbc: Path, said: dict[str, str], problem: str
) -> None:
    pytest.importorskip("cantools")
    from keyturn.logs.can_bus import Named

    with pytest.raises(ValueRefused, match=problem):
        Named(dbc, said, Context())


def test_a_broken_names_file_is_refused(tmp_path: Path) -> None:
    pytest.importorskip("cantools")
    from keyturn.logs.can_bus import Named

    (tmp_path / "bad.dbc").write_text("BO_ nonsense\n SG_ ???")
    with pytest.raises((FileRefused, ValueRefused)):
        Named(tmp_path / "bad.dbc", {}, Context())


def test_the_simulated_car_shows_what_the_model_says(car: Path) -> None:
    result = check(load(car), samples=20)
    driver = SimulatedCar(result, "full", 75.0, 60e3)
    top = {one.name: one.value for one in driver.at(8.0)}  # the middle of its cycle
    assert top["engine_speed"] < 75.0
    assert top["manifold_pressure"] - result.barometer < 60e3
    # nearest point of the map: the picture is drawn between its lines
    envelope = result.envelope
    at = abs(envelope.engine_speed - top["engine_speed"]).argmin()
    across = abs(envelope.manifold_pressure - top["manifold_pressure"]).argmin()
    near = envelope.rail_gauge[max(0, at - 1) : at + 2, max(0, across - 1) : across + 2]
    assert near.min() - 1.0 <= top["rail_gauge"] <= near.max() + 1.0
    weak = {one.name: one.value for one in SimulatedCar(result, "full", 75.0, 60e3,
                                                        "weak-pump").at(8.0)}  # fmt: skip
    assert top["rail_gauge"] - weak["rail_gauge"] == pytest.approx(WEAK)
    still = {one.name: one.value for one in SimulatedCar(result, "key-on", 0.0, 0.0).at(1.0)}
    assert still["engine_speed"] == 0.0
    with pytest.raises(ValueRefused, match="no such fault"):
        SimulatedCar(result, "full", 75.0, 60e3, "leak")


def test_the_simulated_bus_can_be_lost(car: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("keyturn.logs.simulated_car.SILENT_AFTER", 0.2)
    assert SILENT_AFTER > 1.0
    result = check(load(car), samples=20)
    run = Run(SimulatedCar(result, "idle", 15.0, 0.0, "lost").run)
    run.thread.join(5.0)
    assert "pulled off" in run.fault and run.got


def test_the_same_number_of_the_other_length_is_another_frame(tmp_path: Path) -> None:
    """Eleven bits and twenty-nine are two namespaces; in a DBC bit 31 of the number says which."""
    can = pytest.importorskip("can")
    pytest.importorskip("cantools")
    from keyturn.logs.can_bus import Named

    path = tmp_path / "both.dbc"
    wide = DBC.replace("BO_ 513 Air", f"BO_ {512 | 1 << 31} Wide")
    path.write_text(wide)
    said = {"rail_gauge": "FuelPress as kPa gauge", "manifold_pressure": "MAP as kPa gauge"}
    named = Named(path, said, Context(barometer=100e3))
    data = (1500).to_bytes(2, "little") + bytes(6)
    short = named.decode(can.Message(arbitration_id=512, data=data, is_extended_id=False))
    long = named.decode(can.Message(arbitration_id=512, data=data, is_extended_id=True))
    # 1500 * 0.1 kPa of the rail; 1500 * 0.1 - 100 kPa above a barometer of 100
    assert {one.name: one.value for one in short} == {
        "rail_gauge": pytest.approx(150e3), "engine_speed": 0.0,
    }  # fmt: skip
    assert {one.name: one.value for one in long} == {"manifold_pressure": pytest.approx(150e3)}
