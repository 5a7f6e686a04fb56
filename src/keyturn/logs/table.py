"""From a text file to a table of ours of the same numbers, in bounded memory.

A plain file goes through polars as it stands. A file that polars would refuse or misread (quotes,
two bytes a sign, rows of the wrong width, thousands marks) is first written out line by line as
plain text; rows that cannot be rows of the table are refused there by their line, the others kept.

The table is an Arrow file: written at the speed of the disk, and read back without any decoding.
The numbers of a short log are also held while it is brought in: they are judged while the table is
still being written, and not read back for it.
Numbers of up to six digits are stored in four bytes, all others and everything that may be a clock
in eight.
"""

from __future__ import annotations

import csv
import os
import tempfile
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

from keyturn.errors import FileRefused, Place
from keyturn.logs.sniff import EMPTY, Dialect, split

if TYPE_CHECKING:
    import polars as pl

LARGEST = 8 << 30  # bytes of a text file
HELD = 1 << 28  # bytes of a text file whose numbers are held; a longer one is streamed
BATCH = 1 << 17  # rows that are written together
CHUNK = 1 << 24
SHOWN = 100  # refused rows that are kept with their line
# A unit separator: stands in no log, so that whatever else stands in a cell does no harm.
INSIDE = "\x1f"


@dataclass(frozen=True)
class Table:
    """What was read: columns of the table in order, and what was refused."""

    path: Path
    columns: tuple[str, ...]
    units: tuple[str, ...]  # as a row of units said, else ""
    rows: int
    refused: tuple[tuple[int, str], ...] = ()
    refused_rows: int = 0
    notes: tuple[str, ...] = ()
    frame: pl.DataFrame | None = field(default=None, repr=False, compare=False)  # if still held
    writing: Future[None] | None = field(default=None, repr=False, compare=False)

    def part(self, names: list[str], start: int = 0, length: int | None = None) -> pl.DataFrame:
        """Rows of some columns; held ones without polars' engine, which may be at the writing."""
        if self.frame is not None:
            return self.frame[names].slice(start, length)
        return self.lazy().select(names).slice(start, length).collect()

    def settled(self) -> Table:
        """The same once all of it lies on the disk; an OSError where it cannot."""
        if self.writing is not None:
            self.writing.result()
        return replace(self, writing=None)

    def lazy(self) -> pl.LazyFrame:
        """The numbers, from memory where they are held."""
        import polars as pl

        return pl.scan_ipc(self.path) if self.frame is None else self.frame.lazy()


def convert(source: Path, dialect: Dialect, target: Path, largest: int = LARGEST) -> Table:
    """Write the table of ``source`` to ``target``; refuses what holds no usable row.

    ``largest`` is in bytes.
    """
    return begin(source, dialect, target, largest).settled()


def begin(source: Path, dialect: Dialect, target: Path, largest: int = LARGEST) -> Table:
    """As `convert`, but the table may still be on its way to the disk."""
    size = source.stat().st_size
    if size > largest:
        raise FileRefused(
            f"the file is too large: {size / 1e6:.0f} MB",
            place=Place(file=source.name),
            accepted=f"up to {largest / 1e6:.0f} MB",
            advice="cut the log into drives and give them one by one",
        )
    table = _straight(source, dialect, target) if dialect.plain else None
    if table is None:
        table = _by_line(source, dialect, target)
    if table.rows < 2:
        raise FileRefused(
            "the file holds fewer than two rows of numbers",
            place=Place(file=source.name),
            accepted="rows with a time and at least one more channel",
            advice="start the logger before the engine and stop it after, then give that file",
        )
    notes = (*dialect.notes, *table.notes)
    if not dialect.headed:
        notes = ("the columns have no names; they are told apart by their numbers only", *notes)
    return replace(table, notes=notes)


