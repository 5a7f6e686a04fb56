"""Readings from a TOML or CSV file: one row each, with the line that it stands on."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from keyturn.build.lines import key_lines
from keyturn.build.read import parse_document
from keyturn.errors import FileRefused, Place, ValueRefused

MOST_BYTES = 5_000_000
Row = tuple[Place, dict[str, str] | ValueRefused]  # what was read, or why it cannot be


def file_text(path: Path, most: int = MOST_BYTES) -> str:
    """The text of a file of readings or of an export."""
    place = Place(str(path))
    try:
        with path.open("rb") as stream:
            raw = stream.read(most + 1)
        if len(raw) > most:
            raise FileRefused("is too large", place, accepted=f"at most {most} bytes")
        return text_of(raw, str(path))
    except (OSError, ValueError) as fault:
        if isinstance(fault, FileRefused):
            raise
        reason = getattr(fault, "strerror", None) or str(fault)
        raise FileRefused(f"cannot be read: {reason}", place, advice="check the path") from None


def text_of(raw: bytes, file: str) -> str:
    """What the bytes of a file say."""
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as fault:
        line = fault.object[: fault.start].count(b"\n") + 1
        raise FileRefused(
            "is not UTF-8 text", Place(file, line), advice="save it again as UTF-8"
        ) from None


def rows(text: str, file: str) -> Iterator[Row]:
    """Every row of a file, in its order."""
    if Path(file).suffix.lower() == ".toml":
        return _toml(text, file)
    if Path(file).suffix.lower() == ".csv":
        return _csv(text, file)
    raise FileRefused("is neither .toml nor .csv", Place(file), accepted="a .toml or a .csv file")


def _toml(text: str, file: str) -> Iterator[Row]:
    document = parse_document(text, file)
    lines = key_lines(text)
    for key in document:
        if key != "reading":
            raise FileRefused(
                f"no such table: {key}", Place(file, lines.get(key) or None),
                accepted="[[reading]] tables",
            )  # fmt: skip
    tables = document.get("reading")
    if not isinstance(tables, list) or not tables:
        raise FileRefused("holds no readings", Place(file), accepted="[[reading]] tables")
    for number, table in enumerate(tables, start=1):
        place = Place(file, lines.get(f"reading.{number}"))
        if not isinstance(table, dict):
            yield place, ValueRefused("not a [[reading]] table", place)
            continue
        odd = [key for key, value in table.items() if isinstance(value, (dict, list))]
        if odd:
            yield place, ValueRefused(f"{odd[0]} is a list or a table, not one value", place)
        else:
            yield place, {key: _word(value) for key, value in table.items()}


def _word(value: Any) -> str:
    return ("yes" if value else "no") if isinstance(value, bool) else str(value)


def _csv(text: str, file: str) -> Iterator[Row]:
    if "\0" in text:
        raise FileRefused("is not a text file", Place(file), accepted="CSV, UTF-8 text")
    first = next((line for line in text.splitlines() if _counts(line)), "")
    reader = csv.reader(
        io.StringIO(text, newline=""), delimiter=";" if ";" in first else ",", strict=True
    )
    header: list[str] = []
    while True:
        # a field may hold line ends: the row begins on the line after the last one read
        place = Place(file, reader.line_num + 1)
        try:
            cells = next(reader)
        except StopIteration:
            break
        except csv.Error as fault:
            raise FileRefused(f"is not CSV: {fault}", place, advice="look for a quote") from None
        if not any(cell.strip() for cell in cells) or cells[0].lstrip().startswith("#"):
            continue
        if not header:
            header = [cell.strip().lower().replace(" ", "_") for cell in cells]
            if len(set(header)) != len(header):
                raise FileRefused("has a column twice", place)
        elif len(cells) > len(header) and any(cell.strip() for cell in cells[len(header) :]):
            yield place, ValueRefused(
                f"{len(cells)} cells, but {len(header)} columns", place,
                advice="put a text that holds the separator in quotes",
            )  # fmt: skip
        else:
            filled = zip(header, cells, strict=False)
            yield place, {name: cell.strip() for name, cell in filled if cell.strip()}
    if not header:
        raise FileRefused("holds no readings", Place(file), accepted="a first line of columns")


def _counts(line: str) -> bool:
    return bool(line.strip()) and not line.lstrip().startswith("#")
