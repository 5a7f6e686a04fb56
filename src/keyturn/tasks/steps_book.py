"""Steps in the journal: what was written down as entries, and the entries as a history again."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import datetime
from typing import Any

from keyturn.journal.readings import TOPIC as READING
from keyturn.journal.store import Entry, Journal, damaged
from keyturn.procedure.evidence import Answer, History, Override, Record, Timer
from keyturn.procedure.ladder import Climb, past
from keyturn.procedure.open_items import STANDS_BEFORE, Item, Sweep
from keyturn.procedure.stages import AREAS

STEP, OPEN_ITEM, OVERRIDE = "step", "open-item", "override"
TOPICS = (STEP, OPEN_ITEM, OVERRIDE)


def history(journal: Journal) -> History:
    """All that was written down about the job; an entry that cannot be one is named."""
    found = _Found()
    for entry in journal.entries():
        if entry.topic in TOPICS:
            try:
                found.take(entry)
            except (KeyError, TypeError, ValueError) as fault:
                raise damaged(journal.path, f"entry {entry.id}: {fault}") from None
    return found.history(taken_out(journal))


def climbs(journal: Journal) -> tuple[Climb, ...]:
    """Every step of the ladder that was driven, in order."""
    rows = []
    gone = taken_out(journal)
    for entry in journal.entries(STEP):
        if entry.act == "climb":
            try:
                rows.append(_climb(entry, gone))
            except (KeyError, TypeError, ValueError) as fault:
                raise damaged(journal.path, f"entry {entry.id}: {fault}") from None
    return tuple(rows)


def sent(journal: Journal, token: str | None) -> Entry | None:
    """The entry that came under that name of a device: what is sent twice is stored once."""
    if token is None:
        return None
    return next(
        (x for x in journal.entries() if x.topic in TOPICS and x.body.get("token") == token), None
    )


def marked(body: dict[str, Any], token: str | None) -> dict[str, Any]:
    """A body with the name that a device gave it."""
    return body if token is None else body | {"token": token}


class _Found:
    """A history while its entries are read."""

    def __init__(self) -> None:
        self.records: list[Record] = []
        self.timers: list[Timer] = []
        self.items: dict[int, Item] = {}
        self.sweeps: list[Sweep] = []
        self.overrides: dict[int, Override] = {}
        self.opened: tuple[str, ...] | None = None

    def take(self, entry: Entry) -> None:
        kind = (entry.topic, entry.act)
        body = entry.body
        if kind == (STEP, "record"):
            note = str(body.get("note", ""))
            values = _values(body["values"])
            stage, when = str(body["stage"]), _when(entry)
            self.records.append(
                Record(entry.id, stage, when, values, note, _car(body), _tells(body))
            )
        elif kind == (STEP, "timer"):
            own = (str(body["stage"]), str(body["name"]), float(body["minutes"]))
            self.timers.append(Timer(entry.id, *own, _when(entry)))
        elif kind == (STEP, "scope"):
            areas = body["areas"]
            self.opened = None if areas is None else tuple(_area(name) for name in areas)
        elif kind == (OPEN_ITEM, "new"):
            self.items[entry.id] = _item(entry)
        elif kind == (OPEN_ITEM, "closes"):
            old = self.items[entry.points_to or 0]
            self.items[old.at] = replace(old, closed=entry.id, how=str(body.get("how", "")))
        elif kind == (OPEN_ITEM, "sweep"):
            self.sweeps.append(Sweep(entry.id, _when(entry), tuple(map(int, body["open"]))))
        elif kind == (OVERRIDE, "new"):
            own_words = (str(body["stage"]), _reason(body["reason"]))
            self.overrides[entry.id] = Override(entry.id, *own_words, _when(entry))
        elif kind == (OVERRIDE, "withdraws"):
            number = entry.points_to or 0
            self.overrides[number] = replace(self.overrides[number], withdrawn=True)
        elif kind != (STEP, "climb"):
            raise ValueError(f"{entry.act!r} is nothing that is done with a {entry.topic}")

    def history(self, gone: Mapping[int, str]) -> History:
        records = [replace(x, retracted=_retracted(x.tells, gone)) for x in self.records]
        return History(
            tuple(records), tuple(self.timers), tuple(self.items.values()),
            tuple(self.sweeps), tuple(self.overrides.values()), self.opened,
        )  # fmt: skip


def item_body(item: Item) -> dict[str, Any]:
    """What is stored of a new open item."""
    return {
        "what": item.what, "area": item.area, "where": item.where, "minutes": item.minutes,
        "needs": list(item.needs), "after": list(item.after), "stands_before": item.stands_before,
    }  # fmt: skip


def _item(entry: Entry) -> Item:
    body = entry.body
    stands = str(body["stands_before"])
    if stands not in STANDS_BEFORE:
        raise ValueError(f"stands_before is {stands!r}")
    return Item(
        at=entry.id, what=str(body["what"]), area=_area(body["area"]),
        where=str(body.get("where", "")), minutes=float(body["minutes"]),
        needs=tuple(map(str, body["needs"])), after=tuple(map(int, body["after"])),
        stands_before=stands, recorded=_when(entry),
    )  # fmt: skip


def _climb(entry: Entry, gone: Mapping[int, str]) -> Climb:
    body = entry.body
    values = {name: float(value) for name, value in body["values"].items()}
    against = _retracted(_tells(body), gone)
    if body["clean"] is True and "abort" in body and not against:
        # what stands beside the numbers has to agree with them, whoever wrote it there
        stated = {name: float(value) for name, value in body["abort"].items()}
        against = past(str(body["step"]), values, stated)
    return Climb(
        entry.id, str(body["step"]), _when(entry), body["clean"] is True and not against,
        values, against or str(body.get("why", "")), str(body.get("note", "")), _car(body),
    )  # fmt: skip


def taken_out(journal: Journal) -> dict[int, str]:
    """Readings that say nothing any more, by number, with what became of them."""
    words = {"withdraws": "taken out", "corrects": "corrected"}
    return {
        entry.points_to: words[entry.act]
        for entry in journal.entries(READING)
        if entry.points_to is not None and entry.act in words
    }


def _tells(body: Mapping[str, Any]) -> tuple[int, ...]:
    return tuple(map(int, body.get("tells", ())))


def _retracted(tells: Iterable[int], gone: Mapping[int, str]) -> str:
    """Why a record is none any more; empty when all of its readings stand."""
    return next(
        (f"its reading {number} was {gone[number]} since" for number in tells if number in gone), ""
    )


def _car(body: Mapping[str, Any]) -> Mapping[str, object] | None:
    """The car as it was built then, where it was kept."""
    found = body.get("car")
    if found is None:
        return None
    for key, value in dict(found).items():
        numbers = isinstance(value, list) and [type(x) for x in value] == [float, float]
        if not numbers and not isinstance(value, str):
            raise ValueError(f"{key} of the car is {value!r}")
    return dict(found)


def _area(name: object) -> str:
    if name not in AREAS:
        raise ValueError(f"no such area: {name!r}")
    return str(name)


def _reason(text: object) -> str:
    if not isinstance(text, str) or not text.strip():
        raise ValueError("an override without a reason")
    return text


def _values(found: Mapping[str, object]) -> dict[str, Answer]:
    values: dict[str, Answer] = {}
    for name, value in found.items():
        if not isinstance(value, (bool, int, float, str)):
            raise ValueError(f"{name} is {value!r}")
        values[name] = value
    return values


def _when(entry: Entry) -> float:
    return datetime.fromisoformat(entry.recorded).timestamp()
