"""The record of a watch: what was acknowledged is there, whatever happens."""

from __future__ import annotations

import errno
import os
import resource
import signal
from pathlib import Path

import pytest
from patience import killed, until

from keyturn.errors import FileRefused
from keyturn.logs.columns import kinds
from keyturn.logs.record import COLUMNS, Recorder


def lines(path: Path) -> list[str]:
    text = path.read_text(encoding="utf-8")
    assert text.endswith("\n"), "the last line is not whole"
    return text.splitlines()


def test_lines_come_whole_and_in_order(tmp_path: Path) -> None:
    kept = Recorder(tmp_path / "a.csv")
    for number in range(1000):
        kept.put(number * 0.01, {"rail_gauge": 3e5 + number}, 'a "word"\n' if number == 5 else "")
    assert kept.close() == 0
    found = lines(tmp_path / "a.csv")
    assert kept.acknowledged == len(found) == 1001
    assert kept.synced == 1001
    assert [float(line.split(",")[0]) for line in found[1:]] == [n / 100 for n in range(1000)]
    assert found[6].endswith("\"a 'word'\"")
    at = found[0].split(",").index("fuel_pressure (kPa gauge)")
    assert float(found[1000].split(",")[at]) == pytest.approx(300.999, abs=5e-7)


def test_every_channel_has_its_column() -> None:
    assert {column.channel for column in COLUMNS} == set(kinds()) - {"time"}


def test_nothing_is_written_over(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text("mine\n")
    with pytest.raises(FileRefused):
        Recorder(tmp_path / "a.csv")
    assert (tmp_path / "a.csv").read_text() == "mine\n"


def test_a_sudden_end_loses_nothing_acknowledged(tmp_path: Path) -> None:
    """The program is killed while it writes; it had told us what it had acknowledged."""
    code = f"""
        from pathlib import Path
        from keyturn.logs.record import Recorder
        kept = Recorder(Path({str(tmp_path / "a.csv")!r}))
        number = 0
        while True:
            for _ in range(50):
                kept.put(number, {{"rail_gauge": float(number)}})
                number += 1
            print(kept.acknowledged, flush=True)
    """
    line, rest = killed(code, lambda line: int(line or 0) >= 2000, Path(__file__))
    whole = [int(line), *(int(one) for one in rest[:-1] if one)]
    text = (tmp_path / "a.csv").read_bytes()
    kept = text[: text.rfind(b"\n") + 1].decode().splitlines()
    assert len(kept) >= max(whole)
    assert [int(float(line.split(",")[0])) for line in kept[1:]] == list(range(len(kept) - 1))


def test_a_full_disk_loses_nothing_acknowledged(tmp_path: Path) -> None:
    """The system itself refuses to make the file longer: a real short write, then a real error."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    old = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    kept = Recorder(tmp_path / "a.csv", again=0.05)
    try:
        kept.put(0.0, {})
        until(lambda: kept.acknowledged == 2)
        room = (tmp_path / "a.csv").stat().st_size + 1000
        resource.setrlimit(resource.RLIMIT_FSIZE, (room, hard))
        for number in range(1, 500):
            kept.put(float(number), {"rail_gauge": 1e5})
        until(lambda: bool(kept.trouble))
        until(lambda: len(lines(tmp_path / "a.csv")) == kept.acknowledged)
        assert 2 < kept.acknowledged < 500
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
        signal.signal(signal.SIGXFSZ, old)
    until(lambda: kept.acknowledged == 501)
    assert kept.trouble == ""
    assert kept.close() == 0
    found = lines(tmp_path / "a.csv")
    assert [float(line.split(",")[0]) for line in found[1:]] == [float(n) for n in range(500)]


def test_a_disk_that_stays_full_is_said_and_memory_is_bounded(tmp_path: Path) -> None:
    def full(_: int, __: bytes) -> int:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    kept = Recorder(tmp_path / "a.csv", write=full, again=0.01, waiting=100)
    until(lambda: "No space left" in kept.trouble)
    for number in range(500):
        kept.put(float(number), {})
    assert kept.dropped == 401
    assert kept.close() == 501
    assert (tmp_path / "a.csv").read_bytes() == b""


def test_a_gap_stands_in_the_record_itself(tmp_path: Path) -> None:
    broken = [True]

    def write(file: int, text: bytes) -> int:
        if broken[0]:
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        return os.write(file, text)

    kept = Recorder(tmp_path / "a.csv", write=write, again=0.01, waiting=10)
    for number in range(30):
        kept.put(float(number), {})
    broken[0] = False
    until(lambda: kept.acknowledged == 10)
    kept.put(99.0, {})
    assert kept.close() == 21
    assert "21 lines before this one were lost" in lines(tmp_path / "a.csv")[-1]
