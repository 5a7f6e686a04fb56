"""A build out as one file and in again; and files made to do harm, each refused without a trace."""

from __future__ import annotations

import http.client
import io
import sqlite3
import stat
import struct
import tracemalloc
import zipfile
from pathlib import Path
from typing import Any

import httpx
import pytest
from asking import OURS, app_on, local
from browser import EXAMPLES, PHONE, Bench, go
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
    for name in ("logs/day one", "made/gaskets/lid", "gaskets"):
        (folder / name).mkdir(parents=True)
    (folder / "gaskets/lid.toml").write_text(LID, encoding="utf-8")
    (folder / "gaskets/lid.joint.toml").write_text('version = 1\nbolt = "M6"\n')
    (folder / "gaskets/lid.callipers.toml").write_text("around = 8\n")
    (folder / "gaskets/notes.txt").write_text("not ours", encoding="utf-8")
    (folder / "made/gaskets/lid/photo-1.jpg").write_bytes(b"can be taken again")
    (folder / "build.toml").write_bytes(BUILD)
    (folder / "logs/day one/läuft.csv").write_text("t,p\n0,1\n", encoding="utf-8")
    (folder / "made/report.html").write_text("can be made again", encoding="utf-8")
    (folder / ".secret").write_text("not ours", encoding="utf-8")
    with opened(folder, write=True) as book, book.writing():
        book.add("note", "new", {"words": "one"})
        book.add("note", "new", {"words": "two"})
    return folder


GASKETS = ["gaskets/lid.callipers.toml", "gaskets/lid.joint.toml", "gaskets/lid.toml"]
# by hand, with a comment; every byte of it comes back
LID = """\
version = 1 # an invented lid
[outer]
rectangle = {x = 0, y = 0, width = 60.0, height = 40}
"""


def test_what_goes_out_comes_in_again(car: Path, tmp_path: Path) -> None:
    pack(car, tmp_path / "a.zip")
    told: list[tuple[int, int]] = []
    back = unpack(tmp_path / "a.zip", tmp_path / "again", progress=lambda *now: told.append(now))
    assert [done for done, _ in told] == sorted(done for done, _ in told)
    assert told[-1][0] == told[-1][1] > len(BUILD)
    for name in ("build.toml", "logs/day one/läuft.csv", *GASKETS):
        assert (back / name).read_bytes() == (car / name).read_bytes()
    with opened(car) as one, opened(back) as two:
        assert one.entries() == two.entries()
        assert len(two.entries()) == 2
    assert list((back / "made").iterdir()) == []
    assert sorted(path.name for path in (back / "gaskets").iterdir()) == [
        name.removeprefix("gaskets/") for name in GASKETS
    ]
    assert sorted(path.name for path in back.iterdir()) == [
        "build.toml",
        "gaskets",
        "journal.db",
        "logs",
        "made",
    ]
    assert {p.name for p in tmp_path.iterdir()} == {"van", "a.zip", "again"}


def test_raw_frames_stay_behind_and_the_recording_goes_along(car: Path, tmp_path: Path) -> None:
    (car / "logs" / "watch").mkdir()
    (car / "logs" / "watch" / "watch-1.log").write_text("(0.000000) can0 7E8#0341050000000000\n")
    (car / "logs" / "watch-1.csv").write_text("time,rpm\n0,800\n")
    pack(car, tmp_path / "a.zip")
    back = unpack(tmp_path / "a.zip", tmp_path / "again")
    assert (back / "logs" / "watch-1.csv").is_file()
    assert not (back / "logs" / "watch").exists()


@pytest.mark.parametrize(
    ("bounds", "words"),
    [
        (Bounds(total=4096), "too large for one file"),
        (Bounds(member=4096), "drive.csv alone"),
        (Bounds(small=1024), "packed"),
        (Bounds(members=2), "more than 2 files"),
    ],
)
def test_what_could_not_come_in_again_is_not_written(
    car: Path, tmp_path: Path, bounds: Bounds, words: str
) -> None:
    (car / "logs" / "drive.csv").write_text("time,rpm\n" + "0,800\n" * 100_000)
    with pytest.raises(FileRefused, match=words):
        pack(car, tmp_path / "a.zip", bounds)
    assert {p.name for p in tmp_path.iterdir()} == {"van"}


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
    (car / "gaskets/link.toml").symlink_to(tmp_path / "outside.csv")
    pack(car, tmp_path / "a.zip")
    names = zipfile.ZipFile(tmp_path / "a.zip").namelist()
    assert names == ["build.toml", "journal.db", *GASKETS, "logs/day one/läuft.csv"]
    elsewhere = tmp_path / "elsewhere"
    (car / "gaskets").rename(elsewhere)
    (car / "gaskets").symlink_to(elsewhere)
    pack(car, tmp_path / "b.zip")
    assert not [name for name in zipfile.ZipFile(tmp_path / "b.zip").namelist() if "lid" in name]


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
    "climbs out of gaskets": lambda: zipped(("gaskets/../../evil.toml", b"x")),
    "no outline": lambda: zipped(("gaskets/evil.sh", b"x")),
    "a folder in gaskets": lambda: zipped(("gaskets/a/evil.toml", b"x")),
    "a device in gaskets": lambda: zipped(("gaskets/NUL.toml", b"x")),
    "hidden in gaskets": lambda: zipped(("gaskets/..toml", b"x"), ("gaskets/.toml/x", b"x")),
    "an outline that is a link": lambda: zipped(
        (special("gaskets/a.toml", stat.S_IFLNK), b"/etc/passwd")
    ),
    "an outline that is a folder": lambda: zipped((special("gaskets/a.toml/", stat.S_IFDIR), b"")),
    "outlines twice by case": lambda: zipped(("gaskets/a.toml", b"1"), ("gaskets/A.toml", b"2")),
    "an outline bomb": lambda: zipped(("gaskets/a.toml", b"#" * 1_900_000)),
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


