"""Flat parts of a build: outlines in gaskets/, photos and overlays in made/gaskets/.

A name from an address is looked up among the files that exist. What a page changed is kept as the
texts before, so that Undo works after a reload and a restart.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from fastapi import HTTPException

from keyturn.errors import FileRefused, ValueRefused
from keyturn.making.outline_file import from_text
from keyturn.making.outline_rewrite import rewritten
from keyturn.making.shape import Outline
from keyturn.tasks.files import write_all
from keyturn.tasks.gasket import MOST_PHOTOS, read_text
from keyturn.web.faults import Stale
from keyturn.web.shelf import ACCEPTED, NAME, Car

FOLDER = "gaskets"
HISTORY, SEEN, FLAT = "history.json", "seen.json", "flat.jpg"
MOST_BEFORE = 20  # texts that Undo can go back to
MOST_PARTS = 60


@dataclass(frozen=True)
class Part:
    """One flat part of a build; its outline need not be there yet."""

    car: Car
    name: str

    @property
    def file(self) -> Path:
        return self.car.folder / FOLDER / f"{self.name}.toml"

    @property
    def made(self) -> Path:
        """What belongs to it and can be made again: photos, overlay, texts before."""
        return self.car.folder / "made" / FOLDER / self.name

    @property
    def there(self) -> bool:
        return self.file.is_file()

    def text(self) -> str:
        return read_text(self.file)

    def outline(self) -> Outline:
        return from_text(self.text(), self.file.name)

    def revision(self) -> str:
        """Changes whenever the outline does; empty without one."""
        try:
            return hashlib.sha256(self.file.read_bytes()).hexdigest()[:16]
        except OSError:
            return ""

    def photos(self) -> list[Path]:
        """What was sent, in order."""
        folder = self.made
        if not folder.is_dir() or folder.is_symlink():
            return []
        return sorted(
            path for path in folder.glob("photo-[1-5].*") if path.suffix in (".jpg", ".png")
        )

    def keep_photo(self, number: int, data: bytes, ending: str) -> None:
        """One photo in its place; an older one of that number goes."""
        if not 1 <= number <= MOST_PHOTOS:
            raise ValueRefused("that many photos cannot be taken together", typed=str(number),
                               accepted=f"1 to {MOST_PHOTOS}")  # fmt: skip
        before = [path for path in self.photos() if path.stem == f"photo-{number}"]
        (kept,) = write_all(self.made, {f"photo-{number}.{ending}": data}, 0o600)
        for path in before:
            if path != kept:
                path.unlink(missing_ok=True)

    def drop_photos(self) -> None:
        for path in self.photos():
            path.unlink(missing_ok=True)

    def write(
        self, part: Outline, seen_revision: str | None = None, *, fresh: bool = False
    ) -> None:
        """The outline as it is now; the text before goes to what Undo can bring back.

        Comments of the text before stay, unless the outline is a ``fresh`` one.
        """
        if seen_revision is not None and seen_revision != self.revision():
            raise Stale("outline", None, self.revision())
        before, text = self.before(), self.text() if self.there else ""
        if text:
            before = [*before, text][-MOST_BEFORE:]
        made = rewritten("" if fresh else text, part)
        write_all(self.file.parent, {self.file.name: made.encode()})
        self._remember(before)

    def before(self) -> list[str]:
        """Texts that were there before, oldest first; what cannot be read counts as nothing."""
        try:
            texts = json.loads((self.made / HISTORY).read_text(encoding="utf-8"))["texts"]
        except (OSError, ValueError, KeyError, TypeError):
            return []
        return [text for text in texts if isinstance(text, str)] if isinstance(texts, list) else []

    def undo(self, seen_revision: str) -> None:
        """Back to the text before."""
        if seen_revision != self.revision():
            raise Stale("outline", None, self.revision())
        before = self.before()
        if not before:
            raise ValueRefused("there is nothing to take back", advice="nothing was changed")
        from_text(before[-1])  # refused before the file is touched
        write_all(self.file.parent, {self.file.name: before[-1].encode()})
        self._remember(before[:-1])

    def _remember(self, texts: list[str]) -> None:
        write_all(self.made, {HISTORY: json.dumps({"texts": texts}).encode()}, 0o600)

    def typed(self, kind: str) -> dict[str, Any]:
        """What was typed for "joint" or "callipers", in NAME.KIND.toml; empty without it."""
        import tomllib

        path = self.file.with_suffix(f".{kind}.toml")
        try:
            return tomllib.loads(read_text(path)) if path.is_file() else {}
        except (FileRefused, tomllib.TOMLDecodeError, RecursionError):
            return {}

    def keep_typed(self, kind: str, text: str) -> None:
        path = self.file.with_suffix(f".{kind}.toml")
        write_all(path.parent, {path.name: text.encode()})


def parts(car: Car) -> list[Part]:
    """Every part of a build, by name; those with photos only as well."""
    names = set()
    outlines, photos = car.folder / FOLDER, car.folder / "made" / FOLDER
    if outlines.is_dir() and not outlines.is_symlink():
        names |= {path.stem for path in outlines.glob("*.toml") if path.is_file()}
    if photos.is_dir() and not photos.is_symlink():
        names |= {path.name for path in photos.iterdir() if path.is_dir() and not path.is_symlink()}
    return [Part(car, name) for name in sorted(names) if NAME.fullmatch(name)]


def part_of(car: Car, name: str) -> Part:
    """The part of that name."""
    found = next((part for part in parts(car) if part.name == name), None)
    if found is None:
        raise HTTPException(404, "there is no such part in this build")
    return found


def outlined(car: Car, name: str) -> Part:
    """A part that has an outline."""
    found = part_of(car, name)
    if not found.there:
        raise HTTPException(404, "there is no outline of that part yet")
    return found


def place_for(car: Car, name: str) -> Part:
    """The part of that name, or where a new one goes."""
    if not NAME.fullmatch(name):
        raise ValueRefused("the name cannot be taken", typed=name[:60], accepted=ACCEPTED)
    known = parts(car)
    if len(known) >= MOST_PARTS and all(part.name != name for part in known):
        raise ValueRefused("there are too many parts in this build", accepted=f"{MOST_PARTS}",
                           advice="take some out of the folder gaskets")  # fmt: skip
    return Part(car, name)


# --- the trace, in a process of its own ---------------------------------------------------------
def trace(
    progress: Callable[[int, int, str], None], folder: str, name: str, said: dict[str, Any],
    scanned: bool,
) -> dict[str, Any]:  # fmt: skip
    """Trace the pictures of a part; outline, flat picture and overlay appear when all is done."""
    from keyturn.tasks import gasket as task
    from keyturn.web.overlay import flat_picture, seen_rows

    part = Part(Car(Path(folder).name, Path(folder)), name)
    source = task.source_of(said, scanned=scanned, name=name)
    found = task.trace(part.photos(), source, progress)
    outline = task.outline_of(found, source)
    picture, place = flat_picture(found, source.mirror)
    rows = {"place": place, "features": seen_rows(found, source.mirror)}
    write_all(part.made, {FLAT: picture, SEEN: json.dumps(rows, allow_nan=False).encode()}, 0o600)
    part.write(outline, fresh=True)
    return {"part": name}
