"""The build sheet: every key of build.toml with what was typed, for a face that shows and edits it.

It is made from the tables alone, so that a build with faults can still be shown and mended.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from keyturn import units
from keyturn.build import library, priors
from keyturn.build.paths import ALWAYS, MARKS, USED
from keyturn.build.read import build_path, parse_document, read_text
from keyturn.build.schema import (
    MAKING,
    MANY,
    NOTES,
    Field,
    assumed,
    default_spread,
    grades,
    read_data,
    sections,
)
from keyturn.build.values import DIFFERENCE_OF, usual_text
from keyturn.glossary import quantities

# the way of fuel, then of air, then what belongs to both; every other section follows as it stands
ORDER = (
    "feed", "pump", "wiring", "regulator", "return", "injectors", "control",
    "site", "engine", "blower", "boost", "cooler", "belt",
    "fuel", "mixture", "option", "top",
)  # fmt: skip
TITLES = {
    "feed": "Line from tank to rail", "return": "Return line", "top": "About this car",
    "site": "Air where it runs", "option": "What could be bought or changed",
    "control": "Control unit", "belt": "Belt", "cooler": "Charge cooler",
    "boost": "Boost, where no blower is described", "priors": "What you believe beforehand",
    "mixture": "Wanted mixture", "wiring": "Wiring of the pump",
}  # fmt: skip
MAY_BE_ABSENT = ("blower", "boost", "cooler")
WITHOUT_GRADE = ("count", "choice", "yesno", "text", "size", "number", "changes", "prior")


@dataclass(frozen=True)
class Entry:
    """One key: what it is, what is typed, how well that is known, what is taken otherwise."""

    key: str
    name: str
    about: str
    kind: str
    text: str  # as typed; empty when nothing is
    points: tuple[tuple[str, str], ...]  # of a table
    grade: str  # that counts for it
    grade_said: bool  # said for this key itself, not for its table or the file
    spread: str  # as typed
    spread_default: str  # that its grade gives when none is typed
    source: str
    given: bool
    default: str  # what is assumed when nothing is typed; empty when nothing can be
    reason: str  # why that
    needed: bool
    quantity: str
    units: tuple[str, ...]
    choices: tuple[str, ...]
    usual: str
    example: str
    x: str = ""


@dataclass(frozen=True)
class Group:
    """One table of the file: a section, or one entry of a list."""

    base: str  # "pump", "feed.2"; empty for the top of the file
    section: str
    title: str
    entries: tuple[Entry, ...]
    number: int = 0  # of an entry in its list, from 1
    part: str = ""  # kind of a part of a line


@dataclass(frozen=True)
class Section:
    """One section; ``groups`` is empty when the file does not have it."""

    name: str
    title: str
    many: bool
    groups: tuple[Group, ...]
    absent: bool = False  # a section that a car may do without, and this one does


@dataclass(frozen=True)
class Sheet:
    """The whole file in the order in which fuel and air flow."""

    sections: tuple[Section, ...]

    def entries(self) -> Iterator[Entry]:
        for section in self.sections:
            for group in section.groups:
                yield from group.entries

    def entry(self, key: str) -> Entry | None:
        return next((entry for entry in self.entries() if entry.key == key), None)


def sheet(path: str | Path) -> Sheet:
    """The sheet of a build folder; raises only when the file is no TOML."""
    file = build_path(path)
    return sheet_of(parse_document(read_text(file), file.name))


def sheet_of(document: Mapping[str, Any]) -> Sheet:
    """The sheet of the tables of a build file."""
    known = [*ORDER, *(name for name in sections() if name not in ORDER)]
    return Sheet(tuple(_section(name, document) for name in known))


def _section(name: str, document: Mapping[str, Any]) -> Section:
    title = TITLES.get(name, name.capitalize())
    top = str(document.get("grade", "hearsay")), str(document.get("source", ""))
    if name == priors.TABLE:
        return Section(name, title, False, (_priors(document.get(name)),))
    if name in MANY:
        rows = document.get(name)
        tables = [row for row in rows if isinstance(row, Mapping)] if isinstance(rows, list) else []
        groups = [_group(f"{name}.{n}", name, row, top, n) for n, row in enumerate(tables, 1)]
        return Section(name, title, True, tuple(groups))
    if name == "top":
        plain = {k: v for k, v in document.items() if k in sections()["top"] or k in NOTES}
        return Section(name, title, False, (_group("", name, plain, top),))
    table = document.get(name)
    absent = name in MAY_BE_ABSENT and not isinstance(table, Mapping)
    group = _group(name, name, table if isinstance(table, Mapping) else {}, top)
    return Section(name, title, False, (group,), absent)


def _group(
    base: str, section: str, table: Mapping[str, Any], top: tuple[str, str], number: int = 0
) -> Group:
    part = str(table.get("part", "")) if section in ("feed", "return") else ""
    below = str(table.get("grade", top[0])), str(table.get("source", top[1]))
    fields = sections()[section]
    names = [name for name in fields if not part or _used(name, part)]
    names += [str(n) for n in table if n in fields and n not in names]
    made = [
        entry
        for name in names
        for entry in _entries(base, section, fields[name], table, below, part)
    ]
    made += [_foreign(base, str(n), raw) for n, raw in table.items()
             if n not in fields and n not in NOTES]  # fmt: skip
    return Group(base, section, _title(section, table, part, number), tuple(made), number, part)


def _priors(raw: Any) -> Group:
    """Every cause and every spread that may be believed otherwise; ``source`` is the reason."""
    table = raw if isinstance(raw, Mapping) else {}
    inner = table.get(priors.SPREAD)
    spreads = inner if isinstance(inner, Mapping) else {}
    rows = read_data("causes.toml")["cause"]
    whole = sum(float(row["prior"]) for row in rows)
    made = [
        _prior(f"{priors.TABLE}.{row['name']}", row["name"], table.get(row["name"]),
               f"{row['words']}; how likely before any reading",
               f"about {float(row['prior']) / whole:.2g}", str(row["reason"]), "cause")
        for row in rows
    ]  # fmt: skip
    made += [
        _prior(f"{priors.TABLE}.{priors.SPREAD}.{row['name']}", f"spread of {row['name']}",
               spreads.get(row["name"]), f"{row['words']}; factor on its spread once at fault",
               "1", str(row["reason"]), priors.SPREAD)
        for row in read_data("priors.toml")["unknown"] if "fault" in row
    ]  # fmt: skip
    return Group(priors.TABLE, priors.TABLE, TITLES[priors.TABLE], tuple(made))


def _prior(
    key: str, name: str, raw: Any, about: str, default: str, reason: str, moves: str
) -> Entry:
    long = raw if isinstance(raw, Mapping) else {"value": raw}
    return Entry(
        key=key, name=name, about=about, kind="prior", text=as_text(long.get("value")), points=(),
        grade="", grade_said=False, spread="", spread_default="",
        source=str(long.get("reason", "")), given=raw is not None, default=default, reason=reason,
        needed=False, quantity="", units=(), choices=(), usual="",
        example=priors.ACCEPTED[moves],
    )  # fmt: skip


def _used(name: str, part: str) -> bool:
    if name in ("part", "label"):
        return True
    return part not in MARKS and name in (*USED.get(part, ()), *ALWAYS)


def _title(section: str, table: Mapping[str, Any], part: str, number: int) -> str:
    if not number:
        return TITLES.get(section, section.capitalize())
    said = table.get("label") or table.get("name") or table.get("drives")
    if isinstance(said, str) and said.strip():
        return said.strip()
    size = table.get("size", table.get("kind", ""))
    return f"{part or section} {size if isinstance(size, str) else ''}".strip()


def _entries(
    base: str, section: str, field: Field, table: Mapping[str, Any], below: tuple[str, str],
    part: str,
) -> Iterator[Entry]:  # fmt: skip
    """Usually one; a value with a second one inside gives two."""
    raw = table.get(field.name)
    if field.kind == "calibrated":
        inner = raw if isinstance(raw, Mapping) else {}
        for name, kind in (("pressure", field.quantity), ("flow", "flow")):
            about = f"{name} that the calibration assumes; as the injectors are rated when left out"
            sub = Field(name=f"{field.name}.{name}", about=about, quantity=kind,
                        example='"300 kPa"' if name == "pressure" else '"550 cm3/min"')  # fmt: skip
            yield _entry(base, section, sub, inner.get(name), below, part)
        return
    if field.name == "at_flow" and raw is None:
        drop = table.get("drop")
        raw = drop.get("at_flow") if isinstance(drop, Mapping) else None
    yield _entry(base, section, field, raw, below, part)


def _entry(
    base: str, section: str, field: Field, raw: Any, below: tuple[str, str], part: str
) -> Entry:
    long = raw if isinstance(raw, Mapping) and field.kind != "changes" else {"value": raw}
    inner = long.get("value")
    points = _points(inner)
    grade = str(long.get("grade", below[0]))
    default, reason = _assumed(section, field.name, part)
    return Entry(
        key=f"{base}.{field.name}" if base else field.name, name=field.name, about=field.about,
        kind=field.kind, text="" if points else as_text(inner), points=points,
        grade=grade if raw is not None else "assumed", grade_said="grade" in long,
        spread=as_text(long.get("spread")), spread_default=_spread(field, grade),
        source=str(long.get("source", below[1])) if raw is not None else "",
        given=raw is not None, default=default, reason=reason, needed=field.needed,
        quantity=field.quantity, units=_units(field), choices=_choices(field),
        usual=usual_text(field), example=field.example, x=field.x,
    )  # fmt: skip


def _foreign(base: str, name: str, raw: Any) -> Entry:
    """A key that the schema does not list: shown as it stands, for the file is the user's."""
    key = f"{base}.{name}" if base else name
    return Entry(key, name, "kept as it is written in build.toml", "foreign", as_text(raw), (),
                 "", False, "", "", "", True, "", "", False, "", (), (), "", "")  # fmt: skip


