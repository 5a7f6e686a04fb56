"""What the Parts page sends, as changes of build.toml; and the sheet as plain data."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from keyturn.build.change import Change, block_text, long_value, value_at
from keyturn.build.paste import as_toml
from keyturn.build.schema import MANY
from keyturn.build.sheet import WITHOUT_GRADE, Entry, Group, Sheet, as_text
from keyturn.errors import BuildError, BuildErrors, Place, UnknownKey, ValueRefused
from keyturn.web.faults import Stale, described

NUMBER = re.compile(r"[+-]?\d+(?:\.\d+)?(?:[eE][+-]?\d+)?")
SHARE = re.compile(r"(\d+(?:\.\d+)?)\s*%")
MOST_EDITS = 60


class Edit(BaseModel):
    """One key as it was typed; ``value`` None leaves the key out of the file.

    A table is typed as lines "x : y". ``seen`` is what the page showed as the file's content.
    """

    model_config = ConfigDict(extra="forbid")

    key: str = Field(max_length=120)
    value: str | None = Field(default=None, max_length=8000)
    grade: str | None = Field(default=None, max_length=40)
    spread: str | None = Field(default=None, max_length=80)
    source: str | None = Field(default=None, max_length=400)
    confirmed: bool = False
    seen: str | None = Field(default=None, max_length=9000)
    entry: str | None = Field(default=None, max_length=400)  # title of the table it was typed in


class Parts(BaseModel):
    """Edits of keys."""

    model_config = ConfigDict(extra="forbid")

    edits: list[Edit] = Field(max_length=MOST_EDITS)
    revision: str = Field(default="", max_length=64)


class Rearrange(BaseModel):
    """An entry of a list, or a section: added, taken out or moved."""

    model_config = ConfigDict(extra="forbid")

    operation: Literal["add", "take", "move"]
    key: str = Field(max_length=60)
    to: int = Field(default=0, ge=0, le=200)
    part: str = Field(default="", max_length=40)
    revision: str = Field(max_length=64)


class Turn(BaseModel):
    """Which edit is meant to be taken back or made again."""

    model_config = ConfigDict(extra="forbid")

    id: int | None = None


def seen_of(document: Mapping[str, Any], key: str) -> str:
    """What stands under a key as one text, to tell whether it is still what a page showed."""
    raw = value_at(document, key)
    if raw is None and key.endswith(".at_flow"):
        raw = value_at(document, key.replace(".at_flow", ".drop.at_flow"))
    return as_text(raw)


def change_of(edit: Edit, sheet: Sheet, document: Mapping[str, Any]) -> Change | None:
    """The edit as a change; None when it would change nothing."""
    entry = sheet.entry(edit.key)
    if entry is None:
        raise UnknownKey("is not a key of this build", Place(None, None, edit.key))
    key = edit.key
    before = value_at(document, key)
    inside = key.endswith(".at_flow") and before is None
    if inside and value_at(document, key.replace(".at_flow", ".drop.at_flow")) is not None:
        key = key.replace(".at_flow", ".drop.at_flow")
        before = value_at(document, key)
    if edit.value is not None and not edit.value.strip():
        edit = edit.model_copy(update={"value": None})
    if edit.value is None:
        return Change("remove", key) if before is not None else None
    value = _plain_data(typed_value(edit.value, entry), entry)
    if entry.kind == "prior":
        said = entry.source if edit.source is None else edit.source.strip()
        value = {"value": value, "reason": said} if said else value
    if entry.kind not in (*WITHOUT_GRADE, "foreign"):
        kept = {"grade": edit.grade, "spread": edit.spread, "source": edit.source}
        value = long_value(before, value, kept, edit.confirmed)
    return None if value == before else Change("set", key, value)


def typed_value(text: str, entry: Entry) -> Any:
    """Typed text as TOML data of the kind that the key wants."""
    text = text.strip()
    if entry.kind in ("text", "choice", "size"):
        return text
    share = SHARE.fullmatch(text) if entry.kind == "prior" else None
    if share is not None:
        return float(share[1]) / 100.0
    if entry.kind in ("prior", "yesno", "count", "number", "changes", "foreign"):
        return as_toml(text)
    if entry.kind == "curve" and (":" in text or "\n" in text):
        return [_pair(line, entry) for line in text.splitlines() if line.strip()]
    return _number(text)


def _plain_data(value: Any, entry: Entry) -> Any:
    """Dates and not-a-numbers are TOML, but nothing of a build, and no journal takes them."""
    try:
        json.dumps(value, allow_nan=False)
    except (TypeError, ValueError):
        raise ValueRefused("is no value of a build", Place(None, None, entry.key),
                           accepted=entry.example) from None  # fmt: skip
    return value


def _pair(line: str, entry: Entry) -> list[Any]:
    at, colon, value = line.partition(":")
    if not colon or not at.strip() or not value.strip():
        raise ValueRefused("a row lacks one of its two values", Place(None, None, entry.key),
                           typed=line.strip(), accepted="both columns filled in")  # fmt: skip
    return [_number(at.strip()), _number(value.strip())]


def _number(text: str) -> Any:
    """A plain number stays one, so that a share such as 0.9 is written as it was before."""
    return as_toml(text) if NUMBER.fullmatch(text) else text


def raw_changes(
    edits: list[Edit], sheet: Sheet, document: Mapping[str, Any]
) -> tuple[list[Change], list[BuildError]]:
    """All edits as changes, with the faults of those that cannot even be that."""
    made: list[Change] = []
    faults: list[BuildError] = []
    for edit in edits:
        try:
            change = change_of(edit, sheet, document)
            made += [change] if change is not None else []
        except BuildError as fault:
            faults.append(fault)
    return made, faults


def check_seen(form: Parts, sheet: Sheet, document: Mapping[str, Any], revision: str) -> None:
    """Refuse an edit of what is no longer as the page showed it when typing began."""
    titles = {group.base: group.title for s in sheet.sections for group in s.groups}
    for edit in form.edits:
        base = ".".join(edit.key.split(".")[:2])
        listed = edit.key.split(".")[0] in MANY
        now = seen_of(document, edit.key)
        moved = listed and edit.entry is not None and titles.get(base) != edit.entry
        if moved or (edit.seen is not None and edit.seen != now):
            raise Stale(edit.key, now, revision)


def rearrangement(form: Rearrange, text: str) -> Change:
    """The change; a new entry begins with no more than it must have."""
    if form.operation != "add":
        block_text(text, form.key)
        return Change(form.operation, form.key, to=form.to)
    name = form.key.partition(".")[0]
    start = {
        "feed": f'part = "{form.part or "hose"}"', "return": f'part = "{form.part or "hose"}"',
        "belt": 'drives = "blower"',
        "option": 'name = "what it is"\nprice = 0\nchanges = {"pump.count" = 1}',
    }  # fmt: skip
    if name not in start or not re.fullmatch(r"[a-z-]*", form.part):
        raise UnknownKey("cannot be added here", Place(None, None, name))
    return Change("add", form.key, f"[[{name}]]\n{start[name]}\n")


# --- the sheet as plain data -----------------------------------------------------------------


def plain(fault: BuildError) -> list[dict[str, Any]]:
    """Faults as rows for the fields."""
    rows = fault.faults if isinstance(fault, BuildErrors) else (fault,)
    return [described(row) for row in rows]


def sheet_row(sheet: Sheet, document: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Every section with its tables and keys."""
    return [
        {"name": s.name, "title": s.title, "many": s.many, "absent": s.absent,
         "groups": [_group_row(group, document) for group in s.groups]}
        for s in sheet.sections
    ]  # fmt: skip


def _group_row(group: Group, document: Mapping[str, Any]) -> dict[str, Any]:
    entries = [entry_row(entry, document) for entry in group.entries]
    return {"base": group.base, "title": group.title, "part": group.part, "entries": entries}


def entry_row(entry: Entry, document: Mapping[str, Any]) -> dict[str, Any]:
    """One key; ``text`` is what stands in its field."""
    text = "\n".join(f"{x} : {y}" for x, y in entry.points) if entry.points else entry.text
    return {
        "key": entry.key, "about": entry.about, "kind": entry.kind, "text": text,
        "given": entry.given, "grade": entry.grade, "grade_said": entry.grade_said,
        "spread": entry.spread, "spread_default": entry.spread_default, "source": entry.source,
        "default": entry.default, "reason": entry.reason, "needed": entry.needed,
        "units": entry.units, "choices": entry.choices, "usual": entry.usual,
        "seen": seen_of(document, entry.key), "example": entry.example,
    }  # fmt: skip
