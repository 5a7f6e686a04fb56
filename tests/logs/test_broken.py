"""Files that are no usable log: refused with what is wrong, where, and what to record next time."""

from __future__ import annotations

import random
import zipfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import polars as pl
import pytest
import writers

from keyturn.errors import CannotAnswer, FileRefused, KeyturnError, ValueRefused
from keyturn.logs import table
from keyturn.logs.sniff import sniff
from keyturn.tasks.log import import_log, recording, recordings

NOISE = random.Random(5).randbytes(50_000)


def rows(number: int, time: Callable[[int], str] = lambda i: f"{i * 0.05:.2f}") -> str:
    return "Time (s),RPM,MAP (kPa)\n" + "".join(
        f"{time(i)},{800 + i % 7},{35 + i % 5}.5\n" for i in range(number)
    )


def refused(car: Path, content: bytes, name: str = "log.csv") -> KeyturnError:
    path = car.parent / name
    path.write_bytes(content)
    with pytest.raises((FileRefused, CannotAnswer)) as caught:
        import_log(car, path, confirm=True)
    # nothing is left behind by a file that was refused
    left = [p for p in (car / "made").rglob("*") if p.is_file() and ".import" in str(p)]
    assert left == []
    return caught.value


def test_the_pattern_of_these_files_is_otherwise_taken(car: Path) -> None:
    path = car.parent / "log.csv"
    path.write_text(rows(40))
    # at idle with no engine-off stretch the side of the manifold pressure is known by its vacuum
    assert import_log(car, path, confirm=True).recording is not None


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "empty"),
        (b"\n\n\n", "empty"),
        (b"\x00" * 5000, "empty bytes"),
        (b"\xff\xfe", "empty"),
        (NOISE, "not text"),
        (b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 9, "picture"),
        (b"%PDF-1.7 1 0 obj", "PDF"),
        (b"\x1f\x8b\x08\x00" + NOISE[:99], "gzip"),
        (rows(1).encode(), "fewer than two"),
        (b"Time,RPM\n", "no columns of numbers"),
        (b"Dear diary, today it ran.\nTomorrow, who knows.\n" * 40, "no columns of numbers"),
        (b"name;state\nfan;on\npump;off\nlamp;on\n" * 9, "no columns of numbers"),
        (b"Time\n0.1\n0.2\n0.3\n0.4\n", "no columns of numbers"),
        (b"PAR1" + NOISE[:500], "Parquet"),
        (b'{"time": [1, 2, 3], "rpm": [800, 801, 802]}', "fewer than two"),
    ],
    ids=lambda value: value if isinstance(value, str) else None,
)  # fmt: skip
def test_refused(car: Path, content: bytes, words: str) -> None:
    error = refused(car, content)
    assert words in str(error)
    assert "do:" in str(error) or "missing:" in str(error)
    assert recordings(car) == ()


def test_a_workbook(car: Path, tmp_path: Path) -> None:
    path = tmp_path / "log.xlsx"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("xl/workbook.xml", "<workbook/>")
    assert "save it as CSV" in str(refused(car, path.read_bytes()))


def test_no_time(car: Path) -> None:
    content = "RPM,MAP (kPa)\n" + "".join(f"{800 + i * 37 % 90},{35 + i % 5}\n" for i in range(90))
    error = refused(car, content.encode())
    assert "time" in str(error) and "--map 'time=" in str(error)


def test_time_that_runs_back_and_forth(car: Path) -> None:
    content = rows(200, lambda i: f"{(i * 7919 % 200) * 0.05:.2f}")
    assert "time" in str(refused(car, content.encode()))


def test_time_that_runs_backwards(car: Path) -> None:
    assert "time" in str(refused(car, rows(200, lambda i: f"{(200 - i) * 0.05:.2f}").encode()))


def test_time_that_stands(car: Path) -> None:
    assert "time" in str(refused(car, rows(200, lambda i: "1.00").encode()))


