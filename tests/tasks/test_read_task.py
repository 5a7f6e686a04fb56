"""What can be done with readings, on an invented example build."""

from __future__ import annotations

import os
import shutil
import sqlite3
from pathlib import Path

import pytest

from keyturn.errors import BuildError, FileRefused
from keyturn.evidence.reading import usable
from keyturn.journal.store import JOURNAL_FILE
from keyturn.journal.typed import Typed
from keyturn.tasks import read as task

EXAMPLES = Path(__file__).resolve().parents[2] / "src/keyturn/examples"
GOOD = Typed("rail-pressure", "45 psi", "key-on")
SLIP = Typed("rail-pressure", "45 bar", "key-on")


@pytest.fixture
def car(tmp_path: Path) -> Path:
    return Path(shutil.copytree(EXAMPLES / "pickup-screw", tmp_path / "car"))


def test_stored_and_listed(car: Path) -> None:
    done = task.read(car, GOOD)
    assert done.reading.id == 1
    assert done.reading.status == "kept"
    assert task.listed(car / "build.toml") == (done.reading,)


def test_a_slip_is_kept_apart_until_confirmed(car: Path) -> None:
    done = task.read(car, SLIP)
    assert done.reading.status == "suspected"
    assert done.meant == "45 psi"
    assert done.reading.value == 45.0e5  # never converted by itself
    assert usable(task.listed(car)) == ()
    kept = task.confirm(car, 1, done.meant)
    assert kept.corrects == 1
    assert kept.value == pytest.approx(45 * 6894.757, abs=0.05)
    assert kept.spread < 2.0e4
    assert usable(task.listed(car)) == (kept,)
    assert [reading.status for reading in task.listed(car)] == ["replaced", "kept"]


def test_confirmed_as_typed(car: Path) -> None:
    done = task.read(car, Typed("rail-pressure", "4.5 psi", "key-on"))
    assert done.reading.status == "suspected"
    kept = task.confirm(car, 1)
    assert kept.value == done.reading.value
    assert kept.suspicion == ""
    assert usable(task.listed(car)) == (kept,)
    with pytest.raises(BuildError, match="not suspected"):
        task.confirm(car, 2)


def test_an_impossible_value_cannot_be_confirmed(car: Path) -> None:
    task.read(car, SLIP)
    with pytest.raises(BuildError, match="not a possible"):
        task.confirm(car, 1)
    assert [reading.status for reading in task.listed(car)] == ["suspected"]


def test_corrected_and_taken_out(car: Path) -> None:
    task.read(car, GOOD)
    done = task.correct(car, 1, Typed("rail-pressure", "44 psi", "key-on"))
    assert done.reading.corrects == 1
    task.withdraw(car, 2, "wrong car")
    assert [reading.status for reading in task.listed(car)] == ["replaced", "withdrawn"]
    with pytest.raises(BuildError, match="no reading 7"):
        task.correct(car, 7, GOOD)


def test_a_file_gives_its_good_rows_and_the_lines_of_the_bad_ones(car: Path) -> None:
    file = car / "logs" / "evening.csv"
    file.parent.mkdir()
    file.write_text(
        "kind,value,state,reference,rpm\n"
        "rail-pressure,45 psi,key-on,,\n"
        "rail-pressure,37 psi,idle,,\n"
        "rail-pressure,37 psi,idle,on,\n"
        "pump-voltage,13.4 V,held-speed,,\n"
        "rail-pressure,3.1 psi,key-on,,\n",
        encoding="utf-8",
    )
    done = task.read_file(car, file)
    assert [item.reading.id for item in done.stored] == [1, 2, 3]
    assert [item.reading.status for item in done.stored] == ["kept", "kept", "suspected"]
    assert [(fault.place.line, fault.place.key) for fault in done.refused] == [
        (3, "reference"),
        (5, "rpm"),
    ]
    assert "evening.csv:3: reference:" in str(done.refused[0])
    assert len(task.listed(car)) == 3


def test_toml_file(car: Path) -> None:
    file = car / "evening.toml"
    file.write_text(
        '[[reading]]\nkind = "pressure-held"\nvalue = "38 psi"\npressure = "45 psi"\n'
        'seconds = 300\nisolated = "feed"\n\n[[reading]]\nkind = "mood"\nvalue = "good"\n',
        encoding="utf-8",
    )
    done = task.read_file(car, file)
    assert done.stored[0].reading.conditions.duration == 300.0
    assert [fault.place.line for fault in done.refused] == [8]


def test_a_file_without_a_good_row_makes_no_journal(car: Path) -> None:
    file = car / "bad.csv"
    file.write_text("kind,value\nmood,good\n", encoding="utf-8")
    assert len(task.read_file(car, file).refused) == 1
    assert not (car / JOURNAL_FILE).exists()


def test_export_and_import_give_the_same_readings(car: Path, tmp_path: Path) -> None:
    task.read(car, GOOD)
    task.read(car, SLIP)
    task.withdraw(car, 1)
    file = tmp_path / "journal.jsonl"
    assert task.export_journal(car, file) == 3
    other = Path(shutil.copytree(EXAMPLES / "pickup-screw", tmp_path / "other"))
    assert task.import_journal(other, file) == 3
    assert task.listed(other) == task.listed(car)
    task.read(other, GOOD)
    task.read(car, SLIP)
    task.export_journal(car, file)
    with pytest.raises(FileRefused, match="another entry 4"):
        task.import_journal(other, file)


def test_a_copied_folder_has_the_same_readings(car: Path, tmp_path: Path) -> None:
    task.read(car, GOOD)
    copy = Path(shutil.copytree(car, tmp_path / "copy"))
    assert task.listed(copy) == task.listed(car)


def test_where_there_is_no_build(tmp_path: Path) -> None:
    for call in (task.listed, lambda folder: task.read(folder, GOOD)):
        with pytest.raises(FileRefused):
            call(tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_rows_that_another_program_put_there(car: Path) -> None:
    task.read(car, GOOD)
    connection = sqlite3.connect(car / JOURNAL_FILE)
    connection.execute("INSERT INTO entry VALUES (2, 'reading', 'new', NULL, '', '{\"x\": 1}')")
    connection.commit()
    connection.close()
    with pytest.raises(FileRefused, match="entry 2"):
        task.listed(car)


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="needs a device that is always full")
def test_an_export_to_a_full_place(car: Path) -> None:
    with pytest.raises(FileRefused):
        task.export_journal(car, Path("/dev/full/journal.jsonl"))


def test_a_journal_of_another_car_is_not_brought_in(car: Path, tmp_path: Path) -> None:
    task.read(car, GOOD)
    file = tmp_path / "journal.jsonl"
    task.export_journal(car, file)
    other = Path(shutil.copytree(EXAMPLES / "van-roots", tmp_path / "van"))
    with pytest.raises(FileRefused, match="another car: light pickup"):
        task.import_journal(other, file)
    assert not task.listed(other)
