"""Reading a build folder: the file as bytes, the document, the changes, and then the `Build`."""

from __future__ import annotations

import copy
import tomllib
from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path
from typing import Any

from keyturn.build.assemble import assemble
from keyturn.build.lines import key_lines
from keyturn.build.model import Build
from keyturn.build.paste import set_key
from keyturn.build.unstated import worth_knowing
from keyturn.build.values import Context, as_typed
from keyturn.errors import BuildError, BuildErrors, FileRefused, Place, ValueRefused

BUILD_FILE = "build.toml"
MOST_BYTES = 1_000_000
MOST_DEPTH = 12


def load(path: str | Path, changes: Mapping[str, Any] | None = None) -> Build:
    """The build in ``path``, a build folder or its build.toml.

    ``changes`` maps dotted keys ("pump.flow", "feed.2.diameter", lists count from 1) to new
    values, which are tried without touching the file.

    Raises
    ------
    BuildError
        One fault, or `BuildErrors` with all faults that were found.
    """
    file = build_path(path)
    text = read_text(file)
    return from_text(text, str(file), changes) if changes else _as_it_stands(text, str(file))


@lru_cache(maxsize=8)
def _as_it_stands(text: str, file: str) -> Build:
    """Frozen, so that all who ask while the text is the same may share it."""
    return from_text(text, file)


def build_path(path: str | Path) -> Path:
    """The build.toml of a build folder, or the file itself."""
    try:
        given = Path(path)
        return given / BUILD_FILE if given.is_dir() else given
    except (OSError, ValueError) as fault:
        raise FileRefused("not a path", Place(as_typed(str(path))), advice=str(fault)) from None


def read_text(file: Path) -> str:
    """The text of a build file; everything that is no such text is refused with a reason."""
    place = Place(str(file))
    try:
        with file.open("rb") as stream:
            raw = stream.read(MOST_BYTES + 1)
    except FileNotFoundError:
        raise FileRefused(
            "there is no such file", place, accepted=f"a folder that holds {BUILD_FILE}",
            advice="check the path, or make one with: keyturn new DIR --example NAME",
        ) from None  # fmt: skip
    except (OSError, ValueError) as fault:
        reason = getattr(fault, "strerror", None) or str(fault)
        raise FileRefused(
            f"cannot be read: {reason}", place, advice="check its permissions and its path"
        ) from None
    if len(raw) > MOST_BYTES:
        raise FileRefused(
            "is far too large for a build file", place, accepted=f"at most {MOST_BYTES} bytes",
            advice="recordings belong in logs/, not in build.toml",
        )  # fmt: skip
    if not raw.strip():
        raise FileRefused(
            "is empty", place, advice="start from an example: keyturn new DIR --example NAME"
        )
    if b"\0" in raw:
        raise FileRefused("is not a text file", place, accepted="TOML, UTF-8 text")
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as fault:
        line = raw[: fault.start].count(b"\n") + 1
        raise FileRefused(
            f"is not UTF-8 text (byte {fault.start + 1})", Place(str(file), line),
            accepted="UTF-8", advice="save it again as UTF-8 in your editor",
        ) from None  # fmt: skip


def parse_document(text: str, file: str) -> dict[str, Any]:
    """The tables of a TOML text."""
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as fault:
        line = _line_in(str(fault))
        raise FileRefused(
            f"is not TOML: {fault}", Place(file, line), typed=_nth_line(text, line),
            accepted='lines such as: set = "43.5 psi"',
            advice="look for a missing quote or bracket on that line or the one before",
        ) from None  # fmt: skip
    except (RecursionError, ValueError):
        raise FileRefused("is not TOML that can be read", Place(file)) from None


def _line_in(message: str) -> int | None:
    words = message.partition("at line ")[2].split(",")[0]
    return int(words) if words.isdigit() else None


def _nth_line(text: str, line: int | None) -> str | None:
    lines = text.splitlines()
    return as_typed(lines[line - 1].strip()) if line and line <= len(lines) else None


def from_text(
    text: str,
    file: str = BUILD_FILE,
    changes: Mapping[str, Any] | None = None,
    *,
    options: bool = True,
) -> Build:
    """The build described by a TOML text; without ``options`` those are taken as they stand."""
    document = parse_document(text, file)
    lines = key_lines(text)
    if changes:
        document = copy.deepcopy(document)
        for key, new in changes.items():
            set_key(document, key, new, Place(file, None, key))
            lines[key] = 0  # a fault in it is not on any line of the file
    built = _assembled(document, file, lines)
    if options:
        _try_options(built, document, file, lines)
    return built.model_copy(update={"missing": worth_knowing(built)})


def _assembled(document: Mapping[str, Any], file: str, lines: dict[str, int]) -> Build:
    context = Context(file, lines)
    built = assemble(document, context)
    if built is not None:
        return built
    if len(context.errors) == 1:
        raise context.errors[0]
    raise BuildErrors(context.errors)


def _try_options(
    built: Build, document: Mapping[str, Any], file: str, lines: dict[str, int]
) -> None:
    """Every option must give a build that can be read, or it could never be judged."""
    bare = {name: table for name, table in document.items() if name != "option"}
    faults: list[BuildError] = []
    for number, option in enumerate(built.options, start=1):
        changed = copy.deepcopy(bare)
        place = Place(file, lines.get(f"option.{number}"), f"option.{number}.changes")
        try:
            for key, new in option.changes.items():
                set_key(changed, key, new, place)
            _assembled(changed, file, lines)
        except BuildErrors as group:
            faults += [_of_option(fault, place) for fault in group.faults]
        except BuildError as fault:
            faults.append(_of_option(fault, place))
    if len(faults) == 1:
        raise faults[0]
    if faults:
        raise BuildErrors(faults)


def _of_option(fault: BuildError, place: Place) -> BuildError:
    return ValueRefused(
        f"with this option, {fault.place.key or 'the build'}: {fault.problem}", place,
        fault.typed, fault.accepted, fault.advice,
    )  # fmt: skip
