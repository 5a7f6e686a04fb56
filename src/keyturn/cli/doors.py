"""What crosses the edge of a command: changes typed as ``key=value``, text out, progress."""

from __future__ import annotations

import json
import os
import signal
import sys
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from keyturn.errors import Place, ValueRefused

if TYPE_CHECKING:
    from concurrent.futures import Executor

READER_GONE = 141


def changes(typed: Sequence[str]) -> dict[str, str]:
    """Take ``pump.count=2`` and its like apart; the build reader judges keys and values."""
    parted: dict[str, str] = {}
    for text in typed:
        key, sign, value = text.partition("=")
        key, value = key.strip(), value.strip()
        if not (key and sign and value):
            raise ValueRefused(
                "a change cannot be read",
                place=Place(key="--set"),
                typed=text,
                accepted="key=value with a key of build.toml, such as 'engine.redline=4500 rpm'",
            )
        if key in parted:
            raise ValueRefused(
                f"{key} is changed twice",
                place=Place(key="--set"),
                typed=text,
                advice="name each key once",
            )
        parted[key] = value
    return parted


def put(text: str) -> None:
    """Write to standard output; a reader that went away ends the command quietly."""
    try:
        sys.stdout.write(text if text.endswith("\n") else text + "\n")
        sys.stdout.flush()
    except BrokenPipeError:
        # the interpreter flushes once more when it ends; give it somewhere to write
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        raise SystemExit(READER_GONE) from None


def put_json(answer: Mapping[str, Any], target: str) -> None:
    """Write ``answer`` to standard output for ``-``, else to the file named ``target``."""
    text = json.dumps(answer, ensure_ascii=False, allow_nan=False) + "\n"
    if target == "-":
        put(text)
        return
    write({Path(target): text.encode()})


def write(files: Mapping[Path, bytes]) -> None:
    """Files of one folder appear together; several folders one after the other."""
    from keyturn.tasks.files import write_all

    folders: dict[Path, dict[str, bytes]] = {}
    for path, data in files.items():
        folders.setdefault(path.parent, {})[path.name] = data
    for folder, contents in folders.items():
        write_all(folder, contents)


@contextmanager
def progress(words: str) -> Iterator[None]:
    """Say on a terminal what is being done; say nothing into a file or a pipe."""
    shown = sys.stderr.isatty()
    if shown:
        sys.stderr.write(words + " ...")
        sys.stderr.flush()
    try:
        yield
    finally:
        if shown:
            sys.stderr.write("\r\033[K")
            sys.stderr.flush()


@contextmanager
def workers() -> Iterator[Executor]:
    """Processes for a large search; they start only when there is more than one piece of work."""
    from concurrent.futures import ProcessPoolExecutor

    # an interruption at the terminal ends them at once and without a word: this process has the say
    silent = (signal.SIGINT, signal.SIG_DFL)
    with ProcessPoolExecutor(initializer=signal.signal, initargs=silent) as pool:
        yield pool
