"""Every frame of a bus is kept, as lines that general tools read; the judge is python-can."""

from __future__ import annotations

import errno
import os
import resource
import signal
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

can = pytest.importorskip("can")  # optional: what needs it is imported after (so E402)
sys.path.append(str(Path(__file__).parents[2] / "bench"))

from patience import killed, until  # noqa: E402

import live_bus  # noqa: E402
from keyturn.errors import FileRefused  # noqa: E402
from keyturn.logs import raw  # noqa: E402
from keyturn.logs.raw import Frames  # noqa: E402
from keyturn.tasks import watch as task  # noqa: E402
from keyturn.tasks.log import import_log, recordings  # noqa: E402


def read(path: Path) -> list[Any]:
    """The frames in a file, by the reader of python-can; the last line has to be whole."""
    assert path.read_bytes()[-1:] in (b"\n", b"")
    return list(can.CanutilsLogReader(path))


def frame(number: int, data: bytes = b"", **more: Any) -> Any:
    more.setdefault("is_extended_id", False)
    return can.Message(arbitration_id=number, data=data, **more)


KINDS = {
    "named": frame(0x200, bytes(range(8))),
    "low identifier": frame(0x7, b"\x01"),
    "no data": frame(0x700),
    "twenty-nine bits": frame(0x18DAF110, b"\x03\x41\x0c\x2e", is_extended_id=True),
    "a low one of twenty-nine": frame(0x12, b"\xff", is_extended_id=True),
    "flexible": frame(0x321, bytes(range(64)), is_fd=True, bitrate_switch=True),
    "flexible, passive": frame(0x321, bytes(12), is_fd=True, error_state_indicator=True),
    "remote": frame(0x123, is_remote_frame=True, dlc=4),
}


@pytest.mark.parametrize("kind", KINDS)
def test_python_can_reads_what_was_written(tmp_path: Path, kind: str) -> None:
    kept = Frames(tmp_path / "a.log", "can0", 1_700_000_000.25)
    kept.put(1.5, KINDS[kind], kind == "remote")
    assert kept.close() == 0
    (found,) = read(tmp_path / "a.log")
    assert found.equals(KINDS[kind], timestamp_delta=None, check_channel=False,
                        check_direction=False)  # fmt: skip
    assert found.timestamp == pytest.approx(1_700_000_001.75, abs=1e-6)
    assert found.channel == "can0" and found.is_rx is (kind != "remote")


def test_error_frames_are_kept_as_such(tmp_path: Path) -> None:
    kept = Frames(tmp_path / "a.log", "a b", 0.0)
    kept.put(0.0, frame(0, bytes(8), is_error_frame=True), False)
    kept.put(1.0, frame(0x8A, bytes(8), is_error_frame=True), False)
    kept.close()
    assert [one.is_error_frame for one in read(tmp_path / "a.log")] == [True, True]
    # can-utils log format: the class bits of linux/can/error.h beside CAN_ERR_FLAG 0x20000000
    text = (tmp_path / "a.log").read_text()
    assert text == ("(0.000000) a_b 20000080#0000000000000000 R\n"
                    "(1.000000) a_b 2000008A#0000000000000000 R\n")  # fmt: skip


# --- a watch on a bus ---------------------------------------------------------------------------
@pytest.fixture(scope="module")
def pickup(tmp_path_factory: pytest.TempPathFactory) -> Path:
    pytest.importorskip("cantools")
    return live_bus.pickup(tmp_path_factory.mktemp("frames") / "car")


@pytest.fixture
def bus() -> Iterator[Any]:
    made = can.Bus(interface="virtual", channel="framed")
    yield made
    made.shutdown()


def watched(pickup: Path) -> task.Watch:
    return live_bus.watched(pickup, "framed")


def good(number: int) -> Any:
    """A frame with names whose last two bytes count."""
    return live_bus.frame(390e3, number % 65536)


def test_every_frame_is_in_the_file_named_or_not(pickup: Path, bus: Any) -> None:
    watch = watched(pickup)
    sent = [*(good(n) for n in range(40)), *KINDS.values(), frame(0, is_error_frame=True)]
    for one in sent:
        bus.send(one)
    until(lambda: watch.frames is not None and watch.frames.acknowledged == len(sent))
    ended = watch.stop()
    assert ended.frames is not None and ended.frame_lines == len(sent) and ended.unwritten == 0
    found = read(ended.frames)
    assert [bytes(one.data) for one in found[:40]] == [bytes(one.data) for one in sent[:40]]
    assert [one.is_error_frame for one in found] == [one.is_error_frame for one in sent]
    # its time 0 stands in the record, so that the two can be laid beside each other
    first = ended.path.read_text().splitlines()[1]
    zero = float(first.partition("its time 0 is ")[2].split(" ")[0])
    rows = [row for row in ended.path.read_text().splitlines()[1:] if not row.endswith('"')]
    apart = [
        abs(one.timestamp - zero - float(row.split(",")[0]))
        for one, row in zip(found, rows, strict=False)
    ]
    assert max(apart[:40]) < 0.25  # both within one turn of the thread, on crowded cores


