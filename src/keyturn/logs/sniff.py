"""What kind of text a logger wrote: encoding, separator, decimal mark, where the numbers start.

Only the beginning of the file is looked at. Nothing is assumed of a dialect that the text shows:
each candidate separator is tried, and the one under which most cells are numbers is taken.
"""

from __future__ import annotations

import codecs
import csv
import re
from collections import Counter
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from keyturn.errors import FileRefused, Place
from keyturn.logs.units_seen import looks_like_unit

SAMPLE = 1 << 16
LOOKED = 200  # rows that are judged cell by cell
FAR, FEW = (0.2, 0.35, 0.65, 0.8, 0.95), 40  # of a long file: where to look, for how many rows
ODD = bytes(i for i in range(32) if i not in b"\t\n\f\r")  # what hardly stands in a text
SELDOM = 0.05  # share of steps: a column that falls less often may be a clock that starts again
SINGLE_DIGITS = 6  # that a float32 gives back in any case (C: FLT_DIG)
SEPARATORS = (",", ";", "\t", "|")
# What loggers write where they have nothing; compared after trimming, in lower case.
EMPTY = (
    "", "-", "--", "---", "n/a", "na", "null", "none", "nan", "#n/a", "inf", "-inf", "+inf",
    "infinity", "?", "*", "err", "error", "invalid", "#nv", "1.#qnan", "-1.#ind",
)  # fmt: skip
POINT = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?")
COMMA = re.compile(r"[+-]?(\d{1,3}([. \u00a0\u202f]\d{3})+|\d+)?,\d+([eE][+-]?\d+)?|[+-]?\d+")
GROUPED = re.compile(r"[+-]?\d{1,3}([., '\u00a0\u202f]\d{3})+([.,]\d+)?")
CLOCK = re.compile(
    r"(\d{4}-\d\d?-\d\d?|\d\d?[./]\d\d?[./]\d{2,4})?[ T]*(\d+:\d\d?(:\d\d?)?([.,]\d+)?)?Z?"
)
MAGIC = {
    b"PK\x03\x04": ("a workbook or an archive", "save it as CSV, or unpack it, and give that file"),
    b"\x1f\x8b": ("packed with gzip", "unpack it first"),
    b"\x89PNG": ("a picture", "give the log itself"),
    b"%PDF": ("a PDF", "give the log itself"),
    b"\xd0\xcf\x11\xe0": ("an old workbook", "save it as CSV and give that file"),
}


@dataclass(frozen=True)
class Dialect:
    """How to read one text file."""

    encoding: str  # a codec of Python
    separator: str
    decimal: str  # "." or ","
    names: tuple[str, ...]  # one per column, unlike each other
    units: tuple[str, ...]  # as written in a row of their own, else ""
    first: int  # line of the first row of numbers, counted from 0
    numeric: tuple[bool, ...]  # which columns hold numbers
    single: tuple[bool, ...]  # which of these a float32 gives back to the last digit seen
    plain: bool  # polars can read it as it stands
    headed: bool  # there was a row of names
    notes: tuple[str, ...]

    @property
    def width(self) -> int:
        return len(self.names)


def kind_of(path: Path) -> str:
    """ "parquet", "mdf" or "text", from the first bytes; refuses what is none of these."""
    with path.open("rb") as stream:
        head = stream.read(1 << 16)
    if not head.strip(b"\x00\xff\xfe\xef\xbb\xbf \r\n\t"):
        what = "is empty" if not head.strip() else "holds nothing but empty bytes"
        raise _refused(path, what, "see that the logger closed the file, and record again")
    if head.startswith(b"PAR1"):
        return "parquet"
    if head.startswith((b"MDF     ", b"UnFinMF ")):
        return "mdf"
    for magic, (what, advice) in MAGIC.items():
        if head.startswith(magic):
            raise _refused(path, f"is {what}, not a log as text", advice)
    if _encoding(head) is None:
        raise _refused(
            path,
            "is not text",
            "export the log as CSV from the logger's own software and give that file",
        )
    return "text"