def test_said_to_be_the_time_but_jumping(car: Path) -> None:
    path = car.parent / "log.csv"
    path.write_text(rows(200, lambda i: f"{(i * 7919 % 200) * 0.05:.2f}"))
    with pytest.raises(CannotAnswer, match="runs backwards"):
        import_log(car, path, {"time": "Time (s) as s"}, confirm=True)


def test_no_channel_that_we_know(car: Path) -> None:
    content = "Time (s),Cabin Light,Door\n" + "".join(f"{i / 10},{i % 3},1\n" for i in range(50))
    error = refused(car, content.encode())
    assert isinstance(error, CannotAnswer)
    assert any("fuel pressure" in item for item in error.missing)
    assert any("lambda" in item for item in error.missing)


def test_too_large(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text(rows(500))
    with pytest.raises(FileRefused, match="too large"):
        table.convert(path, sniff(path), tmp_path / "out.parquet", largest=1000)


def test_no_such_file(car: Path) -> None:
    with pytest.raises(FileRefused, match="no such file"):
        import_log(car, car / "nothing.csv")
    with pytest.raises(FileRefused, match="no such file"):
        import_log(car, car)


def test_a_folder_that_cannot_be_written(car: Path) -> None:
    path = car.parent / "log.csv"
    path.write_text(rows(50))
    (car / "logs").rmdir()
    (car / "logs").write_text("a file where the folder should be")
    with pytest.raises(FileRefused):
        import_log(car, path)


def test_bad_rows_by_line_and_good_rows_kept(car: Path) -> None:
    lines = rows(300).splitlines()
    lines[10] = "0.45,801"
    lines[20] = "junk"
    lines[30] += ",1,2,3"
    lines[299] = lines[299][:4]
    path = car.parent / "log.csv"
    path.write_text("\n".join(lines) + "\n")
    brought = import_log(car, path, confirm=True)
    assert [line for line, _ in brought.refused] == [11, 21, 31, 300]
    assert all("cells instead of 3" in why for _, why in brought.refused)
    assert brought.rows == 296


def test_cells_that_are_no_numbers_are_counted(car: Path) -> None:
    lines = rows(300).splitlines()
    lines[50] = lines[50].replace(",", ",oops", 1)
    path = car.parent / "log.csv"
    path.write_text("\n".join(lines) + "\n")
    brought = import_log(car, path, confirm=True)
    assert brought.rows == 300
    assert any("RPM: 1 cells are no numbers" in note and "'oops" in note for note in brought.notes)


def test_thousands_marks_far_down_are_no_decimal_points(car: Path) -> None:
    # polars takes 1.234 under a decimal comma for 1.234; the sample at the head shows none of it
    lines = ["Zeit (s);Drehzahl (1/min);MAP (kPa)"]
    lines += [f"{i * 0.05:.2f};{800 + i % 9},5;36,5".replace(".", ",") for i in range(20_000)]
    lines[-1] = "1000,00;1.234,5;36,5"
    lines.append("1000,05;4.321;36,5")
    path = car.parent / "log.csv"
    path.write_text("\n".join(lines) + "\n")
    found = import_log(car, path, confirm=True).recording
    assert found is not None
    speed = pl.read_ipc(found.path)["Drehzahl (1/min)"].to_list()
    assert speed[-2:] == pytest.approx([1234.5, 4321.0])


def test_more_refused_rows_than_are_listed(car: Path) -> None:
    lines = rows(2000).splitlines()
    for i in range(100, 600):
        lines[i] = "junk"
    path = car.parent / "log.csv"
    path.write_text("\n".join(lines) + "\n")
    brought = import_log(car, path, confirm=True)
    assert brought.refused_rows == 500
    assert len(brought.refused) == 100
    assert brought.rows == 1500


def test_two_files_of_one_name_are_both_kept(car: Path, tmp_path: Path) -> None:
    for folder, number in (("a", 50), ("b", 60), ("c", 50)):
        (tmp_path / folder).mkdir()
        (tmp_path / folder / "log.csv").write_text(rows(number))
        import_log(car, tmp_path / folder / "log.csv", confirm=True)
    assert recordings(car) == ("log-2.csv", "log.csv")
    assert recording(car, "log.csv").rows == 50
    assert recording(car, "log-2.csv").rows == 60


def test_the_name_of_a_log_cannot_reach_our_own_files(car: Path, tmp_path: Path) -> None:
    (tmp_path / "x").mkdir()
    for name in ("mapping.toml", ".hidden", "..csv"):
        (tmp_path / "x" / name).write_text(rows(50 + len(name)))
        import_log(car, tmp_path / "x" / name, confirm=True)
    assert set(recordings(car)) == {"mapping-2.toml", "hidden", "csv"}


def test_what_was_made_can_be_made_again(car: Path, tmp_path: Path) -> None:
    import shutil

    path = tmp_path / "log.csv"
    writers.comma(path)
    first = import_log(car, path, confirm=True).recording
    assert first is not None
    shutil.rmtree(car / "made")
    again = recording(car, "log.csv")
    assert again == first
    assert again.times() == pytest.approx(np.arange(writers.ROWS) / writers.RATE)


def test_an_unknown_log(car: Path) -> None:
    with pytest.raises(FileRefused, match="no log"):
        recording(car, "nothing.csv")


def test_an_answer_that_names_no_column(car: Path) -> None:
    path = car.parent / "log.csv"
    path.write_text(rows(50))
    with pytest.raises(ValueRefused, match="no column 'Fuel'"):
        import_log(car, path, {"rail_gauge": "Fuel as psi gauge"})
    with pytest.raises(ValueRefused, match="no such channel"):
        import_log(car, path, {"fuel": "RPM as psi gauge"})


def test_one_comma_for_two_things(car: Path) -> None:
    content = "Time,RPM,MAP\n" + "".join(f"{i},05,{800 + i},5,{35 + i % 5},5\n" for i in range(90))
    assert "decimal" in str(refused(car, content.encode()))


@pytest.mark.parametrize("mark", [",", "."])
@pytest.mark.parametrize("pull", [10, 30_000])
def test_whole_numbers_with_thousands_marks(car: Path, mark: str, pull: int) -> None:
    # no decimals anywhere: "850" and "1,234" in one column are 850 and 1234
    speed = [850 if i < pull else 1234 for i in range(40_000)]
    lines = [f"{i * 10};{f'{v:,}'.replace(',', mark)};35" for i, v in enumerate(speed)]
    path = car.parent / "log.csv"
    path.write_text("\n".join(["Time (ms);RPM;MAP (kPa)", *lines]) + "\n")
    found = import_log(car, path, confirm=True).recording
    assert found is not None
    assert pl.read_ipc(found.path)["RPM"].to_list() == speed


def test_a_log_that_grows_is_read_again(car: Path) -> None:
    # a recorder writes into logs/ itself
    (car / "logs").mkdir(exist_ok=True)
    path = car / "logs" / "live.csv"
    path.write_text(rows(100))
    assert import_log(car, path, confirm=True).rows == 100
    path.write_text(rows(250))
    assert recording(car, "live.csv").rows == 250
    assert len(recording(car, "live.csv").times()) == 250


def test_half_cleared_made_folder(car: Path, tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    writers.comma(path)
    first = import_log(car, path, confirm=True).recording
    for made in sorted((car / "made" / "logs").iterdir()):
        made.unlink()
        assert recording(car, "log.csv") == first
    for made in sorted((car / "made" / "logs").glob("*.json")):
        made.write_text("{")
        assert recording(car, "log.csv") == first


@pytest.mark.parametrize("hole", [(200, 3000), (4, 900), (5000, 8000)])
def test_a_parquet_file_with_a_hole(car: Path, hole: tuple[int, int]) -> None:
    """Its footer stands and points past its end: polars panics on some of these."""
    import polars as pl

    path = car.parent / "whole.parquet"
    frame = pl.DataFrame({"Time (s)": np.arange(2000) * 0.05, "RPM": np.arange(2000) % 97 + 0.5})
    frame.write_parquet(path, compression="uncompressed")
    content = path.read_bytes()
    found = refused(car, content[: hole[0]] + content[hole[1] :], "log.parquet")
    assert "cannot be read as Parquet" in str(found)
