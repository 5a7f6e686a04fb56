"""The journal file: only grows, has one writer, and what was acknowledged is there."""

from __future__ import annotations

import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import pytest

from keyturn.errors import FileRefused
from keyturn.journal.schema import APPLICATION, MIGRATIONS
from keyturn.journal.store import JOURNAL_FILE, Journal, body_text, opened


def add(folder: Path, *bodies: dict[str, object]) -> None:
    with opened(folder, write=True) as journal, journal.writing():
        for body in bodies:
            journal.add("reading", "new", body)


def bodies(folder: Path) -> list[dict[str, object]]:
    with opened(folder) as journal:
        return [dict(entry.body) for entry in journal.entries()]


def raw(folder: Path) -> sqlite3.Connection:
    return sqlite3.connect(folder / JOURNAL_FILE, isolation_level=None)


def test_nothing_there_is_an_empty_journal_and_makes_no_file(tmp_path: Path) -> None:
    assert bodies(tmp_path) == []
    assert list(tmp_path.iterdir()) == []


def test_written_is_read_again(tmp_path: Path) -> None:
    add(tmp_path, {"a": 1}, {"b": "ä"})
    add(tmp_path, {"c": 0.1})
    assert bodies(tmp_path) == [{"a": 1}, {"b": "ä"}, {"c": 0.1}]


def test_full_and_write_ahead(tmp_path: Path) -> None:
    with opened(tmp_path, write=True) as journal:
        connection = journal._connection
        assert connection is not None
        assert connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)
        assert connection.execute("PRAGMA synchronous").fetchone() == (2,)  # 2 is FULL


def add_two(journal: Journal) -> None:
    journal.add("reading", "new", {"b": 2})
    journal.add("reading", "new", {"c": float("inf")})


def test_a_fault_inside_writing_stores_nothing(tmp_path: Path) -> None:
    add(tmp_path, {"a": 1})
    with opened(tmp_path, write=True) as journal:
        with pytest.raises(ValueError, match="JSON"), journal.writing():
            add_two(journal)
        assert len(journal.entries()) == 1


def test_entries_are_added_inside_writing_only(tmp_path: Path) -> None:
    with opened(tmp_path, write=True) as journal, pytest.raises(RuntimeError):
        journal.add("reading", "new", {})
    with opened(tmp_path) as journal, pytest.raises(RuntimeError), journal.writing():
        pass


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE entry SET body = '{}'",
        "UPDATE entry SET id = 9 WHERE id = 1",
        "DELETE FROM entry",
        "DELETE FROM entry WHERE id = 2",
        "REPLACE INTO entry VALUES (1, 'reading', 'new', NULL, '', '{}')",
        "INSERT OR REPLACE INTO entry VALUES (2, 'reading', 'new', NULL, '', '{}')",
        "INSERT INTO entry VALUES (7, 'reading', 'new', NULL, '', '{}')",
        "INSERT INTO entry VALUES (1, 'reading', 'new', NULL, '', '{}') "
        "ON CONFLICT DO UPDATE SET body = '{}'",
        "UPDATE migration SET applied = ''",
        "DELETE FROM migration",
    ],
)
def test_only_grows_whoever_opens_it(statement: str, tmp_path: Path) -> None:
    add(tmp_path, {"a": 1}, {"b": 2})
    connection = raw(tmp_path)
    with pytest.raises(sqlite3.IntegrityError, match="append-only"):
        connection.execute(statement)
    connection.close()
    assert bodies(tmp_path) == [{"a": 1}, {"b": 2}]


def test_migrations_in_order_each_written_down(tmp_path: Path) -> None:
    add(tmp_path, {})
    connection = raw(tmp_path)
    versions = connection.execute("SELECT version FROM migration ORDER BY version").fetchall()
    assert versions == [(number,) for number in range(1, len(MIGRATIONS) + 1)]
    assert connection.execute("PRAGMA application_id").fetchone() == (APPLICATION,)
    connection.close()