def sniff(path: Path) -> Dialect:
    """The dialect of a text file; refuses one without columns of numbers."""
    with path.open("rb") as stream:
        head = stream.read(SAMPLE)
    encoding = _encoding(head) or "cp1252"
    text = codecs.getincrementaldecoder(encoding)("replace").decode(head)
    whole = len(head) < SAMPLE
    ends = "\n" if "\n" in text else "\r"
    lines = [line.rstrip("\r\n") for line in text.split(ends)]
    if not whole and len(lines) > 1:
        lines.pop()
    separator, cells = _separate(path, lines)
    width = _width(cells)
    first = _first_row(path, cells, width)
    names, units, headed = _names(path, cells[:first], width)
    rows = [row for row in cells[first:] if len(row) == width][:LOOKED]
    # engine off and idle look alike everywhere; what the marks mean may show only under load
    at = _worth_a_look(path, encoding, separator, rows)
    rows += _rows_at(path, at, encoding, separator, width) if at else []
    far = [_rows_at(path, int(share * path.stat().st_size), encoding, separator, width, FEW)
           for share in FAR] if at else []  # fmt: skip
    columns = [Counter(column) for column in zip(*rows, strict=True)]
    decimal = _decimal(columns)
    if not names[-1] and not any(row[-1] for row in rows):
        # every row ends with a separator that the names do not have
        names[-1] = ""
    numeric = tuple(_numeric(column, decimal) for column in columns)
    if not any(numeric):
        raise _refused(path, "has no column of numbers", "export the numbers, not the messages")
    single = tuple(
        number and _single([row[i] for row in rows], [[row[i] for row in part] for part in far])
        for i, number in enumerate(numeric)
    )
    named, notes = _unlike(names)
    plain = (
        encoding in ("utf-8", "utf-8-sig", "cp1252")
        and ends == "\n"
        and "\x00" not in text
        and not any(mark in line for line in lines[first:] for mark in ('"', "'"))
        and all(_tidy(c, decimal) for c, number in zip(columns, numeric, strict=True) if number)
    )
    return Dialect(
        encoding, separator, decimal, named, tuple(units), first, numeric, single, plain, headed,
        notes,
    )  # fmt: skip


def _refused(path: Path, what: str, advice: str) -> FileRefused:
    return FileRefused(
        f"the file {what}",
        place=Place(file=path.name),
        accepted="CSV or TSV text, Parquet, or MDF4",
        advice=advice,
    )


def _encoding(head: bytes) -> str | None:
    """The codec, or None where the bytes are no text."""
    for mark, codec in (
        (codecs.BOM_UTF8, "utf-8-sig"),
        (codecs.BOM_UTF16_LE, "utf-16"),
        (codecs.BOM_UTF16_BE, "utf-16"),
    ):
        if head.startswith(mark):
            return codec
    if len(head) > 8:
        # text of two bytes a sign without a mark: every other byte is zero
        for codec, zeros in (("utf-16-le", head[1::2]), ("utf-16-be", head[0::2])):
            if zeros.count(0) > 0.9 * len(zeros) and head.count(0) < 0.6 * len(head):
                return codec
    if len(head) - len(head.translate(None, ODD)) > 0.02 * len(head):
        return None
    try:
        codecs.getincrementaldecoder("utf-8")().decode(head)
    except UnicodeDecodeError:
        high = sum(1 for byte in head if byte >= 0x80)
        return "cp1252" if high < 0.1 * len(head) else None
    return "utf-8"


def _separate(path: Path, lines: list[str]) -> tuple[str, list[list[str]]]:
    """The separator under which most cells are numbers, and the lines cut by it."""
    best: tuple[float, str] | None = None
    seen = "".join(lines[-LOOKED:])
    for separator in (*SEPARATORS, " "):
        if separator not in seen:
            continue
        score = _score(split(lines[-LOOKED:], separator), separator)
        # a blank only where nothing else serves: it also stands inside dates and names
        score -= 0.2 if separator == " " else 0.0
        if best is None or score > best[0]:
            best = (score, separator)
    if best is None or best[0] <= 0.0:
        raise _refused(
            path,
            "has no columns of numbers side by side",
            "record at least the time and one more channel, and export them as CSV",
        )
    return best[1], split(lines, best[1])


def split(lines: list[str], separator: str) -> list[list[str]]:
    """Cells of each line, trimmed; quotes are taken off."""
    if separator == " ":
        return [line.split() for line in lines]
    rows = []
    for line in lines:
        if '"' in line:
            try:
                row = next(csv.reader([line], delimiter=separator), [])
            except csv.Error:
                row = line.split(separator)
        else:
            row = line.split(separator)
        rows.append([cell.strip() for cell in row])
    return rows


