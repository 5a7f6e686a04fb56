"""Which builds there are under the folder that is served, and where each one is.

Every path that the web floor touches comes from here: a name from an address is looked up among
the folders that exist, never joined to a path.
"""

from __future__ import annotations

import hashlib
import re
import threading
import unicodedata
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

from keyturn.build.read import BUILD_FILE
from keyturn.errors import ValueRefused
from keyturn.web.missing import NoSuchCar

NAME = re.compile(r"[a-z0-9](?:[a-z0-9-]{0,38}[a-z0-9])?")
ACCEPTED = "small letters, digits and hyphens, at most 40, such as: red-pickup"


@dataclass
class Car:
    """One build folder; ``writing`` is held by whoever changes a file in it."""

    name: str
    folder: Path
    writing: threading.RLock = field(default_factory=threading.RLock)

    @property
    def file(self) -> Path:
        return self.folder / BUILD_FILE

    def revision(self) -> str:
        """Changes whenever build.toml does."""
        try:
            return hashlib.sha256(self.file.read_bytes()).hexdigest()[:16]
        except OSError:
            return ""


class Shelf:
    """The builds under ``root``; a root that is a build itself is the only one."""

    def __init__(self, root: Path) -> None:
        self.root = root.resolve()
        self._cars: dict[str, Car] = {}
        self._lock = threading.Lock()

    @property
    def single(self) -> bool:
        return (self.root / BUILD_FILE).is_file()

    def names(self) -> list[str]:
        """Names of all builds in alphabetical order."""
        return sorted(self._folders())

    def car(self, name: str) -> Car:
        """The build of that name; the same object as long as the server runs."""
        folder = self._folders().get(name)
        if folder is None:
            raise NoSuchCar(name)
        with self._lock:
            known = self._cars.get(name)
            if known is None or known.folder != folder:
                known = self._cars[name] = Car(name, folder)
            return known

    def place_for(self, name: str) -> Path:
        """Where a new build of that name goes; refused when the name cannot be taken."""
        if not NAME.fullmatch(name):
            raise ValueRefused("the name cannot be taken", typed=name, accepted=ACCEPTED)
        if self.single:
            raise ValueRefused(
                "this server shows one build only",
                advice="start it on a folder of builds: keyturn serve FOLDER",
            )
        target = self.root / name
        if target.exists():
            raise ValueRefused("there is a folder of that name already", typed=name,
                               advice="choose another name; nothing was changed")  # fmt: skip
        return target

    def _folders(self) -> dict[str, Path]:
        if self.single:
            return {slug(self.root.name): self.root}
        if not self.root.is_dir():
            return {}
        found = [
            folder
            for folder in sorted(self.root.iterdir())
            if not folder.is_symlink() and (folder / BUILD_FILE).is_file()
        ]
        named = Counter(slug(folder.name) for folder in found)
        return {_address(folder.name, named): folder for folder in found}


def _address(name: str, named: Counter[str]) -> str:
    """The name of a folder in an address; of folders that look alike there each has its own.

    A number that counts them would give an address to another car when one comes or goes.
    """
    plain = slug(name)
    if named[plain] == 1 or plain == name:
        return plain
    return f"{plain[:31]}-{hashlib.sha256(name.encode()).hexdigest()[:8]}"


def slug(name: str) -> str:
    """The name of a folder as it stands in an address, letters without their accents."""
    bare = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode()
    return re.sub(r"[^a-z0-9]+", "-", bare.lower()).strip("-")[:40].strip("-") or "build"
