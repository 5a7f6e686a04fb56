"""A build out as one file and in again; and files made to do harm, each refused without a trace."""

from __future__ import annotations

import io
import sqlite3
import stat
import struct
import tracemalloc
import zipfile
from pathlib import Path
from typing import Any

import pytest
from asking import OURS, app_on, local
from browser import EXAMPLES
from fastapi import FastAPI

from keyturn.errors import BuildError, FileRefused
from keyturn.journal.store import opened
from keyturn.tasks.pack import Bounds, pack, unpack
from keyturn.web.config import Limits

BUILD = (EXAMPLES / "van-roots" / "build.toml").read_bytes()
ZIP = OURS | {"content-type": "application/zip"}
SMALL = Limits(upload=2_000_000, unpacked=3_000_000, member=2_000_000, members=20)


@pytest.fixture
def car(tmp_path: Path) -> Path:
    """An invented build with two readings in its journal, a recording and a made file."""
    folder = tmp_path / "van"
    for name in ("logs/day one", "made"):
        (folder / name).mkdir(parents=True)
    (folder / "build.toml").write_bytes(BUILD)
    (folder / "logs/day one/läuft.csv").write_text("t,p\n0,1\n", encoding="utf-8")
    (folder / "made/report.html").write_text("can be made again", encoding="utf-8")
    (folder / ".secret").write_text("not ours", encoding="utf-8")
    with opened(folder, write=True) as book, book.writing():
        book.add("note", "new", {"words": "one"})
        book.add("note", "new", {"words": "two"})
    return folder


def test_what_goes_out_comes_in_again(car: Path, tmp_path: Path) -> None:
    pack(car, tmp_path / "a.zip")
    back = unpack(tmp_path / "a.zip", tmp_path / "again")
    for name in ("build.toml", "logs/day one/läuft.csv"):
        assert (back / name).read_bytes() == (car / name).read_bytes()
    with opened(car) as one, opened(back) as two:
        assert one.entries() == two.entries()
        assert len(two.entries()) == 2
    assert not (back / "made/report.html").exists()
    assert sorted(path.name for path in back.iterdir()) == [
        "build.toml",
        "journal.db",
        "logs",
        "made",
    ]
    assert {p.name for p in tmp_path.iterdir()} == {"van", "a.zip", "again"}


def test_the_same_build_is_the_same_file(car: Path, tmp_path: Path) -> None:
    for name in ("a.zip", "b.zip"):
        pack(car, tmp_path / name)
    assert (tmp_path / "a.zip").read_bytes() == (tmp_path / "b.zip").read_bytes()
    unpack(tmp_path / "a.zip", tmp_path / "again")
    pack(tmp_path / "again", tmp_path / "c.zip")
    assert (tmp_path / "c.zip").read_bytes() == (tmp_path / "a.zip").read_bytes()


def test_an_entry_that_is_still_in_the_log_goes_along(car: Path, tmp_path: Path) -> None:
    """Write-ahead log: with another keyturn open, journal.db alone is not the journal."""
    holder = sqlite3.connect(car / "journal.db", isolation_level=None)
    holder.execute("PRAGMA wal_autocheckpoint = 0")
    holder.execute("SELECT count(*) FROM entry").fetchone()
    try:
        with opened(car, write=True) as book, book.writing():
            book.add("note", "new", {"words": "three"})
        assert (car / "journal.db-wal").stat().st_size > 0
        pack(car, tmp_path / "a.zip")
    finally:
        holder.close()
    with opened(unpack(tmp_path / "a.zip", tmp_path / "again")) as book:
        assert [entry.body["words"] for entry in book.entries()] == ["one", "two", "three"]


def test_no_link_is_followed_on_the_way_out(car: Path, tmp_path: Path) -> None:
    (tmp_path / "outside.csv").write_text("not of this build", encoding="utf-8")
    (car / "logs/link.csv").symlink_to(tmp_path / "outside.csv")
    pack(car, tmp_path / "a.zip")
    names = zipfile.ZipFile(tmp_path / "a.zip").namelist()
    assert names == ["build.toml", "journal.db", "logs/day one/läuft.csv"]


# --- made to do harm -----------------------------------------------------------------------------
def zipped(*members: tuple[str | zipfile.ZipInfo, bytes], build: bytes | None = BUILD) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        if build is not None:
            archive.writestr("build.toml", build)
        for name, data in members:
            archive.writestr(name, data)
    return out.getvalue()


def special(name: str, kind: int) -> zipfile.ZipInfo:
    entry = zipfile.ZipInfo(name)
    entry.create_system = 3
    entry.external_attr = (kind | 0o777) << 16
    return entry


