"""The feed and the return: parts in order, with the marks for pump and regulator."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, cast

from keyturn.build import library
from keyturn.build.model import Part, PartKind, Value
from keyturn.build.schema import Field, assumed, nearest
from keyturn.build.section import Section, blank_value
from keyturn.build.values import as_typed, value
from keyturn.errors import ValueRefused

MARKS = ("pump", "regulator")
USED = {
    "strainer": ("drop", "at_flow", "linear"),
    "filter": ("drop", "at_flow", "linear"),
    "check-valve": ("drop", "at_flow", "linear", "opening"),
    "hose": ("diameter", "length", "roughness", "curve_diameter", "size", "loss"),
    "tube": ("diameter", "length", "roughness", "curve_diameter", "size", "loss"),
    "fitting": ("diameter", "loss", "kind", "size"),
}
ALWAYS = ("part", "label", "count", "grade", "source", "note")
LINEAR = {"strainer": 0.8, "filter": 0.7, "check-valve": 0.1}  # share that grows with the flow


def feed_paths(found: list[Section]) -> tuple[tuple[Part, ...], tuple[Part, ...], int | None]:
    """Parts before the pump, parts after it, and how many stand before the regulator mark."""
    kinds = [section.choice("part", "hose") for section in found]
    for mark in MARKS:
        if kinds.count(mark) > 1:
            found[kinds.index(mark)].refuse(f"the {mark} is marked twice", "part", "one mark")
    unmarked = int(kinds[:1] == ["strainer"])  # a leading strainer is on the suction side
    split = kinds.index("pump") if "pump" in kinds else unmarked
    before: list[Part] = []
    after: list[Part] = []
    position: int | None = None
    for index, (section, kind) in enumerate(zip(found, kinds, strict=True)):
        if kind == "regulator":
            position = len(after)
            if "pump" in kinds and index < split:
                section.refuse("the regulator stands before the pump", "part", "after the pump")
        if kind not in MARKS:
            (before if index < split else after).append(_part(section, kind))
    return tuple(before), tuple(after), position


def return_path(found: list[Section]) -> tuple[Part, ...]:
    """Parts from the regulator back to the tank."""
    parts = []
    for section in found:
        kind = section.choice("part", "hose")
        if kind in MARKS:
            section.refuse("has no place in the return", "part", ", ".join(USED))
            continue
        parts.append(_part(section, kind))
    return tuple(parts)


def _part(section: Section, kind: str) -> Part:
    for name in section.table:
        if name in section.fields and name not in (*USED[kind], *ALWAYS):
            section.refuse(f"means nothing for a {kind}", name, ", ".join(USED[kind]))
    made: dict[str, Any] = {}
    if kind in ("hose", "tube"):
        made = _line(section, kind)
    elif kind == "fitting":
        made = {"diameter": _diameter(section), "loss": _loss(section)}
    else:
        default = f"feed.drop.{kind}"
        made["drop"], made["at_flow"] = drop_at_flow(section, default, "feed.at_flow", "flow")
        made["linear"] = section.number("linear", LINEAR[kind])
        if kind == "check-valve":
            made["opening"] = section.value("opening", "feed.opening")
    size = section.table.get("size", section.table.get("kind", ""))
    label = section.text("label", f"{kind} {size}".strip() if isinstance(size, str) else kind)
    return Part(
        kind=cast(PartKind, kind), label=label, key=section.base,
        count=section.count("count", 1), **made,
    )  # fmt: skip


def _line(section: Section, kind: str) -> dict[str, Any]:
    found: dict[str, Any] = {
        "diameter": _diameter(section),
        "length": section.value("length", f"feed.length.{kind}"),
        "roughness": _roughness(section),
        "curve_diameter": section.maybe("curve_diameter"),
        "loss": section.maybe("loss"),
    }
    bend = found["curve_diameter"]
    if bend is not None and bend.si <= 2.0 * found["diameter"].si:
        section.refuse("is bent tighter than twice its bore", "curve_diameter", "a larger bend")
    return found


def _library_row(section: Section) -> Mapping[str, Any] | None:
    """The row of hoses.toml that `size` names, by its whole name or by "-6" or "8 mm"."""
    raw = section.table.get("size")
    kind = "tube" if section.table.get("part") == "tube" else "hose"  # fittings fit hoses
    rows = library.entries("hoses")
    if not isinstance(raw, str):
        return None
    if raw in rows:
        return rows[raw]
    words = f" {raw.strip()} "
    # The first of several walls is the thin one that fuel lines are usually made with.
    return next((row for name, row in rows.items() if kind in name and words in f"{name} "), None)


def _diameter(section: Section) -> Value:
    key = section.key("diameter")
    if not section.has("size"):
        return section.value("diameter", "feed.diameter")
    if section.has("diameter"):
        section.refuse(
            "contradicts `diameter`: two ways to say one thing", "size", advice="keep one of them"
        )
        return blank_value(key)
    row = _library_row(section)
    if row is None:
        rows = library.entries("hoses")
        near = nearest(str(section.table["size"]), rows)
        section.refuse(
            "no such size in the library",
            "size",
            ", ".join(rows),
            f"did you mean {near}?" if near else "give diameter = ... instead",
        )
        return blank_value(key)
    return _from_library(section, "diameter", row)


def _roughness(section: Section) -> Value:
    row = _library_row(section) if section.has("size") else None
    if row is not None and not section.has("roughness"):
        return _from_library(section, "roughness", row)
    return section.value("roughness", "feed.roughness")


SPREAD = {"diameter": 0.03, "roughness": 0.5, "loss": 0.2}  # of a row that says none


def _from_library(section: Section, name: str, row: Mapping[str, Any]) -> Value:
    return Value(
        si=float(row[name]),
        spread=float(row.get("spread", SPREAD[name])),
        law="scale",
        grade=row["grade"],
        quantity=section.fields[name].quantity,
        key=section.key(name),
        typed=f"{row['name']} (library)",
        source=row["source"],
    )


def _loss(section: Section) -> Value:
    if not section.has("kind"):
        return section.value("loss", "feed.loss")
    if section.has("loss"):
        section.refuse("contradicts `loss`: two ways to say one thing", "kind",
                       advice="keep one of them")  # fmt: skip
    rows = library.entries("fittings")
    raw = section.table["kind"]
    row = rows.get(raw) if isinstance(raw, str) else None
    if row is None:
        near = nearest(raw, rows) if isinstance(raw, str) else None
        section.refuse(
            "no such fitting in the library", "kind", ", ".join(rows) or "loss = ... instead",
            f"did you mean {near}?" if near else "give loss = ... instead",
        )  # fmt: skip
        return blank_value(section.key("loss"))
    return _from_library(section, "loss", row)


def drop_at_flow(
    section: Section, default_drop: str, default_flow: str, quantity: str
) -> tuple[Value, Value]:
    """A pressure drop and the flow it was read at: {value, at_flow} or two keys."""
    raw = section.table.get("drop")
    flow_key = section.key("at_flow")
    if raw is None:
        if section.has("at_flow"):
            section.refuse("says nothing without `drop`", "at_flow", advice="state both or none")
        return section.assume("drop", default_drop), _at_flow(section, default_flow, quantity)
    long = dict(raw) if isinstance(raw, Mapping) else {"value": raw}
    at_flow = long.pop("at_flow", section.table.get("at_flow"))
    entry = section.fields["drop"]
    key = section.key("drop")
    drop = section.tried(
        lambda: value(long, entry, key, section.table, section.context), blank_value(key)
    )
    if at_flow is None:
        section.context.errors.append(
            ValueRefused(
                "a pressure drop says nothing without its flow", section.context.place(key),
                as_typed(raw), entry.example, "add at_flow: the flow at which it was read",
            )
        )  # fmt: skip
        return drop, blank_value(flow_key)
    flow_field = _flow_field(section, quantity)
    flow = section.tried(
        lambda: value(at_flow, flow_field, flow_key, section.table, section.context),
        blank_value(flow_key),
    )
    return drop, flow


def _flow_field(section: Section, quantity: str) -> Field:
    usual = ("10 g/s", "1500 g/s") if quantity == "mass_flow" else ("5 L/h", "1500 L/h")
    return Field(name="at_flow", about="", quantity=quantity, usual=usual)


def _at_flow(section: Section, default: str, quantity: str) -> Value:
    row = assumed()[default]
    long = {"value": row["value"], "spread": row["spread"], "grade": "assumed"}
    long["source"] = row["reason"]
    field = _flow_field(section, quantity)
    return value(long, field, section.key("at_flow"), {}, section.context)
