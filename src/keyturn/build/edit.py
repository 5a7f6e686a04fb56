"""Changing one key of build.toml: comments and order survive, the file is whole at all times."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path
from typing import Any

from keyturn.build.paste import set_key
from keyturn.build.read import build_path, from_text, parse_document, read_text
from keyturn.errors import FileRefused, Place


def set_value(path: str | Path, key: str, text: Any) -> None:
    """Set a dotted key ("pump.flow", "feed.2.diameter") of a build folder or build.toml.

    The changed text is read as a build before it is written, so that an edit never leaves a file
    behind that cannot be read. Text that is a TOML value is taken as that, other text as text.
    """
    import tomlkit

    file = build_path(path)
    before = read_text(file)
    parse_document(before, str(file))
    document = tomlkit.parse(before)
    set_key(document, key, text, Place(str(file), None, key))
    after = tomlkit.dumps(document)
    from_text(after, str(file))
    write_whole(file, after)


def write_whole(file: Path, text: str) -> None:
    """Write beside the file and move it there: the old text or the new, never a part."""
    waiting: Path | None = None
    try:
        handle, name = tempfile.mkstemp(dir=file.parent, prefix=f".{file.name}.", suffix=".part")
        waiting = Path(name)
        with os.fdopen(handle, "w", encoding="utf-8", newline="") as stream:
            stream.write(text)
            stream.flush()
            os.fsync(stream.fileno())
        if file.exists():
            waiting.chmod(file.stat().st_mode & 0o777)
        os.replace(waiting, file)
    except OSError as fault:
        raise FileRefused(
            f"cannot be written: {fault.strerror or fault}", Place(str(file)),
            accepted="a folder that you may write to, with free space",
            advice="change its permissions; nothing was changed",
        ) from None  # fmt: skip
    finally:
        if waiting is not None:
            waiting.unlink(missing_ok=True)
