"""The [priors] table of build.toml: causes and spreads that the user believes otherwise."""

from __future__ import annotations

import math
from collections.abc import Mapping
from functools import cache
from typing import Any, Literal

from keyturn.build.lines import line_of
from keyturn.build.model import Prior
from keyturn.build.schema import NOTES, nearest, read_data
from keyturn.build.values import Context, as_typed
from keyturn.errors import BuildError, Place, UnknownKey, ValueRefused

TABLE = "priors"
SPREAD = "spread"  # [priors.spread]
LONG_FORM = ("value", "reason")
LEAST, MOST = 0.1, 10.0  # factor on a spread; beyond, another centre is meant
Moves = Literal["cause", "spread"]
ACCEPTED: Mapping[str, str] = {
    "cause": 'a probability from 0 to below 1, such as 0.3 or {value = 0.3, reason = "..."}',
    SPREAD: f'a factor from {LEAST:g} to {MOST:g}, such as 2 or {{value = 2, reason = "..."}}',
}


@cache
def causes() -> tuple[str, ...]:
    """Names of all causes, of this build or not."""
    return tuple(row["name"] for row in read_data("causes.toml")["cause"])


@cache
def unknowns() -> tuple[str, ...]:
    """Names of the unknowns that have a spread when they are at fault."""
    return tuple(row["name"] for row in read_data("priors.toml")["unknown"] if "fault" in row)


def moved_priors(document: Mapping[str, Any], context: Context) -> tuple[Prior, ...]:
    """Every row of [priors] and [priors.spread]; faults are noted in the context."""
    table = _table(document.get(TABLE, {}), TABLE, context)
    spreads = _table(table.get(SPREAD, {}), f"{TABLE}.{SPREAD}", context)
    found = _rows({k: v for k, v in table.items() if k != SPREAD}, "cause", TABLE, context)
    found += _rows(spreads, "spread", f"{TABLE}.{SPREAD}", context)
    total = sum(row.value for row in found if row.moves == "cause")
    if total >= 1.0:
        context.errors.append(
            ValueRefused(
                "the priors leave nothing for the other causes", context.place(TABLE),
                f"they add up to {total:g}", "priors that add up to less than 1",
            )
        )  # fmt: skip
    return tuple(found)


def _table(raw: object, key: str, context: Context) -> Mapping[str, Any]:
    if isinstance(raw, Mapping):
        return raw
    context.errors.append(
        ValueRefused("must be one table", context.place(key), as_typed(raw), f"[{key}]")
    )
    return {}


def _rows(table: Mapping[str, Any], moves: Moves, base: str, context: Context) -> list[Prior]:
    found = []
    for name, raw in table.items():
        if name in NOTES:
            continue
        key = f"{base}.{name}"
        line = line_of(key.replace(" ", ""), context.lines)  # lines are kept without blanks
        try:
            found.append(_row(name, raw, moves, Place(context.file, line, key)))
        except BuildError as fault:
            context.errors.append(fault)
    return found


def _row(name: str, raw: Any, moves: Moves, place: Place) -> Prior:
    known = causes() if moves == "cause" else unknowns()
    if name not in known:
        near = nearest(name, known)
        raise UnknownKey(
            "no such cause" if moves == "cause" else "no such unknown", place, as_typed(name),
            ", ".join(known), f"did you mean {near}?" if near else "remove it or correct it",
        )  # fmt: skip
    reason = ""
    value = raw
    if isinstance(raw, Mapping):
        for part in raw:
            if part not in LONG_FORM:
                near = nearest(str(part), LONG_FORM)
                raise UnknownKey(
                    f"nothing reads {as_typed(part)!r} here", place,
                    accepted=", ".join(LONG_FORM),
                    advice=f"did you mean {near}?" if near else "remove it or correct it",
                )  # fmt: skip
        value, reason = raw.get("value"), raw.get("reason", "")
    if not isinstance(reason, str) or not reason.isprintable() or len(reason) > 300:
        raise ValueRefused("the reason must be a text of one line", place, as_typed(reason))
    plain = isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value)
    low, high = (0.0, 1.0) if moves == "cause" else (LEAST, MOST)
    if not plain or not low <= value <= high or (moves == "cause" and value == 1.0):
        raise ValueRefused(
            "a prior is a probability" if moves == "cause" else "not a factor on a spread",
            place, as_typed(raw), ACCEPTED[moves],
        )  # fmt: skip
    return Prior(
        name=name, moves=moves, value=float(value), reason=reason.strip(), key=place.key or ""
    )
