"""Edits keep comments and order, and a file is whole at every moment."""

from __future__ import annotations

import os
from importlib.resources import files
from pathlib import Path

import pytest

from keyturn.build.edit import set_value, write_whole
from keyturn.build.read import load
from keyturn.errors import BuildError, FileRefused, ValueRefused
from keyturn.tasks.new import examples, new


@pytest.fixture
def car(tmp_path: Path) -> Path:
    return new(tmp_path / "car", "pickup-screw")


def test_an_edit_changes_one_line_and_nothing_else(car: Path) -> None:
    before = car.read_text(encoding="utf-8").splitlines()
    set_value(car.parent, "regulator.place", "rail")
    assert car.read_text(encoding="utf-8").splitlines() == before
    set_value(car.parent, "wiring.length", "8 m")
    after = car.read_text(encoding="utf-8").splitlines()
    assert [(a, b) for a, b in zip(before, after, strict=True) if a != b] == [
        ('length = "9.5 m"', 'length = "8 m"')
    ]
    assert load(car).wiring.length.si == pytest.approx(8.0)


def test_an_edit_reaches_parts_by_number_and_adds_tables(car: Path) -> None:
    set_value(car, "feed.4.length", '{value = "3 m", grade = "hearsay"}')
    line = load(car).feed[1].length
    assert line is not None and (line.si, line.grade) == (3.0, "hearsay")
    set_value(car, "cooler.effectiveness", "60 %")
    assert "# water to air" in car.read_text(encoding="utf-8")


def test_an_edit_that_cannot_be_read_is_not_written(car: Path) -> None:
    before = car.read_bytes()
    for key, text in (("regulator.set", "0.6 psi"), ("pump.flov", "3 L/h"), ("x.y", "1")):
        with pytest.raises(BuildError):
            set_value(car, key, text)
    assert car.read_bytes() == before
    assert sorted(os.listdir(car.parent)) == ["build.toml", "logs", "made"]


@pytest.mark.parametrize("step", ["replace", "fsync"])
def test_an_interrupted_write_leaves_the_old_file(
    car: Path, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    before = car.read_bytes()

    def stop(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(os, step, stop)
    with pytest.raises(KeyboardInterrupt):
        set_value(car, "wiring.length", "8 m")
    assert car.read_bytes() == before
    assert sorted(os.listdir(car.parent)) == ["build.toml", "logs", "made"]


def test_a_full_disk_or_a_read_only_folder_is_a_clear_error(
    car: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object, **__: object) -> None:
        raise OSError(30, "Read-only file system")

    monkeypatch.setattr("tempfile.mkstemp", full)
    with pytest.raises(FileRefused, match="Read-only"):
        write_whole(car, "x")
    monkeypatch.setattr("tempfile.mkdtemp", full)
    with pytest.raises(FileRefused, match="Read-only"):
        new(car.parent.parent / "other", "van-roots")


def test_new_makes_a_folder_that_can_be_read(tmp_path: Path) -> None:
    assert {name for name, _ in examples()} == {"pickup-screw", "kitcar-boost", "van-roots"}
    for name, _ in examples():
        file = new(tmp_path / name, name)
        original = files("keyturn") / "examples" / name / "build.toml"
        assert file.read_bytes() == original.read_bytes()
        assert load(file.parent).invented


def test_new_refuses_a_folder_that_holds_something(tmp_path: Path) -> None:
    (tmp_path / "car").mkdir()
    (tmp_path / "car" / "mine.txt").write_text("keep me")
    with pytest.raises(FileRefused, match="not empty"):
        new(tmp_path / "car", "van-roots")
    assert [item.name for item in (tmp_path / "car").iterdir()] == ["mine.txt"]
    with pytest.raises(FileRefused):
        new(tmp_path / "car" / "mine.txt", "van-roots")
    with pytest.raises(FileRefused):
        new(tmp_path / "car" / "mine.txt" / "below", "van-roots")


def test_new_offers_the_nearest_example(tmp_path: Path) -> None:
    with pytest.raises(ValueRefused, match="did you mean van-roots"):
        new(tmp_path / "car", "van-root")


def test_new_that_is_interrupted_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def stop(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(os, "replace", stop)
    with pytest.raises(KeyboardInterrupt):
        new(tmp_path / "car", "van-roots")
    assert not list(tmp_path.iterdir())
