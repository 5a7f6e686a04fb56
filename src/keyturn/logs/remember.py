"""Mappings that were confirmed once, in logs/mapping.toml: a logger keeps its columns."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from pathlib import Path

import tomlkit
from tomlkit.exceptions import TOMLKitError

from keyturn.errors import FileRefused, Place
from keyturn.logs.table import Table

FILE = "mapping.toml"
HEAD = "How the columns of your loggers are taken; written when you confirm a log. Edit at will."


def signature(table: Table) -> list[str]:
    """What a logger's files have in common: its columns with their units, in order."""
    return [
        f"{name} [{unit}]" if unit else name
        for name, unit in zip(table.columns, table.units, strict=True)
    ]


def recall(folder: Path, table: Table) -> dict[str, str] | None:
    """The mapping confirmed for a log with the same columns, or None."""
    wanted = signature(table)
    for row in _rows(folder / FILE):
        channels = row.get("channels")
        if row.get("columns") == wanted and isinstance(channels, dict):
            return {str(name): str(words) for name, words in channels.items()}
    return None


def text_with(folder: Path, table: Table, channels: Mapping[str, str]) -> bytes:
    """The file as it shall be once this mapping stands in it; other rows are left as they are."""
    path = folder / FILE
    wanted = signature(table)
    _rows(path)
    if path.exists():
        document = tomlkit.parse(path.read_text(encoding="utf-8"))
    else:
        document = tomlkit.document()
        document.add(tomlkit.comment(HEAD))
    rows = document.get("log")
    if rows is None:
        rows = tomlkit.aot()
        document["log"] = rows
    inner = tomlkit.table()
    for name, words in channels.items():
        inner[name] = words
    for row in rows:
        if list(row.get("columns", [])) == wanted:
            row["channels"] = inner
            break
    else:
        fresh = tomlkit.table()
        fresh["columns"] = wanted
        fresh["channels"] = inner
        rows.append(fresh)
    return tomlkit.dumps(document).encode()


def _rows(path: Path) -> list[dict[str, object]]:
    if not path.exists():
        return []
    try:
        found = tomllib.loads(path.read_text(encoding="utf-8")).get("log", [])
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError, TOMLKitError) as error:
        raise FileRefused(
            f"the remembered mappings cannot be read: {error}",
            place=Place(file=f"logs/{FILE}"),
            advice="put the file right, or delete it and confirm your next log again",
        ) from None
    return [row for row in found if isinstance(row, dict)] if isinstance(found, list) else []