def _straight(source: Path, dialect: Dialect, target: Path) -> Table | None:
    """Polars on the file itself; None where it refuses, or may have filled short rows up."""
    import polars as pl

    if dialect.decimal == "," and _points(source):
        # polars would take the thousands mark of 4.420 for a decimal point without a word
        return None

    lazy = pl.scan_csv(
        source,
        has_header=False,
        skip_lines=dialect.first,
        separator=dialect.separator,
        decimal_comma=dialect.decimal == ",",
        schema=dict(zip(dialect.names, _types(dialect), strict=True)),
        quote_char=None,
        encoding="utf8-lossy" if dialect.encoding == "cp1252" else "utf8",
    )
    # a file of its own: what polars began and gave up must not meet what is written after it
    begun = target.with_name(f"{target.name}.begun")
    frame = None
    try:
        if source.stat().st_size > HELD:
            sink(lazy, begun)
        else:
            frame = lazy.collect()
    except unread():
        begun.unlink(missing_ok=True)
        return None
    table = Table(begun, dialect.names, dialect.units, 0, frame=frame)
    last = pl.col(dialect.names[-1])
    counts = table.lazy().select(last.len().alias("rows"), last.null_count().alias("empty"))
    rows, empty = counts.collect().row(0)
    if empty:
        # an empty last cell is how polars fills a row that is too short
        blank = table.lazy().select(pl.all_horizontal(pl.all().is_null()).sum()).collect().item()
        if blank or empty < rows or not _ends_empty(source, dialect):
            begun.unlink(missing_ok=True)
            return None
    writing = None
    if frame is None:
        os.replace(begun, target)
    else:
        pool = ThreadPoolExecutor(1)
        writing = pool.submit(_write, frame, target)
        pool.shutdown(wait=False)
    return _without_empty(replace(table, path=target, rows=rows, writing=writing), dialect)


def _write(frame: pl.DataFrame, target: Path) -> None:
    frame.write_ipc(target, compression="uncompressed", record_batch_size=BATCH)


def _types(dialect: Dialect) -> list[type[pl.DataType]]:
    """How each column is stored."""
    import polars as pl

    number = {True: pl.Float32, False: pl.Float64}
    return [
        number[single] if numeric else pl.String
        for numeric, single in zip(dialect.numeric, dialect.single, strict=True)
    ]


def _points(source: Path) -> bool:
    with source.open("rb") as stream:
        while piece := stream.read(CHUNK):
            if b"." in piece:
                return True
    return False


def _ends_empty(source: Path, dialect: Dialect) -> bool:
    """Every row ends with a separator: the last column is no column at all."""
    if dialect.names[-1] != f"column {dialect.width}":
        return False
    mark = dialect.separator.encode()
    with source.open("rb") as stream:
        return all(
            not line.strip() or line.rstrip(b"\r\n").endswith(mark)
            for number, line in enumerate(stream)
            if number >= dialect.first
        )


def _without_empty(table: Table, dialect: Dialect) -> Table:
    """Leave out last columns without a name that every row leaves empty."""
    import polars as pl

    width = len(table.columns)
    while dialect.headed and width > 1 and table.columns[width - 1] == f"column {width}":
        last = pl.col(table.columns[width - 1])
        if table.lazy().select(last.count()).collect().item():
            break
        width -= 1
    return replace(table, columns=table.columns[:width], units=table.units[:width])


def unread() -> tuple[type[BaseException], ...]:
    """What polars raises on a file that it cannot read; on some broken ones it panics."""
    import polars as pl

    return pl.exceptions.PolarsError, pl.exceptions.PanicException


def sink(lazy: pl.LazyFrame, target: Path) -> None:
    """Write a table of ours; not packed, for packing takes longer than reading the text."""
    lazy.sink_ipc(target, compression="uncompressed", record_batch_size=BATCH)


@dataclass
class _Lines:
    """What the line-by-line pass saw."""

    refused: list[tuple[int, str]]
    count: int = 0
    again: int = 0
    first_again: int = 0

    def refuse(self, line: int, why: str) -> None:
        self.count += 1
        if len(self.refused) < SHOWN:
            self.refused.append((line, why))


def _by_line(source: Path, dialect: Dialect, target: Path) -> Table:
    """Through a plain copy of the rows that are rows, then the cells one column at a time."""
    import polars as pl

    seen = _Lines([])
    with tempfile.TemporaryDirectory(dir=target.parent, prefix=".tidy-") as folder:
        tidy = Path(folder) / "rows"
        with tidy.open("w", encoding="utf-8", newline="\n") as stream:
            for rows in _rows(source, dialect, seen):
                stream.write(rows)
        if not tidy.stat().st_size:
            return Table(target, dialect.names, dialect.units, 0)
        lazy = pl.scan_csv(
            tidy,
            has_header=False,
            separator=INSIDE,
            schema=dict.fromkeys(dialect.names, pl.String),
            quote_char=None,
        )
        kinds = {
            name: kind
            for name, kind in zip(dialect.names, _types(dialect), strict=True)
            if kind is not pl.String
        }
        cast = (_cast(name, dialect.decimal).cast(kind) for name, kind in kinds.items())
        sink(lazy.with_columns(*cast), target)
        notes = _lost(lazy, list(kinds), dialect.decimal)
    rows = pl.scan_ipc(target).select(pl.len()).collect().item()
    if seen.again:
        notes.append(
            f"the row of names stands again {seen.again} times, first in line {seen.first_again}"
        )
    table = Table(
        target, dialect.names, dialect.units, rows, tuple(seen.refused), seen.count, tuple(notes)
    )
    return _without_empty(table, dialect)


