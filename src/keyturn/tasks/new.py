"""Start a build folder from an invented example: written whole, or not at all."""

from __future__ import annotations

import os
import shutil
import tempfile
import tomllib
from importlib.resources import files
from pathlib import Path

from keyturn.build.read import BUILD_FILE
from keyturn.build.schema import nearest
from keyturn.errors import FileRefused, Place, ValueRefused

SUBFOLDERS = ("logs", "made")


def examples() -> list[tuple[str, str]]:
    """Name of each example and what it is."""
    folders = sorted((files("keyturn") / "examples").iterdir(), key=lambda item: item.name)
    return [
        (folder.name, str(tomllib.loads(_text(folder.name))["name"]))
        for folder in folders
        if (folder / BUILD_FILE).is_file()
    ]


def _text(example: str) -> str:
    return (files("keyturn") / "examples" / example / BUILD_FILE).read_text(encoding="utf-8")


def new(directory: str | Path, example: str) -> Path:
    """Make ``directory`` a build folder with the example's build.toml; returns that file.

    The folder is put together beside its place and moved there in one step, so that an
    interruption leaves nothing behind. A folder that holds anything is refused.
    """
    names = [name for name, _ in examples()]
    if example not in names:
        near = nearest(example, names)
        raise ValueRefused(
            "no such example", typed=example, accepted=", ".join(names),
            advice=f"did you mean {near}?" if near else "keyturn new --list",
        )  # fmt: skip
    target = Path(directory)
    place = Place(str(target))
    staged: Path | None = None
    try:
        if target.exists() and (not target.is_dir() or any(target.iterdir())):
            raise FileRefused(
                "is there already and is not empty", place, accepted="a new or an empty folder",
                advice="choose another name; nothing was changed",
            )  # fmt: skip
        target.parent.mkdir(parents=True, exist_ok=True)
        staged = Path(tempfile.mkdtemp(prefix=f".{target.name}.", dir=target.parent))
        _fill(staged, _text(example))
        os.replace(staged, target)
    except (OSError, ValueError) as fault:
        if isinstance(fault, FileRefused):
            raise
        raise FileRefused(
            f"cannot be written: {getattr(fault, 'strerror', None) or fault}", place,
            accepted="a place that you may write to",
            advice="choose another folder, or change its permissions; nothing was changed",
        ) from None  # fmt: skip
    finally:
        if staged is not None and staged.exists():
            shutil.rmtree(staged, ignore_errors=True)
    return target / BUILD_FILE


def _fill(folder: Path, text: str) -> None:
    folder.chmod(0o755)
    for name in SUBFOLDERS:
        (folder / name).mkdir()
    with (folder / BUILD_FILE).open("w", encoding="utf-8") as stream:
        stream.write(text)
        stream.flush()
        os.fsync(stream.fileno())
