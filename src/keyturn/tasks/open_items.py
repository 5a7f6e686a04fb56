"""Whatever is undone, loosened or left off: entered, closed, and swept before a start."""

from __future__ import annotations

import time
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

from keyturn.build.read import load
from keyturn.errors import Place, ValueRefused
from keyturn.journal.store import opened
from keyturn.journal.typed import one_line
from keyturn.procedure.open_items import STANDS_BEFORE, Item, Sweep, before_start, open_now
from keyturn.procedure.stages import AREAS, NEEDS
from keyturn.tasks.read import folder_of
from keyturn.tasks.steps_book import OPEN_ITEM, history, item_body, marked, sent


def open_item(
    build: str | Path,
    what: str,
    area: str,
    where: str = "",
    minutes: float = 10.0,
    needs: Iterable[str] = (),
    after: Iterable[int] = (),
    stands_before: str = "start",
    token: str | None = None,
) -> Item:
    """Enter something that is undone, loosened or left off; the same ``token`` once only."""
    words = one_line(what, "open", Place())
    if not words:
        raise ValueRefused("what is open?", Place(key="open"), what, '"return hose loose"')
    for key, value, choices in (
        ("area", area, tuple(AREAS)), ("before", stands_before, STANDS_BEFORE),
        *(("needs", need, tuple(NEEDS)) for need in needs),
    ):  # fmt: skip
        if value not in choices:
            raise ValueRefused("no such word", Place(key=key), value, ", ".join(choices))
    if not 0.0 < minutes < 1e5:
        raise ValueRefused("minutes of work", Place(key="minutes"), str(minutes), "above 0")
    item = Item(0, words, area, one_line(where, "where", Place()), minutes, tuple(needs),
                tuple(after), stands_before)  # fmt: skip
    load(build)  # no journal is made beside no build
    with opened(folder_of(build), write=True) as book, book.writing():
        if (before := sent(book, token)) is not None:
            return replace(item, at=before.id)
        there = {row.at for row in history(book).items}
        for number in item.after:
            if number not in there:
                raise ValueRefused("no such open item", Place(key="after"), str(number))
        entry = book.add(OPEN_ITEM, "new", marked(item_body(item), token))
    return replace(item, at=entry.id)


def close_item(build: str | Path, number: int, how: str, token: str | None = None) -> Item:
    """Say how an open item was dealt with: tightened, marked, fitted."""
    words = one_line(how, "how", Place())
    if not words:
        raise ValueRefused(
            "how was it closed?", Place(key="how"), how, '"tightened to 18 N m and marked"'
        )
    load(build)  # no journal is made beside no build
    with opened(folder_of(build), write=True) as book, book.writing():
        items = {row.at: row for row in history(book).items}
        if sent(book, token) is not None:
            return items[number]
        if number not in items or items[number].closed is not None:
            raise ValueRefused(
                "no open item of that number", Place(key="close"), str(number),
                ", ".join(str(row.at) for row in open_now(items.values())) or "none is open",
            )  # fmt: skip
        waiting = [n for n in items[number].after if items[n].closed is None]
        if waiting:
            raise ValueRefused(
                f"item {waiting[0]} has to be closed first: {items[waiting[0]].what}",
                Place(key="close"), str(number),
            )  # fmt: skip
        entry = book.add(OPEN_ITEM, "closes", marked({"how": words}, token), number)
    return replace(items[number], closed=entry.id, how=words)


def items(build: str | Path) -> tuple[Item, ...]:
    """Every item that was ever opened, in order."""
    load(build)  # no journal is made beside no build
    with opened(folder_of(build)) as book:
        return history(book).items


def sweep(
    build: str | Path, seen: Iterable[int] | None = None, token: str | None = None
) -> tuple[Sweep, tuple[Item, ...]]:
    """Write down that the car was walked round; what still stands before a start comes back.

    ``seen`` are the numbers on the list that was carried round: another list is not swept.
    """
    load(build)  # no journal is made beside no build
    with opened(folder_of(build), write=True) as book, book.writing():
        left = open_now(history(book).items)
        numbers = [row.at for row in left]
        entry = sent(book, token)
        if entry is None and seen is not None and sorted(seen) != sorted(numbers):
            raise ValueRefused(
                "the list changed while it was carried round the car", Place(key="sweep"),
                advice="look at what was added or closed, then sweep again",
            )  # fmt: skip
        entry = entry or book.add(OPEN_ITEM, "sweep", marked({"open": numbers}, token))
    return Sweep(entry.id, time.time(), tuple(numbers)), tuple(filter(before_start, left))
