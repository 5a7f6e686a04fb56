"""Setting one dotted key in a parsed document: for changes that are tried, and for edits."""

from __future__ import annotations

import itertools
import tomllib
from typing import Any

from keyturn.build.schema import MAKING, MANY, sections
from keyturn.errors import Place, UnknownKey, ValueRefused


def set_key(document: Any, key: str, new: Any, place: Place) -> None:
    """Set ``key`` of nested tables; lists count from 1, missing tables are made.

    Text that is a TOML value ("0.9", "true", "{...}") is taken as that, other text as text.
    """
    parts = key.split(".")
    if not all(parts):
        raise UnknownKey("is not a dotted key", place, accepted="a key such as pump.flow")
    node = document
    for part, following in itertools.pairwise(parts):
        node = _step(node, part, following, place)
    if isinstance(node, list) or not hasattr(node, "keys"):
        raise UnknownKey(
            "is not a key of one part", place, accepted=f"a key such as {parts[0]}.1.length"
        )
    node[parts[-1]] = as_toml(new)


def _step(node: Any, part: str, following: str, place: Place) -> Any:
    if isinstance(node, list):
        if not part.isdigit() or not 1 <= int(part) <= len(node):
            raise ValueRefused(
                f"there is no part number {part}", place,
                accepted=f"1 to {len(node)}" if node else "the list is empty",
            )  # fmt: skip
        return node[int(part) - 1]
    if not hasattr(node, "keys"):
        raise ValueRefused(f"{part} is not inside a table", place)
    if part not in node:
        known = (part in sections() and part not in MANY) or part in ("calibrated_for", "spread")
        if not known or part in MAKING or following.isdigit():
            raise UnknownKey(f"there is no table {part!r}", place, accepted=", ".join(sections()))
        node[part] = {}
    inner = node[part]
    if isinstance(inner, str) and following in ("value", "spread", "grade", "source", "confirmed"):
        node[part] = {"value": inner}
    return node[part]


def as_toml(new: Any) -> Any:
    """A typed text as the TOML value that it is, or as text."""
    if not isinstance(new, str):
        return new
    text = new.strip()
    if "\n" in text or "\r" in text:
        return new
    try:
        return tomllib.loads(f"x = {text}")["x"]
    except (tomllib.TOMLDecodeError, RecursionError, ValueError):
        return new