def as_text(raw: Any) -> str:
    """A TOML value as one types it into a field."""
    if raw is None:
        return ""
    if isinstance(raw, bool):
        return str(raw).lower()
    if isinstance(raw, Mapping):
        return "{" + ", ".join(f'"{k}" = {_inside(v)}' for k, v in raw.items()) + "}"
    if isinstance(raw, list):
        return "[" + ", ".join(_inside(item) for item in raw) + "]"
    return str(raw)


def _inside(raw: Any) -> str:
    if not isinstance(raw, str):
        return as_text(raw)
    return '"' + raw.replace("\\", "\\\\").replace('"', '\\"') + '"'


def _points(raw: Any) -> tuple[tuple[str, str], ...]:
    good = isinstance(raw, list) and all(isinstance(row, list) and len(row) == 2 for row in raw)
    return tuple((as_text(x), as_text(y)) for x, y in raw) if good else ()


def _assumed(section: str, name: str, part: str) -> tuple[str, str]:
    home = "feed" if section == "return" else section
    row = assumed().get(f"{home}.{name}.{part}") or assumed().get(f"{home}.{name}")
    if row is None:
        return "", ""
    value = row["value"]
    words = (
        ", ".join(f"{as_text(y)} at {as_text(x)}" for x, y in value)
        if isinstance(value, list)
        else as_text(value)
    )
    return words, str(row["reason"])


