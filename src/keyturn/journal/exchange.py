"""The journal as text, one JSON object a line: written out, and read back to the same journal."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from datetime import datetime
from typing import Any, NoReturn

from keyturn.errors import FileRefused, Place
from keyturn.evidence.reading import from_row
from keyturn.journal.readings import ACTS, TOPIC, row_of
from keyturn.journal.store import Entry, Journal, body_text

FORMAT = "keyturn.journal.v1"
MOST_BYTES = 1_000_000_000
WORD = re.compile(r"[a-z][a-z0-9-]{0,39}")
KEYS = {"id", "topic", "act", "points_to", "recorded", "body"}


def export_text(journal: Journal, car: str = "") -> str:
    """Every entry on its own line, after a first line that says how many and of which car."""
    entries = journal.entries()
    named = {"car": car} if car else {}
    lines = [json.dumps({"format": FORMAT, "entries": len(entries), **named})]
    lines += [
        json.dumps(
            {
                "id": entry.id,
                "topic": entry.topic,
                "act": entry.act,
                "points_to": entry.points_to,
                "recorded": entry.recorded,
                "body": json.loads(body_text(entry.body)),
            },
            allow_nan=False,
        )
        for entry in entries
    ]
    return "\n".join(lines) + "\n"


def import_text(journal: Journal, text: str, file: str, car: str = "") -> int:
    """Bring a journal up to what an export holds; the number of entries that were added.

    What the journal holds already must be how the export begins, and an export that names its car
    must name this one. Nothing is stored otherwise.
    """
    wanted = _entries(text, file)
    other = _object(text.split("\n", 1)[0], Place(file, 1)).get("car", "")
    if car and other and car != other:
        raise FileRefused(
            f"is the journal of another car: {other}", Place(file, 1), accepted=car,
            advice="evidence is of the car it was read on; when it is the same car, give it the "
            "same name in build.toml; nothing was changed",
        )  # fmt: skip
    with journal.writing():
        present = journal.entries()
        for ours, theirs in zip(present, wanted, strict=False):
            if _content(ours) != _content(theirs):
                raise FileRefused(
                    f"holds another entry {ours.id} than the journal has",
                    Place(file, ours.id + 1), accepted="an export of this same journal",
                    advice="import into an empty build folder; nothing was changed",
                )  # fmt: skip
        for entry in wanted[len(present) :]:
            journal.add(entry.topic, entry.act, entry.body, entry.points_to, entry.recorded)
    return max(len(wanted) - len(present), 0)


def _content(entry: Entry) -> tuple[object, ...]:
    return (
        entry.id, entry.topic, entry.act, entry.points_to, entry.recorded, body_text(entry.body)
    )  # fmt: skip


def _entries(text: str, file: str) -> tuple[Entry, ...]:
    lines = text.rstrip("\r\n").split("\n")
    head = _object(lines[0], Place(file, 1))
    if head.get("format") != FORMAT:
        raise FileRefused(
            "is not an export of a journal", Place(file, 1), accepted=f"a first line with {FORMAT}"
        )
    found: list[Entry] = []
    for number, line in enumerate(lines[1:], start=2):
        place = Place(file, number)
        try:
            found.append(_entry(_object(line, place), found))
        except (ValueError, TypeError, KeyError, RecursionError) as fault:
            if isinstance(fault, FileRefused):
                raise
            raise FileRefused(
                f"an entry that no journal can hold: {fault}", place,
                advice="export again; nothing was changed",
            ) from None  # fmt: skip
    if head.get("entries") != len(found):
        raise FileRefused(
            f"is cut short or longer than it says: {len(found)} entries, the first line says "
            f"{head.get('entries')}", Place(file), advice="export again; nothing was changed",
        )  # fmt: skip
    return tuple(found)


def _object(line: str, place: Place) -> Mapping[str, Any]:
    def no_number(word: str) -> NoReturn:
        raise ValueError(f"{word} is not a number")

    try:
        found = json.loads(line, parse_constant=no_number)
    except (ValueError, RecursionError) as fault:
        raise FileRefused(f"is not JSON: {fault}", place, accepted="one JSON object") from None
    if not isinstance(found, dict):
        raise FileRefused("is not a JSON object", place, accepted="one JSON object")
    return found


def _entry(row: Mapping[str, Any], before: list[Entry]) -> Entry:
    """One entry, held against what the file itself would refuse."""
    if set(row) != KEYS:
        raise ValueError(f"keys {', '.join(sorted(KEYS))} are needed, no others")
    number, pointed = row["id"], row["points_to"]
    if type(number) is not int or number != len(before) + 1:
        raise ValueError(f"its id is {number!r}, {len(before) + 1} is the next")
    if pointed is not None and (type(pointed) is not int or not 1 <= pointed < number):
        raise ValueError(f"it points to {pointed!r}, which is no earlier entry")
    for key in ("topic", "act"):
        if not isinstance(row[key], str) or not WORD.fullmatch(row[key]):
            raise ValueError(f"{key} is not a word")
    if not isinstance(row["recorded"], str) or not isinstance(row["body"], dict):
        raise ValueError("recorded is no time, or body is no object")
    datetime.fromisoformat(row["recorded"])
    body_text(row["body"])
    entry = Entry(number, row["topic"], row["act"], pointed, row["recorded"], row["body"])
    if entry.topic == TOPIC:
        _judge_reading(entry, before)
    return entry


def _judge_reading(entry: Entry, before: list[Entry]) -> None:
    if entry.act not in ACTS or (entry.act == "new") != (entry.points_to is None):
        raise ValueError(f"a reading cannot be {entry.act!r} like this")
    if entry.points_to is not None:
        target = before[entry.points_to - 1]
        taken = any(e.points_to == target.id for e in before if e.topic == TOPIC)
        if target.topic != TOPIC or target.act == "withdraws" or taken:
            raise ValueError(f"entry {target.id} is no reading that still stands")
    if entry.act != "withdraws":
        from_row(row_of(entry.body))