def _score(cells: list[list[str]], separator: str) -> float:
    """Share of cells that are numbers, in rows of the usual width; 0 for a single column."""
    filled = [row for row in cells if any(row)]
    rows = filled[len(filled) // 5 :] if len(filled) > 10 else filled
    if not rows:
        return 0.0
    width = _width(rows)
    if width < 2:
        return 0.0
    regular = [row for row in rows if abs(len(row) - width) <= 1]
    flat = [cell for row in regular for cell in row if cell]
    good = sum(1 for cell in flat if _number(cell, separator) or _clock(cell))
    share = good / max(len(flat), 1)
    return share * len(regular) / len(rows) if good else 0.0


def _number(cell: str, separator: str) -> bool:
    if POINT.fullmatch(cell) or GROUPED.fullmatch(cell):
        return True
    return COMMA.fullmatch(cell) is not None


def _clock(cell: str) -> bool:
    # most cells are numbers: a point of theirs or a sign in front makes no date of them
    marked = ":" in cell or "/" in cell or "-" in cell[1:] or cell.count(".") > 1
    return marked and CLOCK.fullmatch(cell) is not None


def _width(cells: list[list[str]]) -> int:
    """The usual number of cells in the later part, where the numbers are."""
    filled = [row for row in cells if any(row)]
    later = filled[len(filled) // 2 :]
    return Counter(len(row) for row in later).most_common(1)[0][0] if later else 0


def _data(row: list[str], width: int) -> bool:
    """A row of numbers: of about the right width, and most of what is in it are numbers."""
    if abs(len(row) - width) > 1:
        return False
    filled = [cell for cell in row if cell.lower() not in EMPTY]
    good = sum(1 for cell in filled if _number(cell, "") or _clock(cell))
    return good > 0 and good >= 0.5 * len(filled)


def _first_row(path: Path, cells: list[list[str]], width: int) -> int:
    """Number of the line where the numbers start."""
    for index, row in enumerate(cells):
        if _data(row, width):
            later = [other for other in cells[index + 1 : index + 4] if any(other)]
            if not later or _data(later[0], width):
                good = (other for other in cells[index + 1 :] if _data(other, width))
                if next(good, None) is None:
                    break
                return index
    raise _refused(
        path,
        "holds fewer than two rows of numbers",
        "start the logger before the engine and stop it after; then give the longer file",
    )


def _names(path: Path, above: list[list[str]], width: int) -> tuple[list[str], list[str], bool]:
    """Names and units from the lines above the numbers; the units row may be missing."""
    block: list[list[str]] = []
    for row in reversed(above):
        if not any(row):
            if block:
                break
            continue
        if abs(len(row) - width) > 1 or sum(1 for cell in row if cell) < max(2, width // 2) - 1:
            break
        block.insert(0, row)
    names, units = [""] * width, [""] * width
    if not block:
        _same_width(path, above, width)
        return names, units, False
    shares = [_unit_share(row) for row in block]
    place = next((i for i in range(len(block) - 1, 0, -1) if shares[i] >= 0.5), None)
    head = block[-1] if place is None else block[place - 1]
    if place is None and len(block) > 1:
        head = max(block, key=lambda row: len({cell for cell in row if cell}))
    names = _padded(head, width)
    if place is not None:
        units = [cell.strip("[]() ") for cell in _padded(block[place], width)]
    return names, units, True


def _same_width(path: Path, above: list[list[str]], width: int) -> None:
    """Names right above the numbers, but fewer: the comma is both separator and decimal mark."""
    last = above[-1] if above else []
    if len(last) > 2 and all(last) and width >= 1.5 * len(last):
        raise _refused(
            path,
            f"has {len(last)} names above rows of {width} cells: if commas are decimal marks too, "
            "nothing tells them apart",
            "export it with semicolons or tabs between the columns, or with decimal points",
        )


def _unit_share(row: list[str]) -> float:
    filled = [cell for cell in row if cell.strip("[]() -")]
    return sum(1 for cell in filled if looks_like_unit(cell)) / len(filled) if filled else 0.0


def _padded(row: list[str], width: int) -> list[str]:
    return (row + [""] * width)[:width]


def _worth_a_look(path: Path, encoding: str, separator: str, rows: list[list[str]]) -> int:
    """Where in a long file to look again: its middle, or the first mark if none was seen yet."""
    size = path.stat().st_size
    if size < 4 * SAMPLE or encoding.startswith("utf-16"):
        return 0
    if any(mark in cell for row in rows for cell in row for mark in ".,"):
        return size // 2
    marks = [mark.encode() for mark in ".," if mark != separator]
    with path.open("rb") as stream:
        stream.seek(SAMPLE)
        while piece := stream.read(SAMPLE):
            places = [piece.find(mark) for mark in marks if mark in piece]
            if places:
                return max(1, stream.tell() - len(piece) + min(places) - 2048)
    return 0


def _rows_at(
    path: Path, at: int, encoding: str, separator: str, width: int, most: int = LOOKED
) -> list[list[str]]:
    """Whole rows from a place inside the file."""
    with path.open("rb") as stream:
        stream.seek(at)
        piece = stream.read(SAMPLE // 2 * most // LOOKED)
    lines = piece.decode(encoding, "replace").split("\n")[1:-1]
    rows = split([line.rstrip("\r") for line in lines[:most]], separator)
    return [row for row in rows if len(row) == width]


def _decimal(columns: list[Counter[str]]) -> str:
    """The decimal mark; a comma only where commas stand in numbers and no point does."""
    numbers = [[cell for cell in column if not _clock(cell)] for column in columns]
    for mark, other in ((",", "."), (".", ",")):
        if _groups(numbers, mark):
            return other
    flat = [cell for column in numbers for cell in column]
    commas = sum(1 for cell in flat if "," in cell and COMMA.fullmatch(cell))
    points = sum(1 for cell in flat if "." in cell and POINT.fullmatch(cell))
    return "," if commas > points else "."


def _groups(columns: list[list[str]], mark: str) -> bool:
    """Is ``mark`` a thousands mark: always before three digits, and missing below a thousand?

    "850" and "1,234" in one column; decimals of a fixed number would stand in every cell.
    """
    grouped = re.compile(r"[+-]?[1-9]\d{0,2}(" + re.escape(mark) + r"\d{3})+")
    mixed = False
    for column in columns:
        marked = [cell for cell in column if mark in cell]
        if any(not grouped.fullmatch(cell) for cell in marked):
            return False
        small = [cell for cell in column if cell.lstrip("+-").isdigit()]
        if marked and (not small or any(len(cell.lstrip("+-")) > 3 for cell in small)):
            return False
        mixed = mixed or bool(marked)
    return mixed


def _numeric(cells: Counter[str], decimal: str) -> bool:
    """A column of numbers, or an empty one."""
    filled = {cell: count for cell, count in cells.items() if cell.lower() not in EMPTY}
    good = sum(count for cell, count in filled.items() if is_number(cell, decimal))
    return good >= 0.8 * sum(filled.values())


def is_number(cell: str, decimal: str) -> bool:
    pattern = POINT if decimal == "." else COMMA
    return bool(pattern.fullmatch(cell) or GROUPED.fullmatch(cell))


def _single(cells: list[str], far: list[list[str]]) -> bool:
    """Few digits, and no clock: what hardly ever falls may count time, and time stays exact.

    ``far`` holds cells from places further on: what falls there, or has not risen from one to the
    next more than once, is no clock either. A clock that is taken for none costs a second reading
    of the file, no digit.
    """
    filled = [cell for cell in set(cells).union(*far) if cell.lower() not in EMPTY]
    try:
        number = {cell: float(cell.replace(",", ".")) for cell in filled}
    except ValueError:
        # thousands marks or words: nothing is known of order and digits
        return False
    few = all(float(f"{value:.{SINGLE_DIGITS}g}") == value for value in number.values())
    values, *later = ([number[cell] for cell in part if cell in number] for part in (cells, *far))
    falls = any(
        sum(after < before for before, after in pairwise(part)) > SELDOM * len(part)
        for part in (values, *later)
    )
    places = [part[0] for part in later if part]
    return few and (falls or sum(after <= before for before, after in pairwise(places)) > 1)


def _tidy(cells: Counter[str], decimal: str) -> bool:
    """Numbers that polars takes as they stand."""
    texts = (cell.replace(",", ".") if decimal == "," else cell for cell in cells if cell)
    return all(POINT.fullmatch(text) for text in texts)


def _unlike(names: list[str]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Names unlike each other, every column with one; says what had to be changed."""
    seen: Counter[str] = Counter()
    taken = {name for name in names if name}
    found, notes = [], []
    for number, raw in enumerate(names, 1):
        name = raw.replace("\x00", "").strip() or f"column {number}"
        seen[name] += 1
        if seen[name] > 1:
            again = f"{name} #{seen[name]}"
            while again in taken:
                seen[name] += 1
                again = f"{name} #{seen[name]}"
            notes.append(f"the name {name!r} stands more than once; one is called {again!r}")
            name = again
        taken.add(name)
        found.append(name)
    return tuple(found), tuple(notes)
