"""Changes of build.toml that can be undone: set or remove a key, add, take out or move an entry.

Keys are set in the parsed document, so that comments stay; entries of a list are moved as whole
blocks of lines, with the comments above them. What comes out is read as a build before it is
written: a change is refused for every fault that was not there before it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Literal

from keyturn.build.lines import HEADER
from keyturn.build.paste import set_key
from keyturn.build.read import BUILD_FILE, from_text, parse_document
from keyturn.build.schema import MANY, sections
from keyturn.errors import BuildError, BuildErrors, Place, UnknownKey, ValueRefused

Operation = Literal["set", "remove", "add", "take", "move"]
PARTS = ("spread", "grade", "source")


@dataclass(frozen=True)
class Change:
    """One change. ``key`` is dotted; of an entry of a list its list and number ("feed.2").

    set: ``value`` is plain TOML data, None removes the key. add: ``value`` is the text of the
    block. move: ``to`` is the new number. A whole section ("cooler") is taken out and added too.
    """

    operation: Operation
    key: str
    value: Any = None
    to: int = 0


def long_value(
    before: Any, value: Any, said: Mapping[str, str | None], confirmed: bool = False
) -> Any:
    """The short form when only a value is said, else the long form with what was said before.

    ``said`` maps spread, grade, source to a text, "" takes it away, None leaves it.
    """
    kept = dict(before) if isinstance(before, Mapping) else {}
    kept.pop("confirmed", None)
    made = {"value": value, **{k: v for k, v in kept.items() if k != "value"}}
    for name in PARTS:
        text = said.get(name)
        if text == "":
            made.pop(name, None)
        elif text is not None:
            made[name] = text
    if confirmed:
        made["confirmed"] = True
    return value if set(made) == {"value"} else made


def value_at(document: Mapping[str, Any], key: str) -> Any:
    """What stands under a dotted key, None when nothing does."""
    node: Any = document
    for part in key.split("."):
        if isinstance(node, list):
            inside = part.isdigit() and 1 <= int(part) <= len(node)
            node = node[int(part) - 1] if inside else None
        elif isinstance(node, Mapping):
            node = node.get(part)
        else:
            return None
    return node


def changed(text: str, changes: Sequence[Change], file: str = BUILD_FILE) -> str:
    """The text after the changes; raises when they bring a fault that was not there before."""
    before = faults_of(text, file)
    after = apply_all(text, changes, file)
    told = {(fault.place.key, fault.problem) for fault in before}
    new = [f for f in faults_of(after, file) if (f.place.key, f.problem) not in told]
    if len(new) == 1:
        raise new[0]
    if new:
        raise BuildErrors(new)
    return after


def apply_all(text: str, changes: Sequence[Change], file: str = BUILD_FILE) -> str:
    """The text after the changes, whatever it says then."""
    for change in changes:
        text = _apply(text, change, file)
    return text


@lru_cache(maxsize=16)  # while somebody types, the same file is judged again and again
def faults_of(text: str, file: str = BUILD_FILE) -> tuple[BuildError, ...]:
    """Every fault of a build text."""
    try:
        from_text(text, file)
    except BuildErrors as group:
        return group.faults
    except BuildError as fault:
        return (fault,)
    return ()


def _apply(text: str, change: Change, file: str) -> str:
    if change.operation == "set":
        return _set(text, change, file)
    if change.operation == "remove":
        return _set(text, Change("set", change.key), file)
    return _listed(text, change, file)


def steps(text: str, changes: Sequence[Change], file: str = BUILD_FILE) -> list[dict[str, Any]]:
    """What each change does, plainly enough to be undone: operation, key, before, after."""
    done: list[dict[str, Any]] = []
    for change in changes:
        listed = change.operation in ("take", "move")
        before = (
            block_text(text, change.key)
            if listed
            else value_at(parse_document(text, file), change.key)
        )
        row = {"operation": change.operation, "key": change.key, "before": before,
               "after": change.value, "to": change.to}  # fmt: skip
        if change.operation == "add":
            row["before"] = None
        done.append(row)
        text = _apply(text, change, file)
    return done


def backwards(text: str, done: Sequence[Mapping[str, Any]], file: str = BUILD_FILE) -> list[Change]:
    """The changes that take ``done`` back; refused when something else stands there by now."""
    made: list[Change] = []
    for row in reversed(done):
        change = _inverse(row)
        _still(text, row, change, file)
        made.append(change)
        text = _apply(text, change, file)
    return made


def forwards(done: Sequence[Mapping[str, Any]]) -> list[Change]:
    """The changes as they were made."""
    return [Change(row["operation"], row["key"], row["after"], row["to"]) for row in done]


def _inverse(row: Mapping[str, Any]) -> Change:
    key = str(row["key"])
    if row["operation"] == "add":
        return Change("take", key)
    if row["operation"] == "take":
        return Change("add", key, row["before"])
    if row["operation"] == "move":
        name, _, number = key.partition(".")
        return Change("move", f"{name}.{row['to']}", to=int(number))
    return Change("set" if row["before"] is not None else "remove", key, row["before"])


def _still(text: str, row: Mapping[str, Any], change: Change, file: str) -> None:
    if change.operation == "add":
        return
    if row["operation"] in ("add", "move"):
        wanted = str(row["after"] if row["operation"] == "add" else row["before"]).strip()
        same = block_text(text, change.key).strip() == wanted
    else:
        same = value_at(parse_document(text, file), change.key) == row["after"]
    if not same:
        raise ValueRefused(
            "was changed again since, from elsewhere", Place(file, None, change.key),
            advice="nothing was taken back; set it by hand to what it should be",
        )  # fmt: skip


def _set(text: str, change: Change, file: str) -> str:
    import tomlkit

    parse_document(text, file)
    document = tomlkit.parse(text)
    place = Place(file, None, change.key)
    if change.value is not None:
        set_key(document, change.key, _inline(change.value), place)
        return tomlkit.dumps(document)
    home, _, name = change.key.rpartition(".")
    table = value_at(document, home) if home else document
    if not hasattr(table, "keys") or name not in table:
        raise UnknownKey("is not in the file", place, advice="nothing was changed")
    del table[name]
    if not table and home and "." in home and not home.split(".")[-1].isdigit():
        return _set(tomlkit.dumps(document), Change("set", home), file)
    return tomlkit.dumps(document)


def _inline(value: Any) -> Any:
    """A mapping as an inline table, so that it stays on the line of its key."""
    import tomlkit

    if isinstance(value, str):
        return tomlkit.string(value)
    if not isinstance(value, Mapping):
        return value
    table = tomlkit.inline_table()
    for name, item in value.items():
        table[name] = _inline(item)
    return table


# --- entries of a list, as blocks of lines -------------------------------------------------------


def blocks(text: str, name: str) -> list[tuple[int, int]]:
    """First and last line (exclusive) of each table of that name, with the comments above it."""
    lines = text.splitlines(keepends=True)
    heads = [(n, found) for n, line in enumerate(lines) if (found := HEADER.match(line))]
    starts = [_above(lines, n) for n, _ in heads] + [len(lines)]
    return [
        (starts[index], starts[index + 1])
        for index, (_, found) in enumerate(heads)
        if found[2].strip() == name
    ]


def _above(lines: Sequence[str], at: int) -> int:
    while at > 0 and lines[at - 1].lstrip().startswith("#"):
        at -= 1
    return at


def block_text(text: str, key: str) -> str:
    """The lines of one entry ("feed.2")."""
    name, number = _entry_of(key)
    found = blocks(text, name)
    if not 1 <= number <= len(found):
        raise _no_entry(key, len(found))
    first, last = found[number - 1]
    return "".join(text.splitlines(keepends=True)[first:last])


def _entry_of(key: str) -> tuple[str, int]:
    """Name and number; a section that stands once is number 1 of its kind."""
    name, _, number = key.partition(".")
    if name in MANY and number.isdigit():
        return name, int(number)
    if name in sections() and name not in (*MANY, "top") and not number:
        return name, 1
    raise UnknownKey("is not an entry of a list", Place(None, None, key),
                     accepted=", ".join(f"{name}.1" for name in MANY))  # fmt: skip


def _no_entry(key: str, count: int) -> ValueRefused:
    return ValueRefused(f"there is no {key}", Place(None, None, key),
                        accepted=f"1 to {count}" if count else "the list is empty")  # fmt: skip


def _listed(text: str, change: Change, file: str) -> str:
    name, number = _entry_of(change.key)
    wanted = _rows(parse_document(text, file), name)
    moved = change.operation == "move"
    for place in (number, change.to) if moved else (number,):
        if not 1 <= place <= len(wanted) + (change.operation == "add"):
            raise _no_entry(f"{name}.{place}", len(wanted))
    if moved:
        block = block_text(text, change.key)
        row = wanted.pop(number - 1)
        after = _put(_cut(text, name, number), name, change.to, block)
        wanted.insert(change.to - 1, row)
    elif change.operation == "take":
        block_text(text, change.key)
        after = _cut(text, name, number)
        wanted.pop(number - 1)
    else:
        after = _put(text, name, number, str(change.value))
        wanted[number - 1 : number - 1] = _rows(parse_document(str(change.value), file), name)
    # lines were moved, not data: make sure that the data says what was meant, and nothing else
    before, now = parse_document(text, file), parse_document(after, file)
    rest = [{k: v for k, v in rows.items() if k != name} for rows in (before, now)]
    if _rows(now, name) != wanted or rest[0] != rest[1]:
        raise ValueRefused("this list is written in a way that cannot be rearranged here",
                           Place(file, None, name), advice="edit build.toml by hand")  # fmt: skip
    return after


def _rows(document: Mapping[str, Any], name: str) -> list[Any]:
    found = document.get(name, [])
    return list(found) if isinstance(found, list) else [found]


def _cut(text: str, name: str, number: int) -> str:
    lines = text.splitlines(keepends=True)
    first, last = blocks(text, name)[number - 1]
    return "".join(lines[:first] + lines[last:])


def _put(text: str, name: str, number: int, block: str) -> str:
    found = blocks(text, name)
    if not 1 <= number <= len(found) + (name in MANY or not found):
        raise _no_entry(f"{name}.{number}", len(found) + 1)
    if text and not text.endswith("\n"):
        text += "\n"
    lines = text.splitlines(keepends=True)
    starts = [first for first, _ in found]
    at = [*starts, found[-1][1] if found else len(lines)][number - 1]
    body = block.rstrip("\n") + "\n"
    gap = "" if at == 0 or not lines[at - 1].strip() else "\n"
    return (
        "".join(lines[:at]) + gap + body + ("\n" if at < len(lines) else "") + "".join(lines[at:])
    )
