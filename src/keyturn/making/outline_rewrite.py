"""An outline written into the text that it came from: comments, order and spelling stay.

Only lines whose value changed are touched. A table begins with the comments above its header, so
that what is said about a hole goes before that hole whatever becomes of its neighbours. A file that
cannot be followed line by line is written anew, its comments gathered at the end.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from keyturn.errors import BuildError
from keyturn.making.outline_file import (
    Rows,
    corner_text,
    from_text,
    head,
    hole_rows,
    path_rows,
    to_text,
    top_rows,
)
from keyturn.making.shape import ClosedPath, Hole, Outline

HEADER = re.compile(r"\s*(\[outer\]|\[\[hole\]\]|\[\[port\]\])\s*(#.*)?")
KEY = re.compile(r"\s*([A-Za-z_]+)\s*=")
# a comment: the first # outside of quotes
COMMENT = re.compile(r"^((?:[^\"'#]|\"(?:\\.|[^\"\\])*\"|'[^']*')*)(#.*)$")
INNER = re.compile(r"\[[^\[\]]*\]")
Feature = Hole | ClosedPath
OURS = ("# 95 %", "# of the sheet")  # comments that belong to the number before them


@dataclass
class _Item:
    """One key with all its lines, or one line of blank or comment."""

    key: str
    lines: list[str]


@dataclass
class _Block:
    """A table: what stands above its header, the header, its keys."""

    kind: str  # "", "[outer]", "[[hole]]" or "[[port]]"
    above: list[str] = field(default_factory=list)
    header: list[str] = field(default_factory=list)
    items: list[_Item] = field(default_factory=list)

    def text(self) -> list[str]:
        return [*self.above, *self.header, *(line for item in self.items for line in item.lines)]


class _NotFollowed(Exception):
    """The file is valid, but not in the form that is edited line by line."""


def rewritten(before: str, part: Outline) -> str:
    """``part`` as the text of its file; what ``before`` says about it in comments stays.

    ``before`` may be empty or no outline at all: then the file is new.
    """
    try:
        old = from_text(before)
    except BuildError:
        return to_text(part)
    try:
        made = _edited(before, old, part)
        if from_text(made) == part:
            return made
    except (_NotFollowed, BuildError):
        pass
    kept = [text for text in _comments(before.splitlines()) if text not in OURS]
    kept = [text for text in kept if text not in head(old.side)]
    return to_text(part) + "".join(f"{text}\n" for text in kept)


def _edited(before: str, old: Outline, part: Outline) -> str:
    blocks, end = _blocks(before)
    top = blocks[0]
    above = "\n".join(top.above)
    top.above = above.replace(head(old.side).rstrip(), head(part.side).rstrip()).split("\n")
    _set(top, top_rows(old), top_rows(part))
    (outer,) = _of(blocks, "[outer]")
    _set_path(outer, old.outer, part.outer)
    made = [block for block in blocks if block.kind in ("", "[outer]")]
    tables: dict[int, _Block | None] = {id(block): block for block in made}
    fresh: dict[str, list[_Block]] = {}
    kinds: tuple[tuple[str, Sequence[Feature], Sequence[Feature]], ...] = (
        ("[[hole]]", old.holes, part.holes), ("[[port]]", old.ports, part.ports),
    )  # fmt: skip
    for kind, were, are in kinds:
        rows = _of(blocks, kind)
        if len(rows) != len(were):
            raise _NotFollowed
        partners = _partners(were, are)
        for n, now in zip(partners, are, strict=True):
            if n is None:
                fresh.setdefault(kind, []).append(_new(kind, now))
            # rows of one kind are told apart by `now`; the checker cannot see that `were` is alike
            elif isinstance(now, Hole):
                _set(rows[n], hole_rows(were[n]), hole_rows(now))  # type: ignore[arg-type]
            else:
                _set_path(rows[n], were[n], now)  # type: ignore[arg-type]
        for n, block in enumerate(rows):
            tables[id(block)] = block if n in partners else None
    return _joined(blocks, tables, fresh, end)


def _joined(
    blocks: Sequence[_Block], tables: dict[int, _Block | None], fresh: dict[str, list[_Block]],
    end: list[str],
) -> str:  # fmt: skip
    """All tables in their order; new ones behind the last of their kind, or at the end."""
    lines: list[str] = []
    last = {block.kind: n for n, block in enumerate(blocks)}
    for n, block in enumerate(blocks):
        kept = tables[id(block)]
        # what was said above a table that was taken out stays where it was
        lines += block.above if kept is None else kept.text()
        if n == last[block.kind]:
            lines += [line for new in fresh.pop(block.kind, []) for line in new.text()]
    lines += end
    lines += [line for rows in fresh.values() for new in rows for line in new.text()]
    return "\n".join(lines) + "\n"


def _of(blocks: Sequence[_Block], kind: str) -> list[_Block]:
    found = [block for block in blocks if block.kind == kind]
    if kind == "[outer]" and len(found) != 1:
        raise _NotFollowed
    return found


def _partners(were: Sequence[Feature], are: Sequence[Feature]) -> list[int | None]:
    """Which table each one comes from; None for a new one."""
    if len(were) == len(are):
        return list(range(len(are)))
    made: list[int | None] = []
    at = 0
    for one in are:
        here = range(at, len(were))
        named = (n for n in here if one.name and were[n].name == one.name)
        found = next((n for n in here if were[n] == one), next(named, None))
        at = at if found is None else found + 1
        made.append(found)
    return made


def _new(kind: str, feature: Feature) -> _Block:
    rows = hole_rows(feature) if isinstance(feature, Hole) else path_rows(feature)
    return _Block(kind, [""], [kind], [_Item(key, text.split("\n")) for key, text in rows.items()])


# --- from lines to tables -------------------------------------------------------------------------
def _blocks(text: str) -> tuple[list[_Block], list[str]]:
    """Every table, and the comments below the last one."""
    blocks = [_Block("")]
    waiting: list[str] = []  # blank lines and comments: whose they are shows with what follows
    lines = iter(text.splitlines())
    for line in lines:
        found = HEADER.fullmatch(line)
        if found:
            blocks.append(_Block(found[1], waiting, [line]))
            waiting = []
        elif not line.strip() or line.lstrip().startswith("#"):
            waiting.append(line)
        else:
            block = blocks[-1]
            if block.kind or block.items:
                block.items += [_Item("", [row]) for row in waiting]
            else:
                block.above = waiting
            waiting = []
            block.items.append(_item(line, lines))
    return blocks, waiting


def _item(line: str, rest: Iterator[str]) -> _Item:
    """A key with as many lines as its value takes."""
    found = KEY.match(line)
    if found is None:
        raise _NotFollowed
    made = [line]
    while True:
        try:
            tomllib.loads("\n".join(made))
        except tomllib.TOMLDecodeError:
            try:
                made.append(next(rest))
            except StopIteration:
                raise _NotFollowed from None
        else:
            return _Item(found[1], made)


# --- from one value to the next -------------------------------------------------------------------
def _set(block: _Block, were: Rows, are: Rows) -> None:
    """Put every row that changed into the block."""
    known = {item.key: item for item in block.items if item.key}
    for key in [*were, *(key for key in are if key not in were)]:
        if were.get(key) == are.get(key):
            continue
        item = known.get(key)
        if item is None:
            if key in are:
                _add(block, key, are[key])
            continue
        if key in are:
            _put(item, are[key])
        else:
            kept = [text for text in _comments(item.lines) if text not in OURS]
            item.key, item.lines = "", kept


def _add(block: _Block, key: str, text: str) -> None:
    last = max((n for n, item in enumerate(block.items) if item.key), default=-1)
    block.items.insert(last + 1, _Item(key, text.split("\n")))


def _put(item: _Item, text: str) -> None:
    """The new value in the place of the old one, with the comments of the old one."""
    kept = [words for words in _comments(item.lines) if words not in OURS]
    lines = text.split("\n")
    if kept and len(item.lines) == len(lines) == 1:
        found = COMMENT.match(text)
        lines = [f"{(found[1] if found else text).rstrip()} {kept[0]}"]
        kept = []
    item.lines = [*kept, *lines]


def _set_path(block: _Block, was: ClosedPath, now: ClosedPath) -> None:
    """A path may stand there as a rectangle; corners that stay keep their line."""
    were, are = path_rows(was), path_rows(now)
    rectangle = next((item for item in block.items if item.key == "rectangle"), None)
    if was.corners == now.corners:
        are["corners"] = were["corners"]
    elif rectangle is not None:
        rectangle.key, rectangle.lines = "", _comments(rectangle.lines)
    else:
        item = next((item for item in block.items if item.key == "corners"), None)
        if item is not None and len(was.corners) == len(now.corners) and _corners(item, was, now):
            are["corners"] = were["corners"]
    _set(block, were, are)


def _corners(item: _Item, was: ClosedPath, now: ClosedPath) -> bool:
    """Change single corners where they stand; False where the file has them in another order."""
    stands = tomllib.loads("\n".join(item.lines))["corners"]
    if [tuple(map(float, row)) for row in stands] != [
        (c.x, c.y, c.bulge)[: len(row)] for c, row in zip(was.corners, stands, strict=True)
    ]:
        return False
    number = -1

    def next_corner(found: re.Match[str]) -> str:
        nonlocal number
        number += 1
        same = was.corners[number] == now.corners[number]
        return found[0] if same else corner_text(now.corners[number])

    lines = []
    for line in item.lines:
        parted = COMMENT.match(line)
        value, comment = (parted[1], parted[2]) if parted else (line, "")
        lines.append(INNER.sub(next_corner, value) + comment)
    item.lines = lines
    return True


def _comments(lines: Sequence[str]) -> list[str]:
    return [found[2] for line in lines if (found := COMMENT.match(line))]