def test_how_far_an_import_is_can_be_asked(bench: Bench) -> None:
    """Half of the body sent: half has arrived. After that nothing is told any more."""
    sent = zipped(("logs/a.csv", STEPS * 4000))
    half = len(sent) // 2

    def asked() -> dict[str, Any]:
        answer: dict[str, Any] = httpx.get(f"{bench.url}/api/archive/mine", timeout=30).json()
        return answer

    nothing = {"done": 0, "of": 0, "words": ""}
    assert asked() == nothing
    wire = http.client.HTTPConnection("127.0.0.1", bench.port, timeout=30)
    wire.putrequest("POST", "/api/archive?name=slow&token=mine")
    for key, value in {"origin": bench.url, "content-type": "application/zip",
                       "content-length": str(len(sent))}.items():  # fmt: skip
        wire.putheader(key, value)
    wire.endheaders(sent[:half])
    while asked()["done"] < half:  # ends by the time limit of a test that fails
        pass
    assert asked() == {"done": half, "of": len(sent), "words": "arrived"}
    wire.send(sent[half:])
    assert wire.getresponse().status == 201
    wire.close()
    assert asked() == nothing


def test_the_page_shows_how_far_an_import_is(tab: Any, bench: Bench, tmp_path: Path) -> None:
    file = tmp_path / "van.zip"
    file.write_bytes(zipped(("gaskets/lid.toml", LID.encode())))
    page = tab(PHONE)
    held: list[Any] = []
    stand = {"done": 3_000_000, "of": 12_000_000, "words": "arrived"}
    page.route("**/api/archive/*", lambda route: route.fulfill(json=stand))
    page.route("**/api/archive?*", lambda route: held.append(route))  # continued below
    for address, name, build, button in (("/", "#i-folder", "#i-file", "#import button"),
                                     ("/car/van-roots/papers", "#build-name", "#build-file",
                                      "#build-import")):  # fmt: skip
        page.goto(address)
        new = f"new-{len(held)}"
        page.locator(name).fill(new)
        page.locator(build).set_input_files(file)
        page.locator(button).click()
        page.get_by_text("3.0 of 12.0 MB arrived").wait_for()
        assert page.get_by_role("progressbar").evaluate("bar => bar.value / bar.max") == 0.25
        held[-1].continue_()
        page.wait_for_url(f"**/car/{new}/home")
        assert (bench.root / new / "gaskets" / "lid.toml").read_text() == LID


@pytest.mark.parametrize(
    "typed", ["[[[[", "x = " + "[" * 100_000, "hole = 3\n", "hole = [1]\nport = [{}]\n"],
    ids=["no TOML", "deep", "a number", "no rows"],
)  # fmt: skip
def test_what_was_typed_beside_an_outline_cannot_break_its_page(
    bench: Bench, tab: Any, typed: str
) -> None:
    """Faults in the scripts of the page fail the test, see `conftest`."""
    sent = zipped(("gaskets/lid.toml", LID.encode()), ("gaskets/lid.callipers.toml",
                  typed.encode()), ("gaskets/lid.joint.toml", typed.encode()))  # fmt: skip
    there = {"origin": bench.url, "content-type": "application/zip"}
    address = f"{bench.url}/api/archive?name=odd"
    assert httpx.post(address, content=sent, headers=there, timeout=30).status_code == 201
    page = go(tab(), "/car/odd/make?part=lid")
    page.locator("#found").wait_for()


@pytest.mark.parametrize("outline", ["version = 1\n", "[[[[", "x = " + "[" * 100_000])
def test_an_outline_that_cannot_be_read_is_told_on_its_page(
    app: FastAPI, tmp_path: Path, outline: str
) -> None:
    """It comes in as it went out; the page says what is wrong with it, and nothing else fails."""
    name = f"odd-{len(outline)}"
    sent = zipped(("gaskets/odd.toml", outline.encode()))
    answer = local(app).post(f"/api/archive?name={name}", content=sent, headers=ZIP)
    assert answer.status_code == 201
    shown = local(app).get(f"/api/car/{name}/make/odd")
    assert shown.status_code == 200 and shown.json()["fault"]["problem"]
    assert local(app).get(f"/car/{name}/make?part=odd").status_code == 200
