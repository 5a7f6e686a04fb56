"""Change the build: written whole, recorded in the journal, taken back and made again."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from keyturn.build.change import Change, backwards, changed, forwards, steps
from keyturn.build.edit import write_whole
from keyturn.build.read import BUILD_FILE, read_text
from keyturn.errors import ValueRefused
from keyturn.journal.store import Entry, Journal, opened

TOPIC = "edit"


@dataclass(frozen=True)
class Standing:
    """What can be taken back and what can be made again, newest last."""

    done: tuple[Entry, ...]
    undone: tuple[Entry, ...]


def edit(folder: Path, changes: Sequence[Change], said: Mapping[str, str] | None = None) -> bool:
    """Apply the changes; False when they change nothing. ``said`` is noted with the edit."""
    file = folder / BUILD_FILE
    before = read_text(file)
    after = changed(before, changes, BUILD_FILE)
    if after == before:
        return False
    body = {"steps": steps(before, changes, BUILD_FILE), **(said or {})}
    with opened(folder, write=True) as book, book.writing():
        book.add(TOPIC, "new", body)
        # inside, so that an edit that cannot be written is not recorded either
        write_whole(file, after)
    return True


def standing(folder: Path) -> Standing:
    """Which edits stand, and which were taken back last."""
    with opened(folder) as book:
        return _standing(book)


def _standing(book: Journal) -> Standing:
    done: list[Entry] = []
    undone: list[Entry] = []
    for entry in book.entries(TOPIC):
        if entry.act == "new":
            done.append(entry)
            undone = []
        elif entry.act == "undo":
            moved = [one for one in done if one.id == entry.points_to]
            done = [one for one in done if one.id != entry.points_to]
            undone += moved
        elif entry.act == "redo":
            moved = [one for one in undone if one.id == entry.points_to]
            undone = [one for one in undone if one.id != entry.points_to]
            done += moved
    return Standing(tuple(done), tuple(undone))


def undo(folder: Path, wanted: int | None = None) -> Entry:
    """Take the last edit back. ``wanted``: refused when another edit came after that one."""
    return _turn(folder, "undo", wanted)


def redo(folder: Path, wanted: int | None = None) -> Entry:
    """Make the edit again that was taken back last."""
    return _turn(folder, "redo", wanted)


def _turn(folder: Path, act: str, wanted: int | None) -> Entry:
    file = folder / BUILD_FILE
    now = standing(folder)
    row = now.done if act == "undo" else now.undone
    if not row:
        raise ValueRefused(f"there is nothing to {act}")
    last = row[-1]
    if wanted is not None and last.id != wanted:
        raise ValueRefused(
            f"another edit came in between: {words_of(last)}",
            advice=f"look at it first; {act} again to take that one",
        )
    text = read_text(file)
    made = steps_of(last)
    changes = backwards(text, made, BUILD_FILE) if act == "undo" else forwards(made)
    after = changed(text, changes, BUILD_FILE)
    with opened(folder, write=True) as book, book.writing():
        book.add(TOPIC, act, {}, points_to=last.id)
        write_whole(file, after)
    return last


def steps_of(entry: Entry) -> list[dict[str, Any]]:
    return list(entry.body.get("steps", []))


def words_of(entry: Entry) -> str:
    """An edit in a few words."""
    keys = list(dict.fromkeys(str(step["key"]) for step in steps_of(entry)))
    kinds = {str(step["operation"]) for step in steps_of(entry)}
    verb = {"add": "added", "take": "taken out", "move": "moved", "remove": "left out"}
    done = verb.get(next(iter(kinds)), "set") if len(kinds) == 1 else "set"
    shown = ", ".join(keys[:2]) + (f" and {len(keys) - 2} more" if len(keys) > 2 else "")
    return f"{shown} {done}"