def test_an_older_journal_is_brought_up_to_date(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as older:
        older.setattr("keyturn.journal.store.MIGRATIONS", MIGRATIONS[:1])
        add(tmp_path, {"a": 1})
    assert bodies(tmp_path) == [{"a": 1}]
    add(tmp_path, {"b": 2})
    connection = raw(tmp_path)
    with pytest.raises(sqlite3.IntegrityError):
        connection.execute("DELETE FROM entry")
    connection.close()


def test_a_migration_that_fails_leaves_the_step_before(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as broken:
        step = ("CREATE TABLE more (a INTEGER)", "CREATE NONSENSE")
        broken.setattr("keyturn.journal.store.MIGRATIONS", (*MIGRATIONS, step))
        with pytest.raises(FileRefused), opened(tmp_path, write=True):
            pass
    add(tmp_path, {"a": 1})
    connection = raw(tmp_path)
    tables = connection.execute("SELECT name FROM sqlite_master WHERE name = 'more'").fetchall()
    assert tables == []
    connection.close()


def refusal(folder: Path, write: bool) -> str:
    with pytest.raises(FileRefused) as refused, opened(folder, write=write) as journal:
        journal.entries()
    return str(refused.value)


@pytest.mark.parametrize("write", [False, True])
@pytest.mark.parametrize(
    "content",
    [b"readings on paper\n" * 100, b"\0" * 9000, bytes(range(1, 255)) * 20],
    ids=["text", "zeros", "bytes"],
)
def test_a_file_that_is_no_database(content: bytes, write: bool, tmp_path: Path) -> None:
    (tmp_path / JOURNAL_FILE).write_bytes(content)
    words = refusal(tmp_path, write)
    assert "journal.db" in words
    assert "do:" in words
    assert (tmp_path / JOURNAL_FILE).read_bytes() == content


@pytest.mark.parametrize("write", [False, True])
def test_the_database_of_another_program(write: bool, tmp_path: Path) -> None:
    connection = raw(tmp_path)
    connection.execute("CREATE TABLE entry (id INTEGER)")
    connection.close()
    assert "not a keyturn journal" in refusal(tmp_path, write)


@pytest.mark.parametrize("write", [False, True])
def test_a_newer_journal_is_left_alone(write: bool, tmp_path: Path) -> None:
    add(tmp_path, {"a": 1})
    connection = raw(tmp_path)
    connection.execute(f"PRAGMA user_version = {len(MIGRATIONS) + 1}")
    connection.close()
    assert "newer keyturn" in refusal(tmp_path, write)


@pytest.mark.parametrize("write", [False, True])
def test_a_damaged_page_is_found(write: bool, tmp_path: Path) -> None:
    add(tmp_path, *({"a": "x" * 500} for _ in range(100)))
    path = tmp_path / JOURNAL_FILE
    content = bytearray(path.read_bytes())
    content[len(content) // 2 : len(content) // 2 + 6000] = b"\xff" * 6000
    path.write_bytes(content)
    assert "damaged" in refusal(tmp_path, write)


def test_a_body_that_is_no_json(tmp_path: Path) -> None:
    add(tmp_path, {})
    connection = raw(tmp_path)
    connection.execute("INSERT INTO entry VALUES (2, 'reading', 'new', NULL, '', '{')")
    connection.close()
    assert "entry 2" in refusal(tmp_path, False)


def test_an_empty_file_is_taken(tmp_path: Path) -> None:
    (tmp_path / JOURNAL_FILE).touch()
    assert bodies(tmp_path) == []
    add(tmp_path, {"a": 1})
    assert bodies(tmp_path) == [{"a": 1}]


def test_a_folder_in_its_place(tmp_path: Path) -> None:
    (tmp_path / JOURNAL_FILE).mkdir()
    assert "cannot be opened" in refusal(tmp_path, True)


def test_a_folder_that_is_not_there(tmp_path: Path) -> None:
    assert "cannot be opened" in refusal(tmp_path / "nowhere", True)


def test_a_second_writer_is_told(tmp_path: Path) -> None:
    add(tmp_path, {"a": 1})
    with opened(tmp_path, write=True) as first, first.writing():
        first.add("reading", "new", {"b": 2})
        assert bodies(tmp_path) == [{"a": 1}]  # a reader sees what is committed
        with (
            pytest.raises(FileRefused, match="another keyturn"),
            opened(tmp_path, write=True, patience=0.05) as second,
            second.writing(),
        ):
            pass
    assert bodies(tmp_path) == [{"a": 1}, {"b": 2}]


def test_a_full_disk_keeps_what_was_there(tmp_path: Path) -> None:
    """SQLite answers "disk is full" as well when the file may not have more pages."""
    add(tmp_path, {"a": 1})

    def fill(journal: Journal) -> None:
        connection = journal._connection
        assert connection is not None
        connection.execute("PRAGMA max_page_count = 8")
        with journal.writing():
            journal.add("reading", "new", {"long": "x" * 100_000})

    with pytest.raises(FileRefused, match="disk"), opened(tmp_path, write=True) as journal:
        fill(journal)
    assert bodies(tmp_path) == [{"a": 1}]
    add(tmp_path, {"b": 2})


READ = """
import os, sys
from pathlib import Path
from keyturn.errors import FileRefused
from keyturn.journal.store import opened
folder = Path(sys.argv[1])
if os.geteuid() == 0:  # the superuser may write anywhere; go on as nobody
    os.setgid(65534)
    os.setuid(65534)
with opened(folder) as journal:
    print(len(journal.entries()))
try:
    with opened(folder, write=True) as journal, journal.writing():
        journal.add("reading", "new", {})
except FileRefused as refused:
    print(refused)
"""


@pytest.mark.skipif(os.name != "posix", reason="permissions of POSIX")
def test_a_folder_that_can_only_be_read() -> None:
    folder = Path(tempfile.mkdtemp())  # one that another user can reach
    try:
        add(folder, {"a": 1}, {"b": 2})
        folder.chmod(0o555)
        (folder / JOURNAL_FILE).chmod(0o444)
        asked = [sys.executable, "-c", READ, str(folder)]
        answer = subprocess.run(asked, capture_output=True, text=True)
        assert answer.stderr == ""
        assert answer.stdout.splitlines()[0] == "2"
        assert "permissions" in answer.stdout
    finally:
        folder.chmod(0o755)
        shutil.rmtree(folder)


WRITE = """
import itertools, sys
from pathlib import Path
from keyturn.journal.store import opened
folder = Path(sys.argv[1])
print("ready", flush=True)
for number in itertools.count():
    with opened(folder, write=True) as journal:
        for part in range(3):
            with journal.writing():
                entry = journal.add("reading", "new", {"n": 3 * number + part, "pad": "x" * 700})
            print(entry.id, entry.body["n"], flush=True)
"""


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="SIGKILL")
def test_killed_at_any_moment_loses_nothing_that_was_acknowledged(tmp_path: Path) -> None:
    rng = random.Random(3)
    seen = 0
    for number in range(8):
        folder = tmp_path / str(number)
        folder.mkdir()
        writer = subprocess.Popen(
            [sys.executable, "-c", WRITE, str(folder)], stdout=subprocess.PIPE, text=True
        )
        assert writer.stdout is not None
        assert writer.stdout.readline() == "ready\n"
        time.sleep(rng.uniform(0.0, 0.5))
        writer.send_signal(signal.SIGKILL)
        lines = writer.stdout.read().split("\n")[:-1]  # a line cut short acknowledges nothing
        told = [tuple(map(int, line.split())) for line in lines]
        writer.stdout.close()
        assert writer.wait() == -signal.SIGKILL
        with opened(folder) as journal:
            kept = [(entry.id, entry.body["n"]) for entry in journal.entries()]
        assert kept[: len(told)] == told
        assert len(kept) <= len(told) + 1  # committed, killed before it could say so
        seen += len(told)
        copy = tmp_path / f"copy{number}"
        shutil.copytree(folder, copy)
        with opened(copy) as journal:
            assert [(entry.id, entry.body["n"]) for entry in journal.entries()] == kept
        add(folder, {"after": 1})
    assert seen > 20  # or the test killed nothing that was writing


HALF_DONE = """
import os, sqlite3, sys
book = sqlite3.connect(sys.argv[1], isolation_level=None)
book.execute("PRAGMA journal_mode = DELETE")
book.execute("PRAGMA cache_size = 1")
book.execute("BEGIN")
book.execute("CREATE TABLE half (x)")
book.executemany("INSERT INTO half VALUES (?)", (("x" * 3000,) for _ in range(200)))
os._exit(9)
"""


def test_a_reader_comes_first_after_a_writer_died_in_the_middle(tmp_path: Path) -> None:
    """Died before the log was switched on: what stands in the file has to be rolled back."""
    add(tmp_path, {"n": 1})
    file = tmp_path / "journal.db"
    subprocess.run([sys.executable, "-c", HALF_DONE, str(file)], check=False)
    assert file.with_name("journal.db-journal").exists(), "nothing was left half done"
    assert bodies(tmp_path) == [{"n": 1}]


TOGETHER = """
import sys
from pathlib import Path
from keyturn.journal.store import opened
sys.stdin.read(1)
for number in range(15):
    with opened(Path(sys.argv[1]), write=True, patience=60.0) as journal, journal.writing():
        journal.add("reading", "new", {"who": sys.argv[2], "n": number})
"""


@pytest.mark.slow
def test_writers_that_come_together_all_get_in(tmp_path: Path) -> None:
    """Also into a journal that none of them has made yet."""
    writers = [
        subprocess.Popen(
            [sys.executable, "-c", TOGETHER, str(tmp_path), who], stdin=subprocess.PIPE, text=True
        )
        for who in "abcd"
    ]
    for writer in writers:
        assert writer.stdin is not None
        writer.stdin.write("go")
        writer.stdin.close()
    assert [writer.wait(timeout=120) for writer in writers] == [0, 0, 0, 0]
    for who in "abcd":
        own = [body["n"] for body in bodies(tmp_path) if body["who"] == who]
        assert own == list(range(15))


def test_bodies_have_one_spelling() -> None:
    assert body_text({"b": 1, "a": [0.1]}) == body_text({"a": [0.1], "b": 1})
    with pytest.raises(ValueError):
        body_text({"a": float("nan")})
