"""What can be tried on a build: which values, over which range, and the change that it means."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, replace
from functools import cache
from typing import Any

from keyturn.build.change import value_at
from keyturn.build.model import Build, Curve, Value
from keyturn.build.paste import as_toml
from keyturn.build.schema import assumed, read_data
from keyturn.errors import Place, ValueRefused
from keyturn.units import from_si, parse

STATED = "chosen on the check page, not measured"
CHOSEN = "datasheet"  # what is chosen is as good as printed; nobody has measured it


@dataclass(frozen=True)
class Try:
    """One slider or switch. ``now`` is the present value in ``unit``, or the present choice.

    ``points`` is the present table of a scale: what is tried is that table, its second column
    times ``now`` per cent.
    """

    key: str  # the dotted key that a change sets
    words: str
    now: float | str
    typed: str
    unit: str = ""
    low: float = 0.0
    high: float = 0.0
    step: float = 0.0
    choices: tuple[str, ...] = ()
    points: tuple[tuple[str, str], ...] = ()
    grade: str = ""
    quantity: str = ""  # name in the glossary, whose units a page may show instead
    factor: float = 1.0  # SI = number in `unit` * factor + offset
    offset: float = 0.0
    seen: str = ""  # what stands now under each key that is written, see `seen`


@cache
def _rows() -> tuple[dict[str, Any], ...]:
    return tuple(read_data("tries.toml")["try"])


def tries(build: Build, document: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Everything that can be tried on this build, as plain data."""
    known = {item.key: item for item in build.known()}
    known["wiring.size"] = build.wiring.area
    found = [
        made
        for row in _rows()
        if ("needs" not in row or row["needs"] in document)
        and (made := _try(row, known.get(row["key"]), build, document)) is not None
    ]
    return [asdict(replace(item, seen=seen(document, written(item.key)))) for item in found]


def written(key: str) -> tuple[str, ...]:
    """The keys that trying ``key`` may write: see `as_chosen`."""
    base = key.removesuffix(".value")
    return (key,) if key == base else (key, f"{base}.source", f"{base}.grade")


def seen(document: Mapping[str, Any], keys: Iterable[str]) -> str:
    """What stands under each key, as JSON text: whoever applies later says what was seen."""
    return json.dumps({key: standing(document, key) for key in keys})


def standing(document: Mapping[str, Any], key: str) -> str:
    """What stands under one key, exactly; "null" when nothing does."""
    return json.dumps(value_at(document, key), sort_keys=True, default=str)


def _try(
    row: Mapping[str, Any], item: Value | Curve | None, build: Build, document: Mapping[str, Any]
) -> Try | None:
    section, name = row["key"].split(".")
    table = document.get(section, {})
    raw = table.get(name)
    # a value in the long form keeps its spread and its grade: only the number is tried
    key = f"{row['key']}.value" if isinstance(raw, Mapping) else row["key"]
    if "choices" in row:
        now = _choice(row["key"], build, raw)
        choices = tuple(row["choices"])
        return Try(
            key=key, words=row["words"], now=now, typed=now,
            choices=choices if now in choices else (now, *choices),
        )  # fmt: skip
    made = Try(
        key=key, words=row["words"], now=100.0, typed="100 %", unit=row.get("unit", "%"),
        low=float(row["low"]), high=float(row["high"]), step=float(row["step"]),
        grade=item.grade if item is not None else "",
    )  # fmt: skip
    if row.get("scale"):
        points = _points(raw)
        return replace(made, points=points) if item is not None and points else None
    if row["key"] == "site.altitude":
        item = None if "barometer" in table else _altitude(raw, build.site.barometer)
    if not isinstance(item, Value):
        return None
    value = float(f"{from_si(item.si, item.quantity, made.unit):.5g}")
    zero = from_si(0.0, item.quantity, made.unit)
    factor = 1.0 / (from_si(1.0, item.quantity, made.unit) - zero)
    return replace(
        made, now=value, typed=item.typed, low=min(made.low, value), high=max(made.high, value),
        quantity=row.get("quantity", item.quantity), factor=factor, offset=-zero * factor,
    )  # fmt: skip


def _altitude(raw: Any, barometer: Value) -> Value:
    """The build holds the pressure that follows from it; the page shows what was typed."""
    typed = raw.get("value") if isinstance(raw, Mapping) else raw
    typed = str(assumed()["site.altitude"]["value"] if typed is None else typed)
    return barometer.model_copy(
        update={"si": parse(typed, "altitude"), "quantity": "altitude", "typed": typed}
    )


def _choice(key: str, build: Build, raw: Any) -> str:
    present = {
        "regulator.reference": build.regulator.reference,
        "regulator.place": build.regulator.place,
        "fuel.kind": build.fuel.kind,
        "control.corrects_pressure": str(build.control.corrects_pressure).lower(),
    }
    if key in present:
        return present[key]
    if isinstance(raw, Mapping):
        raw = raw.get("value")
    return str(raw) if raw is not None else f"{build.wiring.area.si * 1e6:g} mm2"


def _points(raw: Any) -> tuple[tuple[str, str], ...]:
    """The table as it is typed; a single flow is a table of one."""
    if isinstance(raw, Mapping):
        raw = raw.get("value")
    if isinstance(raw, str):
        return (("", raw),)
    if not isinstance(raw, list):
        return ()
    return tuple((str(x), str(y)) for x, y in raw)


def as_chosen(document: Mapping[str, Any], changes: Mapping[str, str]) -> dict[str, Any]:
    """The changes with what they say about grade and source: a chosen number was not measured."""
    numbers = {row["key"] for row in _rows() if "choices" not in row}
    made: dict[str, Any] = dict(changes)
    for key, text in changes.items():
        base = key.removesuffix(".value")
        if base not in numbers:
            continue
        section, name = base.split(".")
        table = document.get(section, {})
        raw = table.get(name)
        said = raw if isinstance(raw, Mapping) else {}
        if "source" in said:
            made[f"{base}.source"] = STATED
        if said.get("grade", table.get("grade", document.get("grade"))) != "measured":
            continue
        if said:
            made[f"{base}.grade"] = CHOSEN
        else:
            made[key] = {"value": as_toml(text), "grade": CHOSEN}
    return made


def option_changes(build: Build, numbers: Iterable[int]) -> dict[str, Any]:
    """The changes of the options with these numbers, from 1, the later one over the earlier."""
    changes: dict[str, Any] = {}
    for number in numbers:
        if not 1 <= number <= len(build.options):
            raise ValueRefused(
                "there is no such option", Place(key="option"), str(number),
                f"1 to {len(build.options)}" if build.options else "the build has no [[option]]",
            )  # fmt: skip
        changes |= build.options[number - 1].changes
    return changes


def typed_changes(typed: Iterable[str]) -> dict[str, str]:
    """Changes typed as ``key=value``; the reader of the build judges keys and values."""
    parted: dict[str, str] = {}
    for text in typed:
        key, sign, value = text.partition("=")
        key, value = key.strip(), value.strip()
        if not (key and sign and value) or key in parted:
            raise ValueRefused(
                "a change cannot be read" if key not in parted else f"{key} is changed twice",
                Place(key="set"), text[:200],
                "key=value with a key of build.toml, such as regulator.set=3 bar",
            )  # fmt: skip
        parted[key] = value
    return parted