def lying(data: bytes, size: int) -> bytes:
    """The same archive, whose directory states another unpacked size for logs/a.csv."""
    raw = bytearray(data)
    at = raw.rfind(b"PK\x01\x02", 0, raw.rfind(b"logs/a.csv"))
    struct.pack_into("<I", raw, at + 24, size)
    return bytes(raw)


def many(count: int) -> bytes:
    """Members that cost next to nothing each: 100 000 names in one directory."""
    return zipped(*[(f"logs/{number}.csv", b"") for number in range(count)])


def stated(count: int) -> bytes:
    """A file whose last record states more members, or a larger directory, than there are."""
    raw = bytearray(zipped())
    at = raw.rfind(b"PK\x05\x06")
    struct.pack_into("<HHI", raw, at + 8, count, count, 0xFFFFFFF0)
    return bytes(raw)


def foreign_database(statement: str) -> bytes:
    base = sqlite3.connect(":memory:")
    base.execute(statement)
    return base.serialize()


def locked() -> bytes:
    raw = bytearray(zipped(("logs/a.csv", b"x")))
    for sign, at in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        raw[raw.rfind(sign) + at] |= 1
    return bytes(raw)


STEPS = bytes(range(256))
HARM: dict[str, Any] = {
    "climbs": lambda: zipped(("../evil.txt", b"x")),
    "climbs within": lambda: zipped(("logs/../../evil.txt", b"x")),
    "climbs with a backslash": lambda: zipped(("logs\\..\\..\\evil.txt", b"x")),
    "absolute": lambda: zipped(("/evil.txt", b"x")),
    "a drive": lambda: zipped(("C:/evil.txt", b"x")),
    "a stream of a file": lambda: zipped(("logs/a.csv:evil", b"x")),
    "a name with an end in it": lambda: zipped(("logs/a.csv~.txt", b"x")).replace(b"~", b"\0"),
    "a line in the name": lambda: zipped(("logs/a\nb.csv", b"x")),
    "a device": lambda: zipped(("logs/NUL.csv", b"x")),
    "dots": lambda: zipped(("logs/...", b"x")),
    "double slash": lambda: zipped(("logs//a.csv", b"x")),
    "too deep": lambda: zipped(("logs/a/b/c/d/e.csv", b"x")),
    "a name of 300": lambda: zipped(("logs/" + "a" * 300, b"x")),
    "unknown": lambda: zipped(("evil.sh", b"x")),
    "made": lambda: zipped(("made/report.html", b"<script>")),
    "hidden folder": lambda: zipped((".keyturn/sessions.json", b"{}")),
    "a log of the journal": lambda: zipped(("journal.db-wal", b"x")),
    "a link": lambda: zipped((special("logs/a.csv", stat.S_IFLNK), b"/etc/passwd")),
    "a link as journal": lambda: zipped((special("journal.db", stat.S_IFLNK), b"/etc/passwd")),
    "a pipe": lambda: zipped((special("logs/a.csv", stat.S_IFIFO), b"")),
    "twice by case": lambda: zipped(("logs/a.csv", b"1"), ("logs/A.csv", b"2")),
    "twice by accent": lambda: zipped(("logs/\u00e4.csv", b"1"), ("logs/a\u0308.csv", b"2")),
    "a file that is a folder": lambda: zipped(("logs/a", b"1"), ("logs/a/b.csv", b"2")),
    "a bomb": lambda: zipped(("logs/a.csv", b"\0" * 1_900_000)),
    "large in all": lambda: zipped(*[(f"logs/{n}.csv", STEPS * 4000) for n in range(4)]),
    "larger than it says": lambda: lying(zipped(("logs/a.csv", b"\0" * 900_000)), 10),
    "smaller than it says": lambda: lying(zipped(("logs/a.csv", b"ab" * 50)), 900),
    "thousands": lambda: many(3_000),
    "more than allowed": lambda: many(SMALL.members),
    "a lying end": lambda: stated(65535),
    "locked": locked,
    "cut": lambda: zipped(("logs/a.csv", b"x" * 1000))[:-40],
    "bent": lambda: zipped(("logs/a.csv", STEPS * 99)).replace(b"\x08\x09", b"\x09\x08"),
    "nothing in it": lambda: zipped(build=None),
    "no build": lambda: zipped(("logs/a.csv", b"x"), build=None),
    "no TOML": lambda: zipped(build=b"\xff\xfe nonsense"),
    "no car": lambda: zipped(build=b"version = 1\n"),
    "a huge build": lambda: zipped(build=b"# " + bytes(range(35, 125)) * 20_000),
    "no journal": lambda: zipped(("journal.db", b"nonsense")),
    "a foreign journal": lambda: zipped(("journal.db", foreign_database("CREATE TABLE a (b)"))),
}  # fmt: skip


