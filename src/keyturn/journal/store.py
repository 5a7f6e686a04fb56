"""The one place where journal.db is opened and where a change is committed.

Write-ahead log with synchronous=FULL: when `Journal.writing` has been left, the rows are on disk.
One writer at a time; a second one waits a moment and is then told so.
"""

from __future__ import annotations

import json
import os
import sqlite3
import time
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from keyturn.errors import FileRefused, Place
from keyturn.journal.schema import APPLICATION, MIGRATIONS

JOURNAL_FILE = "journal.db"
PATIENCE = 5.0  # [s] that a second writer waits
RETRY = 0.02  # [s]


@dataclass(frozen=True)
class Entry:
    """One row, as it was written."""

    id: int
    topic: str  # "reading", ...
    act: str  # "new", "corrects", ...
    points_to: int | None
    recorded: str  # UTC, ISO 8601
    body: Mapping[str, Any]


def now() -> str:
    """The time that is written beside an entry."""
    return datetime.now(UTC).isoformat(timespec="milliseconds")


def body_text(body: Mapping[str, Any]) -> str:
    """The one spelling of a body: the same content is always the same text."""
    return json.dumps(body, sort_keys=True, allow_nan=False, separators=(",", ":"))


class Journal:
    """An open journal; made by `opened` only."""

    def __init__(self, path: Path, connection: sqlite3.Connection | None, write: bool) -> None:
        self.path = path
        self._connection = connection
        self._write = write

    def entries(self, topic: str | None = None) -> tuple[Entry, ...]:
        """Every entry in the order of writing, of one topic or of all."""
        if self._connection is None:
            return ()
        rows = self._connection.execute(
            "SELECT id, topic, act, points_to, recorded, body FROM entry"
            " WHERE ? IS NULL OR topic = ? ORDER BY id",
            (topic, topic),
        )
        return tuple(self._entry(row) for row in rows)

    def _entry(self, row: tuple[Any, ...]) -> Entry:
        number, topic, act, points_to, recorded, body = row
        try:
            return Entry(number, topic, act, points_to, recorded, json.loads(body))
        except ValueError as fault:
            raise damaged(self.path, f"entry {number}: {fault}") from None

    @contextmanager
    def writing(self) -> Iterator[None]:
        """Everything added inside is on disk when this is left, or nothing of it is."""
        if self._connection is None or not self._write:
            raise RuntimeError("this journal was opened for reading")
        self._connection.execute("BEGIN IMMEDIATE")
        try:
            yield
            self._connection.execute("COMMIT")
        except BaseException:
            if self._connection.in_transaction:
                self._connection.execute("ROLLBACK")
            raise

    def add(
        self,
        topic: str,
        act: str,
        body: Mapping[str, Any],
        points_to: int | None = None,
        recorded: str | None = None,
    ) -> Entry:
        """Add one entry; only inside `writing`."""
        if self._connection is None or not self._connection.in_transaction:
            raise RuntimeError("entries are added inside writing() only")
        (last,) = self._connection.execute("SELECT coalesce(max(id), 0) FROM entry").fetchone()
        entry = Entry(last + 1, topic, act, points_to, recorded or now(), body)
        self._connection.execute(
            "INSERT INTO entry (id, topic, act, points_to, recorded, body) VALUES (?,?,?,?,?,?)",
            (entry.id, topic, act, points_to, entry.recorded, body_text(body)),
        )
        return entry


@contextmanager
def opened(folder: Path, write: bool = False, patience: float = PATIENCE) -> Iterator[Journal]:
    """The journal of a build folder; not there yet means empty, and made when written to.

    Every fault of the file is raised as `FileRefused`, with what to do.
    """
    path = folder / JOURNAL_FILE
    connection: sqlite3.Connection | None = None
    try:
        if write or path.exists():
            connection = _connect(path, write, patience)
            _judge_or_recover(connection, path, write, patience)
            connection = connection if _version(connection) else None
        yield Journal(path, connection, write)
    except sqlite3.Error as fault:
        raise _refusal(fault, path) from None
    except OSError as fault:
        raise FileRefused(
            f"cannot be opened: {fault.strerror or fault}", Place(str(path)),
            advice="check the path and its permissions",
        ) from None  # fmt: skip
    finally:
        if connection is not None:
            _close(connection)


def _connect(path: Path, write: bool, patience: float) -> sqlite3.Connection:
    if not write:
        address = path.absolute().as_uri()
        # a folder that cannot be written to has no place for the log's index; without a log
        # the file is complete as it stands
        locked = (
            not os.access(path.parent, os.W_OK) and not path.with_name(path.name + "-wal").exists()
        )
        mode = "immutable=1" if locked else "mode=ro"
        return sqlite3.connect(
            f"{address}?{mode}", uri=True, timeout=patience, isolation_level=None
        )
    fresh = not path.exists()
    connection = sqlite3.connect(path, timeout=patience, isolation_level=None)
    if fresh:
        _sync_folder(path.parent)
    return connection


