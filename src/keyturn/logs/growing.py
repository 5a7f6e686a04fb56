"""A CSV that a logger is still writing: every new whole line becomes values."""

from __future__ import annotations

import codecs
import math
import os
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from threading import Event

from keyturn.errors import CannotAnswer, FileRefused, Place
from keyturn.logs import remember
from keyturn.logs.can_bus import Put, SourceLost
from keyturn.logs.columns import columns
from keyturn.logs.decide import Context
from keyturn.logs.live import Sample, steady
from keyturn.logs.mapping import Item, propose
from keyturn.logs.record import COLUMNS, EVENT, TIME
from keyturn.logs.sniff import Dialect, kind_of, sniff, split
from keyturn.logs.stored import sampled
from keyturn.logs.table import convert

LOOK = 0.02  # [s] between two looks at the file
LONGEST = 1 << 16  # bytes of a line without an end: that is no log


@dataclass(frozen=True)
class Growing:
    """A log under way, with its columns as they were confirmed."""

    path: Path
    dialect: Dialect
    items: tuple[Item, ...]

    def run(self, put: Put, stop: Event) -> None:
        """From the end of the file on: what stands in it already is not live."""
        decoder = codecs.getincrementaldecoder(self.dialect.encoding)("replace")
        width = len(self.dialect.names)
        at = {item: self.dialect.names.index(item.column) for item in self.items}
        try:
            with self.path.open("rb") as stream:
                known = os.fstat(stream.fileno())
                rest = self._before(stream.seek(0, os.SEEK_END), decoder)
                while not stop.is_set():
                    piece = stream.read(1 << 20)
                    if not piece:
                        self._same(known.st_ino, stream.tell())
                        stop.wait(LOOK)
                        continue
                    *lines, rest = (rest + decoder.decode(piece)).split("\n")
                    if len(rest) > LONGEST:
                        raise SourceLost(f"{self.path.name} is no log of lines any more")
                    for cells in split(lines, self.dialect.separator):
                        if len(cells) == width and (values := self._values(cells, at)):
                            put(values, steady())
        except OSError as error:
            raise SourceLost(f"{self.path.name} is lost: {error.strerror or error}") from error

    def _before(self, end: int, decoder: codecs.IncrementalDecoder) -> str:
        """The begun line at the end, so that it is whole once its rest comes."""
        with self.path.open("rb") as stream:
            decoder.decode(stream.read(2))  # a byte order mark, if there is one
            start = max(2, (end - LONGEST) // 2 * 2)
            stream.seek(start)
            return decoder.decode(stream.read(end - start)).rpartition("\n")[2]

    def _same(self, inode: int, at: int) -> None:
        now = self.path.stat()
        if now.st_ino != inode or now.st_size < at:
            raise SourceLost(f"{self.path.name} was begun anew")

    def _values(self, cells: Sequence[str], at: Mapping[Item, int]) -> list[Sample]:
        found = []
        for item, column in at.items():
            value = _number(cells[column], self.dialect.decimal)
            if value is not None:
                found.append(Sample(item.channel, value * item.scale + item.offset))
        return found


def _number(cell: str, decimal: str) -> float | None:
    text = cell.strip(" \t\r\"'\u00a0")
    try:
        value = float(text.replace(",", ".") if decimal == "," else text)
    except ValueError:
        return None
    return value if math.isfinite(value) else None


def growing(path: Path, folder: Path, said: Mapping[str, str], context: Context) -> Growing:
    """A log under way; its columns must have been confirmed before, or be said now.

    ``folder`` is where the confirmed mappings stand. Nothing is taken on a guess: a wrong unit
    would make every alarm wrong.
    """
    if not path.is_file():
        raise FileRefused("there is no such file", Place(file=str(path)),
                          advice="start the logger first, then the watch")  # fmt: skip
    if kind_of(path) in ("parquet", "mdf"):
        raise FileRefused("this cannot be read while it is written", Place(file=path.name),
                          accepted="CSV and its like")  # fmt: skip
    dialect = sniff(path)
    if {TIME, COLUMNS[0].head, EVENT} <= set(dialect.names):
        raise FileRefused("this is the record of a watch, and no logger writes it",
                          Place(file=path.name), "a CSV of a logger")  # fmt: skip
    with tempfile.TemporaryDirectory(prefix="keyturn-") as waiting:
        table = convert(path, dialect, Path(waiting) / "table")
        known = remember.recall(folder, table)
        if known is None and not said:
            raise CannotAnswer(
                f"the columns of {path.name} are not confirmed",
                (
                    "look at what is proposed and confirm it: keyturn log BUILD FILE --confirm",
                    "or say each: --map 'rail_gauge=Fuel Press as psi gauge'",
                ),
            )
        proposal = propose(columns(table, sampled(table)), context, said, known, path.name)
    wanted = {**(known or {}), **said}
    items = tuple(x for x in proposal.clear if x.channel in wanted and x.channel != "time")
    asked = [x.question for x in proposal.questions if x.channel in wanted and x.question]
    if asked or not items:
        raise CannotAnswer("not every column is clear", asked or ("no column is a channel",))
    return Growing(path, dialect, items)
