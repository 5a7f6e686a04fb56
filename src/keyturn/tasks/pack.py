"""A whole build as one file: build.toml, a consistent copy of the journal, recordings, gaskets.

What is in made/ stays behind: it can be made again, or, as the photos of a part, taken again. The
outline says what came of them, with its uncertainty. The raw frames of a watch stay behind as well:
the recording beside them holds every value that was taken from them. The same build gives the same
bytes. A file that comes back is judged before anything of it is unpacked, unpacked beside its
place, read like any build, and moved there in one step.
"""

from __future__ import annotations

import os
import re
import shutil
import sqlite3
import stat
import tempfile
import unicodedata
import zipfile
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from keyturn.build.read import BUILD_FILE, load
from keyturn.errors import BuildError, FileRefused, Place
from keyturn.journal.store import JOURNAL_FILE, opened
from keyturn.tasks.new import SUBFOLDERS

LOGS, GASKETS = "logs", "gaskets"
# folders and names within logs/, and outlines, that every system can hold
PART = r"[^/\\:*?\"<>|\x00-\x1f\x7f]"
KEPT_NAME = re.compile(rf"logs(?:/{PART}{{1,120}}){{1,3}}|gaskets/{PART}{{1,115}}\.toml")
RAW_FRAMES = re.compile(r"logs/watch/[^/]+\.log")
RESERVED = re.compile(r"(?i)(con|prn|aux|nul|com\d|lpt\d)(\..*)?")
LONG_AGO = (1980, 1, 1, 0, 0, 0)  # the time of every member, so that equal builds are equal files
MIB = 1024 * 1024
CHUNK = MIB
Progress = Callable[[int, int], None]
METHODS = (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)
DIRECTORY_BYTES = 46  # least size of a member's entry in the directory of a zip file


@dataclass(frozen=True)
class Bounds:
    """What an archive may hold."""

    members: int = 2000
    member: int = 128 * MIB  # bytes of one file
    total: int = 256 * MIB  # bytes of all together
    ratio: float = 200.0  # unpacked over packed, of one file
    small: int = MIB  # bytes below which the ratio says nothing


def pack(folder: Path, target: Path, bounds: Bounds = Bounds()) -> int:
    """Write the build in ``folder`` to the file ``target``; how many files are in it.

    Refused where it would be too large to come in again.
    """
    with tempfile.TemporaryDirectory(prefix=".pack.", dir=target.parent) as beside:
        members = [(BUILD_FILE, folder / BUILD_FILE)]
        copy = Path(beside) / JOURNAL_FILE
        if (folder / JOURNAL_FILE).is_file():
            _copy_journal(folder, copy)
            members.append((JOURNAL_FILE, copy))
        members += _kept(folder)
        _come_in_again(members, bounds)
        made = Path(beside) / "whole"
        with zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as archive:
            for name, path in members:
                entry = zipfile.ZipInfo(name, LONG_AGO)
                entry.compress_type = zipfile.ZIP_DEFLATED
                entry.create_system = 3
                entry.external_attr = (stat.S_IFREG | 0o644) << 16
                with path.open("rb") as source, archive.open(entry, "w") as sink:
                    shutil.copyfileobj(source, sink, CHUNK)
        with _zip(made, bounds) as written:
            judged(written.infolist(), bounds)
        os.replace(made, target)
    return len(members)


def _copy_journal(folder: Path, copy: Path) -> None:
    """A copy that holds every entry which was acknowledged, also one that is still in the log."""
    with opened(folder):  # refuses a damaged or foreign journal with the usual words
        pass
    address = (folder / JOURNAL_FILE).absolute().as_uri() + "?mode=ro"
    with closing(sqlite3.connect(address, uri=True, timeout=5.0, isolation_level=None)) as source:
        source.execute("VACUUM INTO ?", (str(copy),))
    with closing(sqlite3.connect(copy, isolation_level=None)) as made:
        made.execute("PRAGMA schema_version = 1")  # counts copies of copies; all else is content