def _sync_folder(folder: Path) -> None:
    """A new file is only there after a power cut when its folder is on disk too."""
    if os.name == "posix":
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _judge_or_recover(
    connection: sqlite3.Connection, path: Path, write: bool, patience: float
) -> None:
    """`_judge_patiently`; what a killed writer left half done is undone first.

    Only a connection that may write can undo it, so a reader would be refused until then.
    """
    try:
        _judge_patiently(connection, path, write, patience)
    except sqlite3.OperationalError as fault:
        if write or fault.sqlite_errorcode & 0xFF != sqlite3.SQLITE_READONLY:
            raise
        with closing(sqlite3.connect(path, timeout=patience)) as able:
            able.execute("SELECT count(*) FROM sqlite_master").fetchone()
        _judge_patiently(connection, path, write, patience)


def _judge_patiently(
    connection: sqlite3.Connection, path: Path, write: bool, patience: float
) -> None:
    """`_judge`, tried again while another writer makes, recovers or closes the journal.

    SQLite does not wait by itself when the log is switched on or recovered: it says busy at once.
    """
    until = time.monotonic() + patience
    while True:
        try:
            return _judge(connection, path, write)
        except sqlite3.OperationalError as fault:
            busy = fault.sqlite_errorcode & 0xFF in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED)
            if not busy or time.monotonic() > until:
                raise
        time.sleep(RETRY)


def _judge(connection: sqlite3.Connection, path: Path, write: bool) -> None:
    """Refuse what is not our journal, or is damaged or newer; bring an older one up to date."""
    (tables,) = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    (owner,) = connection.execute("PRAGMA application_id").fetchone()
    if tables and owner != APPLICATION:
        raise FileRefused(
            "is a database, but not a keyturn journal", Place(str(path)),
            advice="move it elsewhere; a new journal is made with the first reading",
        )  # fmt: skip
    found = connection.execute("PRAGMA quick_check(1)").fetchone()[0]
    if found != "ok":
        raise damaged(path, found)
    version = _version(connection)
    if version > len(MIGRATIONS):
        raise FileRefused(
            f"was written by a newer keyturn (its form is {version}, this one knows "
            f"{len(MIGRATIONS)})", Place(str(path)),
            advice="use the newer keyturn; nothing was changed",
        )  # fmt: skip
    if write:
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA foreign_keys = ON")
        for number in range(version + 1, len(MIGRATIONS) + 1):
            _migrate(connection, number)


def _version(connection: sqlite3.Connection) -> int:
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    return int(version)


def _migrate(connection: sqlite3.Connection, number: int) -> None:
    """One migration in its own transaction; another writer may have been quicker."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        if _version(connection) < number:
            if number == 1:
                connection.execute(
                    "CREATE TABLE migration (version INTEGER PRIMARY KEY, applied TEXT NOT NULL)"
                )
                connection.execute(f"PRAGMA application_id = {APPLICATION}")
            for statement in MIGRATIONS[number - 1]:
                connection.execute(statement)
            connection.execute("INSERT INTO migration VALUES (?, ?)", (number, now()))
            connection.execute(f"PRAGMA user_version = {number}")
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise


def _close(connection: sqlite3.Connection) -> None:
    try:
        connection.close()
    except sqlite3.Error:
        # closing tidies the log into the file; what was acknowledged is in the log already
        return


def damaged(path: Path, words: str) -> FileRefused:
    return FileRefused(
        f"is damaged: {' '.join(words.split())}", Place(str(path)),
        accepted="a journal.db that keyturn wrote, with its -wal file if there is one",
        advice="put back a copy, or import an export: keyturn read BUILD --import FILE; "
        "the damaged file was left as it is",
    )  # fmt: skip


def _refusal(fault: sqlite3.Error, path: Path) -> FileRefused:
    """The message for what SQLite says."""
    name = getattr(fault, "sqlite_errorname", None) or ""
    place = Place(str(path))
    if name.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
        return FileRefused(
            "is being written by another keyturn", place,
            advice="wait until the other one is done and type it again; nothing was stored",
        )  # fmt: skip
    if name.startswith(("SQLITE_READONLY", "SQLITE_CANTOPEN", "SQLITE_PERM", "SQLITE_AUTH")):
        return FileRefused(
            f"cannot be opened or written: {fault}", place,
            accepted="a folder and a journal that you may write to",
            advice="check the path and its permissions; nothing was stored",
        )  # fmt: skip
    if name.startswith(("SQLITE_FULL", "SQLITE_IOERR", "SQLITE_TOOBIG")):
        return FileRefused(
            f"cannot be written to the disk: {fault}", place,
            advice="make room and type it again; nothing of this was stored, what was there is",
        )  # fmt: skip
    if name.startswith("SQLITE_NOTADB"):
        return FileRefused(
            "is not a keyturn journal", place,
            advice="move it elsewhere; a new journal is made with the first reading",
        )  # fmt: skip
    return damaged(path, str(fault))