def test_it_is_no_table(pickup: Path, bus: Any) -> None:
    watch = watched(pickup)
    bus.send(good(0))
    until(lambda: watch.taken)
    ended = watch.stop()
    assert ended.frames is not None
    assert ended.frames.name not in recordings(pickup)
    assert ended.path.name in recordings(pickup)
    with pytest.raises(FileRefused):
        import_log(pickup, ended.frames)
    assert ended.frames.name not in recordings(pickup)


def test_none_is_lost_at_two_thousand_a_second(pickup: Path, bus: Any) -> None:
    watch = watched(pickup)
    start = time.monotonic()
    for number in range(4000):
        bus.send(good(number))
        if number % 20 == 19:
            time.sleep(max(0.0, start + (number + 1) / 2000 - time.monotonic()))
    until(lambda: watch.taken == 4000)
    ended = watch.stop()
    assert ended.frames is not None and ended.frame_lines == 4000
    counted = [int.from_bytes(one.data[6:], "little") for one in read(ended.frames)]
    assert counted == list(range(4000))
    times = [one.timestamp for one in read(ended.frames)]
    assert times == sorted(times)


def test_a_disk_that_takes_no_frames_is_cried_and_loses_nothing(pickup: Path, bus: Any) -> None:
    watch = watched(pickup)
    assert watch.frames is not None
    full = [True]

    def write(file: int, text: bytes) -> int:
        if full[0]:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return os.write(file, text)

    watch.frames._again, watch.frames._write = 0.02, write
    for number in range(100):
        bus.send(good(number))
    until(lambda: watch.session.judge.unrecorded)
    assert watch.recorder.trouble == ""  # the values are recorded all the while
    full[0] = False
    until(lambda: not watch.session.judge.unrecorded)
    ended = watch.stop()
    assert ended.unwritten == 0 and ended.frame_lines == 100
    assert any("NOT RECORDED" in words for words in ended.against)
    assert ended.frames is not None and len(read(ended.frames)) == 100


def test_frames_that_were_not_kept_are_counted(pickup: Path, bus: Any) -> None:
    watch = watched(pickup)
    assert watch.frames is not None

    def full(_: int, __: bytes) -> int:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    watch.frames._again, watch.frames._write = 0.02, full
    for number in range(30):
        bus.send(good(number))
    until(lambda: watch.taken == 30)
    ended = watch.stop()
    assert ended.unwritten == 30 and "30 frames of the bus were not recorded" in ended.against


def test_the_system_makes_the_file_no_longer(tmp_path: Path) -> None:
    """A real short write, then a real error, as the other record is tested."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    old = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    kept = Frames(tmp_path / "a.log", "can0", 0.0, again=0.05)
    try:
        kept.put(0.0, good(0), False)
        until(lambda: kept.acknowledged == 1)
        room = (tmp_path / "a.log").stat().st_size + 1000
        resource.setrlimit(resource.RLIMIT_FSIZE, (room, hard))
        for number in range(1, 500):
            kept.put(float(number), good(number), False)
        until(lambda: bool(kept.trouble))
        until(lambda: len(read(tmp_path / "a.log")) == kept.acknowledged)
        assert 1 < kept.acknowledged < 500
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
        signal.signal(signal.SIGXFSZ, old)
    until(lambda: kept.acknowledged == 500)
    assert kept.close() == 0
    assert [one.timestamp for one in read(tmp_path / "a.log")] == [float(n) for n in range(500)]


def test_room_is_left_for_the_record_of_the_values(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(raw, "LEFT_FREE", 1 << 62)  # more than any disk has
    kept = Frames(tmp_path / "a.log", "can0", 0.0, again=0.02)
    kept.put(0.0, good(0), False)
    until(lambda: "are free on the disk" in kept.trouble)
    assert (tmp_path / "a.log").read_bytes() == b""
    monkeypatch.setattr(raw, "LEFT_FREE", 0)
    until(lambda: kept.acknowledged == 1)
    assert kept.close() == 0


def test_what_was_asked_and_answered_is_kept_by_a_killed_program(pickup: Path) -> None:
    from ecu_simulator import lists

    good_car = {0x0A: 390.0, 0x0B: 140.0, 0x0C: 3000.0}
    code = f"""
        from ecu_simulator import Ecu
        from keyturn.tasks.watch import Watch
        unit = Ecu("killed", {good_car!r})
        watch = Watch({str(pickup)!r}, "obd:virtual:killed", "L9")
        watch.start()
        while True:
            time.sleep(0.02)
            print(watch.frames.path, watch.frames.acknowledged, flush=True)
    """
    line, _ = killed(code, lambda line: int(line.rpartition(" ")[2] or 0) >= 40, Path(__file__))
    path, told = line.split()
    whole = Path(path).read_bytes().rpartition(b"\n")[0].decode().splitlines()
    assert len(whole) >= int(told)
    (Path(path).parent / "whole.txt").write_text("\n".join(whole) + "\n")
    found = list(can.CanutilsLogReader(Path(path).parent / "whole.txt"))
    asked = [one for one in found if not one.is_rx]
    assert {one.arbitration_id for one in asked} <= {0x7DF, 0x7E0}
    assert {one.arbitration_id for one in found if one.is_rx} == {0x7E8}
    # the question which parameters there are, then the answer of the other side
    assert bytes(asked[0].data[:3]) == b"\x02\x01\x00"
    first = next(one for one in found if one.is_rx)
    assert bytes(first.data[1:7]) == b"\x41\x00" + lists(set(good_car))[0]
