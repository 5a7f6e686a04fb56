"""One table of build.toml while it is read: typed keys out, faults collected, defaults filled."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, TypeVar

from keyturn.build.model import Curve, Value
from keyturn.build.schema import NOTES, Field, assumed, nearest, sections
from keyturn.build.values import Context, as_typed, curve, value
from keyturn.errors import BuildError, UnknownKey, ValueRefused

Kept = TypeVar("Kept")
WORDS = 300  # longest text that a name or a label may have


def blank_value(key: str) -> Value:
    """Stands in for a value that was refused, so that the rest is still read and judged."""
    return Value(
        si=1.0, spread=0.0, law="set", grade="assumed", quantity="ratio", key=key, typed=""
    )


def blank_curve(key: str) -> Curve:
    return Curve(
        x=(0.0, 1.0), y=(1.0, 1.0), spread=0.0, grade="assumed", x_quantity="ratio",
        y_quantity="ratio", key=key, typed="",
    )  # fmt: skip


@dataclass
class Section:
    """``base`` is the key of the table ("pump", "feed.2"), ``schema`` its name in schema.toml."""

    base: str
    schema: str
    table: Mapping[str, Any]
    context: Context

    @property
    def fields(self) -> Mapping[str, Field]:
        return sections()[self.schema]

    def key(self, name: str) -> str:
        return f"{self.base}.{name}" if self.base else name

    def has(self, name: str) -> bool:
        return name in self.table

    def good(self, *names: str) -> bool:
        """All typed, and none of them refused: only then are they held against each other."""
        faulty = {fault.place.key for fault in self.context.errors}
        return all(self.has(name) and self.key(name) not in faulty for name in names)

    def refuse(self, problem: str, name: str, accepted: str = "", advice: str = "") -> None:
        """Note a fault of one key and go on."""
        typed = as_typed(self.table[name]) if name in self.table else None
        self.context.errors.append(
            ValueRefused(problem, self.context.place(self.key(name)), typed, accepted, advice)
        )

    def unknown(self) -> None:
        """Note every key that nothing reads."""
        known = (*self.fields, *NOTES)
        for name in self.table:
            if name not in known:
                near = nearest(str(name), known)
                self.context.errors.append(
                    UnknownKey(
                        f"nothing reads the key {as_typed(name)!r} here",
                        self.context.place(self.key(str(name))),
                        accepted=", ".join(self.fields),
                        advice=f"did you mean {near}?" if near else "remove it or correct it",
                    )
                )

    def tried(self, work: Callable[[], Kept], blank: Kept) -> Kept:
        try:
            return work()
        except BuildError as fault:
            self.context.errors.append(fault)
            return blank

    def value(self, name: str, default: str = "") -> Value:
        """The typed value, or what assumed.toml says under ``default`` (usual: same key)."""
        key = self.key(name)
        if name not in self.table and self.fields[name].needed:
            self._needed(name)
            return blank_value(key)
        if name not in self.table:
            return self.assume(name, default)
        entry = self.fields[name]
        return self.tried(
            lambda: value(self.table[name], entry, key, self.table, self.context), blank_value(key)
        )

    def _needed(self, name: str) -> None:
        entry = self.fields[name]
        self.refuse(
            f"is missing: {entry.about}", name, f"{name} = {entry.example}",
            "state it; nothing honest can be assumed for it",
        )  # fmt: skip

    def maybe(self, name: str) -> Value | None:
        return self.value(name) if name in self.table else None

    def assume(self, name: str, default: str = "", **instead: Any) -> Value:
        """The stated default of a key; ``instead`` replaces parts of it."""
        row = {**assumed()[default or f"{self.schema}.{name}"], **instead}
        long = {"value": row["value"], "spread": row["spread"], "grade": "assumed"}
        long["source"] = row.get("source", row["reason"])
        return value(
            {**long, "confirmed": True}, self.fields[name], self.key(name), {}, self.context
        )

    def curve(self, name: str, reference: str = "") -> Curve:
        """The typed table; a single value is taken where a stated shape can be scaled to it."""
        key = self.key(name)
        entry = self.fields[name]
        if name not in self.table:
            if entry.needed:
                self._needed(name)
                return blank_curve(key)
            return self.assume_curve(name)
        raw = self.table[name]
        single = raw.get("value") if isinstance(raw, Mapping) else raw
        if not isinstance(single, list) and f"{self.schema}.{name}" in assumed():
            return self.tried(lambda: self._through(name, reference), blank_curve(key))
        return self.tried(
            lambda: curve(raw, entry, key, self.table, self.context), blank_curve(key)
        )

    def assume_curve(self, name: str) -> Curve:
        row = assumed()[f"{self.schema}.{name}"]
        long = {"value": row["value"], "spread": row["spread"], "grade": "assumed"}
        long["source"] = row.get("source", row["reason"])
        return curve(long, self.fields[name], self.key(name), {}, self.context)

    def _through(self, name: str, reference: str) -> Curve:
        """The assumed shape through one stated value at ``reference``; constant without one."""
        entry = self.fields[name]
        one = value(self.table[name], entry, self.key(name), self.table, self.context)
        shape = self.assume_curve(name)
        share = one.spread if entry.law == "scale" else one.spread / one.si
        kept = {"grade": one.grade, "typed": one.typed, "source": one.source, "spread": share}
        if not reference:
            return shape.model_copy(update={**kept, "y": (one.si,) * len(shape.x)})
        at = next(x for x, _ in assumed()[f"{self.schema}.{name}"]["value"] if x == reference)
        index = [x for x, _ in assumed()[f"{self.schema}.{name}"]["value"]].index(at)
        factor = one.si / shape.y[index]
        # The shape is a guess whatever the one value is worth: both spreads count.
        kept["spread"] = (share**2 + shape.spread**2) ** 0.5
        return shape.model_copy(update={**kept, "y": tuple(y * factor for y in shape.y)})

    def count(self, name: str, default: int) -> int:
        if name not in self.table:
            if self.fields[name].needed:
                self._needed(name)
            return default
        raw, entry = self.table[name], self.fields[name]
        if isinstance(raw, bool) or not isinstance(raw, int):
            self.refuse("not a whole number", name, f"{entry.low:g} to {entry.high:g}")
            return default
        if entry.high and not entry.low <= raw <= entry.high:
            self.refuse("is out of range", name, f"{entry.low:g} to {entry.high:g}")
            return default
        return raw

    def number(self, name: str, default: float) -> float:
        if name not in self.table:
            return default
        raw, entry = self.table[name], self.fields[name]
        if isinstance(raw, bool) or not isinstance(raw, (int, float)):
            self.refuse("not a plain number", name, f"{entry.low:g} to {entry.high:g}")
            return default
        if not entry.low <= raw <= entry.high:
            self.refuse("is out of range", name, f"{entry.low:g} to {entry.high:g}")
            return default
        return float(raw)

    def choice(self, name: str, default: str) -> str:
        if name not in self.table:
            if self.fields[name].needed:
                self._needed(name)
            return default
        raw, choices = self.table[name], self.fields[name].choices
        if not isinstance(raw, str) or raw not in choices:
            near = nearest(raw, choices) if isinstance(raw, str) else None
            self.refuse(
                "no such choice", name, ", ".join(choices), f"did you mean {near}?" if near else ""
            )
            return default
        return raw

    def yesno(self, name: str, default: bool) -> bool:
        raw = self.table.get(name, default)
        if not isinstance(raw, bool):
            self.refuse("not true or false", name, "true or false, without quotes")
            return default
        return raw

    def text(self, name: str, default: str = "") -> str:
        if name not in self.table:
            if self.fields[name].needed:
                self._needed(name)
            return default
        raw = self.table[name]
        if not isinstance(raw, str) or not raw.strip() or len(raw) > WORDS:
            self.refuse("not a text", name, f"a text of 1 to {WORDS} letters")
            return default
        return raw.strip()
