"""Writing answers to disk: all files of a set appear, or none does."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Mapping
from pathlib import Path

from keyturn.errors import FileRefused, Place


def write_all(folder: Path, contents: Mapping[str, bytes], mode: int = 0o666) -> tuple[Path, ...]:
    """Write the named files into ``folder``, made when it is not there, with ``mode`` at most.

    Everything is written beside its place first and moved there only when the whole set is on
    disk, so that an interruption or a full disk leaves what was there before.
    """
    staged: list[tuple[Path, Path]] = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, content in contents.items():
            staged.append((_stage(folder, name, content, mode), folder / name))
        for waiting, target in staged:
            os.replace(waiting, target)
    except OSError as error:
        raise FileRefused(
            f"cannot be written: {error.strerror or error}",
            place=Place(file=str(folder)),
            accepted="a folder that you may write to, with free space",
            advice="choose another folder, or change its permissions; nothing was changed",
        ) from error
    finally:
        for waiting, _ in staged:
            waiting.unlink(missing_ok=True)
    return tuple(target for _, target in staged)


def _stage(folder: Path, name: str, content: bytes, mode: int) -> Path:
    handle, waiting = tempfile.mkstemp(dir=folder, prefix=f".{name}.", suffix=".part")
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(content)
            stream.flush()
            os.fsync(stream.fileno())
        os.chmod(waiting, mode & ~_umask())
    except BaseException:
        Path(waiting).unlink(missing_ok=True)
        raise
    return Path(waiting)


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
