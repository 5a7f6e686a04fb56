"""Logs of a build for the pages: sent here, listed, and the made form of one thrown away.

What is sent waits under made/logs/ in a folder of its own until a job has brought it in. A name
from an address is looked up among the logs that exist and never joined to a path.
"""

from __future__ import annotations

import hashlib
import json
import re
import shutil
import tempfile
import threading
import time
import unicodedata
from contextlib import suppress
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from typing import Any

from fastapi import HTTPException

import keyturn
from keyturn.build.read import BUILD_FILE
from keyturn.errors import FileRefused
from keyturn.logs import remember
from keyturn.logs.frame import Recording, to_text
from keyturn.tasks import log as task
from keyturn.web.jobs import Job, Jobs
from keyturn.web.shelf import Car
from keyturn.web.traces import Traces

WORD = "log"  # of the jobs that bring in, judge and hand over
WAITING = ".upload-"  # folders of what was sent
BEING_READ = ".import-"  # folders of the task, left behind when it was killed
STALE = 600.0  # [s] without a write after which such a folder belongs to nobody
LONGEST = 120  # letters of a name
STRANGE = re.compile(r"[^\w .,()+=@~-]")
# what is made of a log here; its name goes before each
FORM = "2"  # of an answer that is kept; one of another form is worked out again
JUDGED, DERIVED = ".judged.json", ".derived.npz"


@dataclass(frozen=True)
class Log:
    """A log of a build, by the name of its original."""

    car: Car
    name: str

    @property
    def original(self) -> Path:
        return self.car.folder / task.ORIGINALS / self.name

    def made(self, ending: str) -> Path:
        return made_folder(self.car) / f"{self.name}{ending}"

    def recording(self) -> Recording | None:
        """As it was confirmed and made; None where it has to be made first."""
        try:
            return task.kept(self.car.folder / BUILD_FILE, self.name)
        except OSError:
            return None

    def made_files(self) -> list[Path]:
        ours = [self.made(ending) for ending in (JUDGED, DERIVED)]
        return [*task.made_files(self.car.folder, self.name), *ours]

    def made_bytes(self) -> int:
        return sum(_size(path) for path in self.made_files())

    def drop_made(self) -> None:
        """Throw away what can be made again; the original is not touched."""
        for path in self.made_files():
            with suppress(OSError):
                path.unlink()


def made_folder(car: Car) -> Path:
    return car.folder / task.MADE


def logs(car: Car) -> list[Log]:
    """Every log of a build, the newest first."""
    try:
        found = [Log(car, name) for name in task.recordings(car.folder / BUILD_FILE)]
        found = [log for log in found if not log.original.is_symlink()]
        return sorted(found, key=lambda log: (-log.original.stat().st_mtime, log.name))
    except OSError:
        return []


def log_of(car: Car, name: str) -> Log:
    """The log of that name."""
    found = next((log for log in logs(car) if log.name == name), None)
    if found is None:
        raise HTTPException(404, "there is no such log in this build")
    return found


def plain_name(said: str) -> str:
    """What a file calls itself, as a name and nothing else: no folder, no sign that means more."""
    last = re.split(r"[/\\]", unicodedata.normalize("NFC", said))[-1]
    name = STRANGE.sub("_", last).strip(" .")
    stem, dot, ending = name.rpartition(".")
    if dot and len(ending) <= 12:
        name = f"{stem[: LONGEST - len(ending) - 1].strip(' .')}.{ending}"
    name = name[:LONGEST].strip(" .")
    return "log.csv" if name in ("", remember.FILE) else name


def place_for(car: Car) -> Path:
    """The folder in which logs are made, there from now on."""
    folder = made_folder(car)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as fault:
        raise FileRefused(
            f"what was sent cannot be written: {fault.strerror}",
            advice="see that made is a folder of the build, and that there is room",
        ) from None
    return folder


def keep(car: Car, file: Path, name: str) -> Path:
    """What has come, under its name in a folder of its own."""
    folder = Path(tempfile.mkdtemp(dir=made_folder(car), prefix=WAITING))
    return file.rename(folder / name)


def key(car: Car, found: Recording) -> str:
    """What an answer on a log depends on: the build, the columns as taken, and this keyturn."""
    text = "\n".join((keyturn.__version__, FORM, car.revision(), to_text(found)))
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def judged(log: Log, found: Recording) -> dict[str, Any] | None:
    """The answer that is kept, where it is one on the build and the columns as they are now."""
    try:
        row = json.loads(log.made(JUDGED).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return row if isinstance(row, dict) and row.get("key") == key(log.car, found) else None


class Logs:
    """What one application holds of logs: traces looked at, and what was sent, by its job."""

    def __init__(self, jobs: Jobs) -> None:
        self.traces = Traces()
        self._jobs = jobs
        self._folders: dict[str, Path] = {}

    def bring(self, car: Car, file: Path) -> Job:
        """Start a job that reads a file and, once its columns are known, judges it."""
        arguments = {"folder": str(car.folder), "file": str(file)}
        job = self._jobs.start(car, WORD, "keyturn.web.log_work:bring", arguments)
        if file.parent.name.startswith(WAITING):
            self._folders[job.id] = file.parent
        return job

    def wake(self) -> None:
        """Load what reads a table beside what else is done: from the list a log is opened next."""
        threading.Thread(target=import_module, args=("polars",), daemon=True).start()

    def expect(self, found: Recording, names: list[str], derived: Path) -> None:
        """Read channels beside what else is done: the page that was sent will ask for them."""

        def read() -> None:
            with suppress(OSError, KeyError, ValueError):  # whoever asks for them is told
                self.traces.of(found, names, derived)

        threading.Thread(target=read, name="traces", daemon=True).start()

    def tidy(self, car: Car) -> None:
        """Throw away what is left of jobs that are over, stopped ones and killed ones too."""
        busy = {job.id for job in self._jobs.of(car.name) if not job.over}
        for number, folder in list(self._folders.items()):
            if folder.is_relative_to(car.folder) and number not in busy:
                shutil.rmtree(folder, ignore_errors=True)
                self._folders.pop(number, None)
        with suppress(OSError):
            for path in made_folder(car).iterdir():
                left = path.name.startswith((WAITING, BEING_READ)) and path.is_dir()
                if left and path not in self._folders.values() and _age(path) > STALE:
                    shutil.rmtree(path, ignore_errors=True)


def _age(folder: Path) -> float:
    """Seconds since anything in it was written."""
    seen = [path.stat().st_mtime for path in (folder, *folder.rglob("*"))]
    return time.time() - max(seen)


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0