def _kept(folder: Path) -> list[tuple[str, Path]]:
    """Recordings and outlines; a folder that is a link leads elsewhere and is not followed."""
    homes = [folder / name for name in (GASKETS, LOGS)]
    found = [path for home in homes if not home.is_symlink() for path in sorted(home.rglob("*"))]
    named = [(path.relative_to(folder).as_posix(), path) for path in found
             if path.is_file() and not path.is_symlink()]  # fmt: skip
    return [
        (name, path) for name, path in named
        if KEPT_NAME.fullmatch(name) and not RAW_FRAMES.fullmatch(name)
    ]  # fmt: skip


def _come_in_again(members: list[tuple[str, Path]], bounds: Bounds) -> None:
    """An archive that no import would take is none."""
    sizes = {name: path.stat().st_size for name, path in members}
    largest = max(sizes, key=lambda name: sizes[name])
    if sizes[largest] <= bounds.member and sum(sizes.values()) <= bounds.total:
        return
    raise FileRefused(
        f"the build is too large for one file: {sum(sizes.values()) / MIB:.0f} MiB,"
        f" {largest} alone {sizes[largest] / MIB:.0f} MiB",
        Place(file=LOGS),
        accepted=f"{bounds.total // MIB} MiB in all, {bounds.member // MIB} MiB in one file",
        advice="keep a copy of the largest logs elsewhere, take them out of logs/, export again",
    )


def unpack(
    archive: Path, target: Path, bounds: Bounds = Bounds(), progress: Progress | None = None
) -> Path:
    """Make ``target``, which is not there yet, the build that ``archive`` holds.

    ``progress`` is called with the bytes that are unpacked, and with those of all.
    """
    staged = Path(tempfile.mkdtemp(prefix=".unpack.", dir=target.parent))
    try:
        with _zip(archive, bounds) as source:
            members = judged(source.infolist(), bounds)
            whole, done = sum(member.file_size for member in members), 0
            for member in members:
                _write(source, member, staged)
                done += member.file_size
                if progress is not None:
                    progress(done, whole)
        for name in SUBFOLDERS:
            (staged / name).mkdir(exist_ok=True)
        _read_back(staged)
        staged.chmod(0o755)
        if target.exists():  # os.replace would take the place of an empty folder
            raise _refusal("there is a folder of that name already", "choose another name")
        os.replace(staged, target)
    except OSError as fault:
        raise _refusal(f"it cannot be unpacked: {fault.strerror or fault}", "make room") from None
    finally:
        shutil.rmtree(staged, ignore_errors=True)
    return target


def _zip(archive: Path, bounds: Bounds) -> zipfile.ZipFile:
    """The archive, opened; its directory is bounded before it is read into memory."""
    try:
        count, size = _announced(archive)
        if count > bounds.members or size > bounds.members * (DIRECTORY_BYTES + 512):
            raise _refusal(f"it holds more than {bounds.members} files")
        return zipfile.ZipFile(archive)
    except (zipfile.BadZipFile, NotImplementedError, ValueError, EOFError) as fault:
        if isinstance(fault, BuildError):
            raise
        raise _refusal("it is not a whole zip file", "send it again") from None


def _announced(archive: Path) -> tuple[int, int]:
    """Number of members and bytes of the directory, as the end of the file states them."""
    with archive.open("rb") as stream:
        size = stream.seek(0, os.SEEK_END)
        stream.seek(max(0, size - 65_557))  # the record and the longest comment behind it
        tail = stream.read()
    at = tail.rfind(b"PK\x05\x06")
    if at < 0 or len(tail) < at + 22:
        raise _refusal("it is not a whole zip file", "send it again")
    count = int.from_bytes(tail[at + 10 : at + 12], "little")
    length = int.from_bytes(tail[at + 12 : at + 16], "little")
    return count, length


def judged(members: list[zipfile.ZipInfo], bounds: Bounds) -> list[zipfile.ZipInfo]:
    """The files of an archive, when there is nothing wrong with any of them."""
    if len(members) > bounds.members:
        raise _refusal(f"it holds more than {bounds.members} files")
    seen: set[str] = set()
    total = 0
    for member in members:
        _judge_name(member)
        _judge_kind(member)
        # two names that one of the usual file systems takes for the same
        plain = unicodedata.normalize("NFC", member.filename.rstrip("/")).casefold()
        if plain in seen:
            raise _refusal("it holds the same name twice", typed=member.filename)
        seen.add(plain)
        total += member.file_size
        if member.file_size > bounds.member or total > bounds.total:
            raise _refusal("it would be too large once unpacked", typed=member.filename)
        is_large = member.file_size > bounds.small
        if is_large and member.file_size > bounds.ratio * max(1, member.compress_size):
            raise _refusal("it is packed too tightly to be a recording", typed=member.filename)
    if BUILD_FILE not in seen:
        raise _refusal(f"there is no {BUILD_FILE} in it")
    return [member for member in members if not member.is_dir()]