def _cell(name: str) -> pl.Expr:
    """A cell, trimmed; nothing where the logger wrote a word for nothing."""
    import polars as pl

    cell = pl.col(name).str.strip_chars(" \t\u00a0\"'")
    return pl.when(cell.str.to_lowercase().is_in(EMPTY)).then(None).otherwise(cell)


def _cast(name: str, decimal: str) -> pl.Expr:
    import polars as pl

    return _plain(_cell(name), decimal).cast(pl.Float64, strict=False).alias(name)


def _plain(cell: pl.Expr, decimal: str) -> pl.Expr:
    """Without thousands marks, and with a decimal point."""
    group = "." if decimal == "," else ","
    # a thousands mark stands before three digits; any other comma is left for the cast to refuse
    cell = cell.str.replace_all(r"(\d)[ '\u00a0\u202f" + group + r"](\d{3})\b", "${1}${2}")
    return cell.str.replace(",", ".", literal=True) if decimal == "," else cell


def _lost(lazy: pl.LazyFrame, numbers: list[str], decimal: str) -> list[str]:
    """Say of each column how many cells were no numbers, with the first of them."""
    import polars as pl

    asked = []
    for index, name in enumerate(numbers):
        cell = _cell(name)
        bad = cell.is_not_null() & _plain(cell, decimal).cast(pl.Float64, strict=False).is_null()
        asked += [bad.sum().alias(f"{index} n"), cell.filter(bad).first().alias(f"{index} first")]
    if not asked:
        return []
    answer = lazy.select(asked).collect(engine="streaming").row(0, named=True)
    return [
        f"{name}: {answer[f'{index} n']} cells are no numbers and were left empty, "
        f"the first is {answer[f'{index} first'][:30]!r}"
        for index, name in enumerate(numbers)
        if answer[f"{index} n"]
    ]


def _rows(source: Path, dialect: Dialect, seen: _Lines) -> Iterator[str]:
    """Good rows as text in pieces; bad ones are noted in ``seen``."""
    width, mark = dialect.width, dialect.separator
    names = [name for name in dialect.names if not name.startswith("column ")]
    kept: list[str] = []
    length = 0
    for number, line in _text_lines(source, dialect):
        if number < dialect.first or not line.strip(mark + ' \t"'):
            continue
        if "\x00" in line:
            seen.refuse(number + 1, "holds zero bytes: the logger lost power, or the card is bad")
            continue
        cells = split([line], mark)[0] if mark == " " or '"' in line else line.split(mark)
        if len(cells) == width + 1 and not cells[-1].strip():
            cells.pop()
        if len(cells) == width - 1 and dialect.names[-1] == f"column {width}":
            cells.append("")
        if len(cells) != width:
            seen.refuse(number + 1, f"has {len(cells)} cells instead of {width}")
            continue
        if dialect.headed and cells[0].strip() == names[0] and cells[1].strip() in names:
            seen.again += 1
            seen.first_again = seen.first_again or number + 1
            continue
        kept.append(INSIDE.join(cells))
        length += len(line)
        if length > CHUNK:
            yield "\n".join(kept) + "\n"
            kept, length = [], 0
    if kept:
        yield "\n".join(kept) + "\n"


def _text_lines(source: Path, dialect: Dialect) -> Iterator[tuple[int, str]]:
    """Lines with their number from 0; a line is never longer than a piece of the file."""
    csv.field_size_limit(CHUNK)
    with source.open(encoding=dialect.encoding, errors="replace") as stream:
        number = 0
        while line := stream.readline(CHUNK):
            yield number, line.rstrip("\r\n").replace(INSIDE, " ")
            number += 1