def _spread(field: Field, grade: str) -> str:
    if field.kind in WITHOUT_GRADE or grade not in grades():
        return ""
    share = default_spread(field, grade, 1.0)
    kind = DIFFERENCE_OF.get(field.quantity, field.quantity)
    absolute = field.law == "set" and default_spread(field, grade, 0.0) > 0.0
    return units.show(share, kind, digits=3) if absolute else f"{share * 100:g} %"


def _units(field: Field) -> tuple[str, ...]:
    """Units to offer: of the example and the usual range first, then of the glossary."""
    if field.quantity not in quantities() or field.kind in WITHOUT_GRADE:
        return ()
    found: list[str] = []
    for text in (*(field.usual or ()), field.example.strip('"')):
        try:
            number, unit = units.split(str(text))
            units.convert(number, unit, field.quantity)
            found.append(unit)
        except units.UnitRefused:
            continue
    offered = dict.fromkeys((*found, *quantities()[field.quantity].display))
    return tuple(unit for unit in offered if unit and unit != "-")


def _choices(field: Field) -> tuple[str, ...]:
    if field.kind == "yesno":
        return ("true", "false")
    return field.choices


def suggestions(entry: Entry, part: str = "") -> tuple[str, ...]:
    """Names of the library that fit a key, for a list under the field."""
    if entry.kind == "size":
        return tuple(library.entries("wires" if entry.key.startswith("wiring") else "hoses"))
    if entry.key == "fuel.kind":
        return tuple(library.fuels())
    return tuple(library.entries("fittings")) if entry.name == "kind" and part else ()


def kept_aside(document: Mapping[str, Any]) -> tuple[str, ...]:
    """Tables that the sheet does not show."""
    return tuple(name for name in MAKING if name in document)