def _judge_name(member: zipfile.ZipInfo) -> None:
    name = member.filename
    parts = PurePosixPath(name).parts
    homes = (f"{LOGS}/", f"{GASKETS}/")
    if name in (BUILD_FILE, JOURNAL_FILE) or (member.is_dir() and name in homes):
        return
    is_known = KEPT_NAME.fullmatch(name.rstrip("/")) and name == member.orig_filename
    is_known = is_known and not (member.is_dir() and name.startswith(homes[1]))
    is_tame = all(
        part not in (".", "..") and part[-1] not in ". " and not RESERVED.fullmatch(part)
        for part in parts
    )
    if (
        not (is_known and is_tame)
        or "//" in name
        or name != "/".join(parts) + ("/" if member.is_dir() else "")
    ):
        raise _refusal("it holds a name that is not known", typed=name)


def _judge_kind(member: zipfile.ZipInfo) -> None:
    kind = stat.S_IFMT(member.external_attr >> 16)
    wanted = (0, stat.S_IFDIR) if member.is_dir() else (0, stat.S_IFREG)
    if kind not in wanted:
        raise _refusal("it holds something that is no plain file", typed=member.filename)
    if member.flag_bits & 0x1 or member.compress_type not in METHODS:
        raise _refusal("it is locked or packed in a way that is not taken", typed=member.filename)


def _write(source: zipfile.ZipFile, member: zipfile.ZipInfo, folder: Path) -> None:
    """One file, counted while it is unpacked: what the directory announced is not believed."""
    target = folder / member.filename
    target.parent.mkdir(parents=True, exist_ok=True)
    left = member.file_size  # at most what the bounds allow, see `judged`
    try:
        with source.open(member) as stream, target.open("xb") as sink:
            while chunk := stream.read(CHUNK):
                left -= len(chunk)
                if left < 0:
                    raise _refusal("it is larger than it says", typed=member.filename)
                sink.write(chunk)
            if left:
                raise _refusal("it is smaller than it says", typed=member.filename)
            os.fsync(sink.fileno())
    except (zipfile.BadZipFile, EOFError, NotImplementedError, RuntimeError) as fault:
        if isinstance(fault, BuildError):
            raise
        raise _refusal("it is damaged", "send it again", typed=member.filename) from None
    except Exception as fault:
        if type(fault).__module__ != "zlib":
            raise
        raise _refusal("it is damaged", "send it again", typed=member.filename) from None


def _read_back(folder: Path) -> None:
    """The build and the journal, read the way they will be; names stay within the archive."""
    try:
        load(folder)
        with opened(folder) as book:
            book.entries()
    except BuildError as fault:
        raise _within(fault, folder) from None
    for suffix in ("-wal", "-shm"):
        (folder / (JOURNAL_FILE + suffix)).unlink(missing_ok=True)


def _within(fault: BuildError, folder: Path) -> BuildError:
    """The same fault with the name that a file has in the archive."""
    faults = getattr(fault, "faults", None)
    if faults is not None:
        return type(fault)([_within(item, folder) for item in faults])  # type: ignore[arg-type]
    file = Path(fault.place.file or "").name
    place = Place(file or None, fault.place.line, fault.place.key)
    return type(fault)(fault.problem, place, fault.typed, fault.accepted, fault.advice)


def _refusal(problem: str, advice: str | None = None, typed: str | None = None) -> FileRefused:
    return FileRefused(
        f"the archive cannot be taken: {problem}", typed=typed and ascii(typed)[:200],
        accepted=f"an export of a build: {BUILD_FILE}, {JOURNAL_FILE}, {LOGS}/, {GASKETS}/",
        advice=f"{advice}; nothing was changed" if advice else "nothing was changed",
    )  # fmt: skip