@pytest.fixture(scope="module")
def app(tmp_path_factory: pytest.TempPathFactory) -> FastAPI:
    return app_on(tmp_path_factory.mktemp("archive"), limits=SMALL)


@pytest.mark.filterwarnings("ignore:Duplicate name")
@pytest.mark.parametrize("harm", HARM.values(), ids=HARM)
def test_harm_is_refused_and_leaves_no_trace(app: FastAPI, harm: Any) -> None:
    root: Path = app.state.shelf.root
    before = sorted(path.relative_to(root.parent) for path in root.parent.rglob("*"))
    answer = local(app).post("/api/archive?name=new", content=harm(), headers=ZIP)
    assert answer.status_code in (413, 415, 422)
    assert answer.json()["error"]["problem"]
    assert str(root) not in answer.text and ".unpack" not in answer.text
    assert sorted(path.relative_to(root.parent) for path in root.parent.rglob("*")) == before


def test_the_harmless_one_is_taken(app: FastAPI, car: Path, tmp_path: Path) -> None:
    """The same way in, so that the refusals above do not come from something else."""
    pack(car, tmp_path / "a.zip")
    sent = (tmp_path / "a.zip").read_bytes()
    answer = local(app).post("/api/archive?name=good", content=sent, headers=ZIP)
    assert answer.status_code == 201
    assert answer.json() == {"name": "good", "address": "/car/good/home"}
    assert local(app).get("/api/car/good/archive").content == sent
    again = local(app).post("/api/archive?name=good", content=sent, headers=ZIP)
    assert again.status_code == 422  # nothing is written over


@pytest.mark.parametrize("name", ["../evil", "..", ".", "a/b", "A", "", "x" * 41, "a\x00", "%2e%2e",
                                  ".keyturn", "-a", "nul\n"])  # fmt: skip
def test_the_name_is_no_path(app: FastAPI, name: str) -> None:
    root: Path = app.state.shelf.root
    answer = local(app).post("/api/archive", params={"name": name}, content=zipped(), headers=ZIP)
    assert answer.status_code == 422
    assert sorted(path.name for path in root.parent.iterdir()) == [root.name]


@pytest.mark.parametrize("data", [b"", b"PK", b"MZ" * 50, b"<html>", BUILD, b"\x1f\x8b" + b"0" * 99,
                                  b"PK\x07\x08" + b"0" * 99])  # fmt: skip
def test_a_file_is_what_its_bytes_say(app: FastAPI, data: bytes) -> None:
    answer = local(app).post("/api/archive?name=new", content=data, headers=ZIP)
    assert answer.status_code == 415


def test_a_file_that_is_too_large_is_not_kept(app: FastAPI) -> None:
    root: Path = app.state.shelf.root
    sent = zipped(("logs/a.csv", b"x")) + b"\0" * SMALL.upload
    assert local(app).post("/api/archive?name=n", content=sent, headers=ZIP).status_code == 413
    pieces = (sent[at : at + 65536] for at in range(0, len(sent), 65536))
    assert local(app).post("/api/archive?name=n", content=pieces, headers=ZIP).status_code == 413
    assert [path.name for path in root.iterdir() if path.name.startswith(".")] == []


def test_a_hundred_thousand_members_are_not_read_into_memory(tmp_path: Path) -> None:
    (tmp_path / "a.zip").write_bytes(many(100_000))
    tracemalloc.start()
    try:
        with pytest.raises(FileRefused, match="more than"):
            unpack(tmp_path / "a.zip", tmp_path / "new")
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak < 1_000_000  # the directory of that file has five million bytes
    assert [path.name for path in tmp_path.iterdir()] == ["a.zip"]


def test_what_is_counted_is_what_comes(tmp_path: Path) -> None:
    """A size that is stated too low does not open the door for more."""
    (tmp_path / "a.zip").write_bytes(lying(zipped(("logs/a.csv", b"\0" * 900_000)), 10))
    with pytest.raises(FileRefused):
        unpack(tmp_path / "a.zip", tmp_path / "new", Bounds(member=1000))
    assert [path.name for path in tmp_path.iterdir()] == ["a.zip"]


def test_a_folder_that_is_there_is_left_alone(car: Path, tmp_path: Path) -> None:
    pack(car, tmp_path / "a.zip")
    for name in ("full", "empty"):
        (tmp_path / name).mkdir()
    (tmp_path / "full/file").write_text("mine", encoding="utf-8")
    for name in ("full", "empty"):
        with pytest.raises(BuildError):
            unpack(tmp_path / "a.zip", tmp_path / name)
    assert (tmp_path / "full/file").read_text(encoding="utf-8") == "mine"
    assert list((tmp_path / "empty").iterdir()) == []
