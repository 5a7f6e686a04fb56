"""Readings in the journal: what was added, and how each stands now."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from keyturn.errors import ValueRefused
from keyturn.evidence.reading import Reading, Status, from_row, to_row
from keyturn.journal.store import Entry, Journal, damaged

TOPIC = "reading"
ACTS = ("new", "corrects", "confirms", "withdraws")
OF_THE_ENTRY = ("id", "recorded", "corrects")  # said by the entry itself, not by its body
TOKEN = "token"  # in a body: what the device called the reading, so that it is stored once
MOST_TOKEN = 64


def readings(journal: Journal) -> tuple[Reading, ...]:
    """Every reading ever stored, with what became of it, in the order of writing."""
    found: dict[int, Reading] = {}
    for entry in journal.entries(TOPIC):
        if entry.points_to is not None and entry.points_to in found:
            past: Status = "withdrawn" if entry.act == "withdraws" else "replaced"
            found[entry.points_to] = replace(found[entry.points_to], status=past)
        if entry.act != "withdraws":
            try:
                found[entry.id] = _of(entry)
            except ValueError as fault:
                raise damaged(journal.path, f"entry {entry.id}: {fault}") from None
    return tuple(found.values())


def row_of(body: Mapping[str, Any]) -> dict[str, Any]:
    """The reading in a body, without the token that a device may have put beside it.

    Raises
    ------
    ValueError
        The token is no short text.
    """
    token = body.get(TOKEN, "-")
    if not isinstance(token, str) or not 0 < len(token) <= MOST_TOKEN:
        raise ValueError("the token is no short text")
    return {name: value for name, value in body.items() if name != TOKEN}


def _of(entry: Entry) -> Reading:
    return replace(
        from_row(row_of(entry.body)), id=entry.id, recorded=entry.recorded,
        corrects=entry.points_to,
    )  # fmt: skip


def store(journal: Journal, new: Sequence[Reading]) -> tuple[Reading, ...]:
    """Add readings, all or none; returned with their ids once they are on disk."""
    with journal.writing():
        entries = [journal.add(TOPIC, "new", _body(reading)) for reading in new]
    return tuple(_of(entry) for entry in entries)


def store_once(journal: Journal, new: Reading, token: str) -> tuple[Reading, bool]:
    """Add a reading that a device sends under a token of its own, and whether it is new.

    A device that got no answer sends again: the same token gets the reading that is there.
    """
    (done,) = store_each_once(journal, [(new, token)])
    return done


def store_each_once(
    journal: Journal, new: Sequence[tuple[Reading, str]]
) -> tuple[tuple[Reading, bool], ...]:
    """The same for several readings, each with its token; all or none."""
    done = []
    with journal.writing():
        known = {entry.body[TOKEN]: entry for entry in journal.entries(TOPIC)
                 if TOKEN in entry.body}  # fmt: skip
        for reading, token in new:
            there = known.get(token)
            if there is None:
                known[token] = journal.add(TOPIC, "new", _body(reading) | {TOKEN: token})
            elif not _same(_of(there), reading):
                raise ValueRefused(
                    "this device sent another reading under the same token", typed=reading.typed,
                    advice=f"reading {there.id} was stored; type this one as a new reading",
                )  # fmt: skip
            done.append((_of(known[token]), there is None))
    return tuple(done)


def _same(one: Reading, other: Reading) -> bool:
    return (one.kind, one.state, one.typed) == (other.kind, other.state, other.typed)


def put_in_place_of(journal: Journal, number: int, new: Reading, act: str) -> Reading:
    """Add a reading that replaces another; ``act`` says why: "corrects" or "confirms"."""
    with journal.writing():
        standing(journal, number)
        entry = journal.add(TOPIC, act, _body(new), number)
    return _of(entry)


def withdraw(journal: Journal, number: int, note: str) -> None:
    """Say that a reading is not to be used; it stays in the journal."""
    with journal.writing():
        standing(journal, number)
        journal.add(TOPIC, "withdraws", {"note": note}, number)


def standing(journal: Journal, number: int) -> Reading:
    """The reading of that number, refused when there is none or when it was replaced."""
    found = {reading.id: reading for reading in readings(journal)}
    if number not in found:
        raise ValueRefused(
            f"there is no reading {number} in the journal", typed=str(number),
            advice="see the numbers with: keyturn read BUILD --list",
        )  # fmt: skip
    if found[number].status in ("replaced", "withdrawn"):
        later = next((r.id for r in found.values() if r.corrects == number), None)
        raise ValueRefused(
            f"reading {number} was {found[number].status} already", typed=str(number),
            advice=f"did you mean {later}?" if later else "type it as a new reading",
        )  # fmt: skip
    return found[number]


def _body(reading: Reading) -> dict[str, object]:
    return {name: value for name, value in to_row(reading).items() if name not in OF_THE_ENTRY}
