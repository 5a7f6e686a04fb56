"""A set of files appears whole or not at all."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from keyturn.errors import FileRefused
from keyturn.tasks.files import write_all


def test_all_files_are_written_in_order(tmp_path: Path) -> None:
    folder = tmp_path / "new" / "made"
    written = write_all(folder, {"b.txt": b"two", "a.txt": b"one"})
    assert written == (folder / "b.txt", folder / "a.txt")
    assert [path.read_bytes() for path in written] == [b"two", b"one"]
    assert sorted(path.name for path in folder.iterdir()) == ["a.txt", "b.txt"]


def test_a_failure_halfway_leaves_what_was_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_all(tmp_path, {"a.txt": b"old", "b.txt": b"old"})
    calls = []

    def full(handle: int) -> None:
        calls.append(handle)
        if len(calls) == 2:
            raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(FileRefused, match="No space left on device"):
        write_all(tmp_path, {"a.txt": b"new", "b.txt": b"new"})
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.txt", "b.txt"]
    assert (tmp_path / "a.txt").read_bytes() == b"old"


def test_an_interruption_leaves_what_was_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupt(_: int) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(os, "fsync", interrupt)
    with pytest.raises(KeyboardInterrupt):
        write_all(tmp_path, {"a.txt": b"new"})
    assert list(tmp_path.iterdir()) == []


def test_a_file_in_the_way_of_the_folder(tmp_path: Path) -> None:
    (tmp_path / "made").write_bytes(b"")
    with pytest.raises(FileRefused, match="cannot be written"):
        write_all(tmp_path / "made", {"a.txt": b"new"})


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="root may write anywhere")
def test_a_folder_that_may_not_be_written_to(tmp_path: Path) -> None:
    tmp_path.chmod(0o500)
    try:
        with pytest.raises(FileRefused, match="cannot be written"):
            write_all(tmp_path, {"a.txt": b"new"})
    finally:
        tmp_path.chmod(0o700)
