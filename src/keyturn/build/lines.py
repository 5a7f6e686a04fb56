"""Which line of a TOML text a key stands on: a small scanner, for messages only."""

from __future__ import annotations

import re

HEADER = re.compile(r"^\s*(\[\[?)\s*([^\[\]]+?)\s*\]\]?")
ENTRY = re.compile(r"""^\s*((?:[\w-]+|"[^"]*"|'[^']*')(?:\s*\.\s*(?:[\w-]+|"[^"]*"))*)\s*=""")


def key_lines(text: str) -> dict[str, int]:
    """Dotted key (lists counted from 1) -> line number.

    Lines inside a many-line array or string may look like entries; the first line of a key wins,
    so such a line can only add a key that nobody asks for.
    """
    found: dict[str, int] = {}
    counts: dict[str, int] = {}
    base = ""
    for number, line in enumerate(text.splitlines(), start=1):
        header = HEADER.match(line)
        if header:
            name = header[2].replace('"', "").replace(" ", "")
            if header[1] == "[[":
                counts[name] = counts.get(name, 0) + 1
                found.setdefault(name, number)
                name = f"{name}.{counts[name]}"
            base = name
            found.setdefault(base, number)
            continue
        entry = ENTRY.match(line)
        if entry:
            key = entry[1].replace('"', "").replace("'", "").replace(" ", "")
            found.setdefault(f"{base}.{key}" if base else key, number)
    return found


def line_of(key: str, lines: dict[str, int]) -> int | None:
    """Line of a key, or of the nearest table that holds it; 0 marks a key from elsewhere."""
    while key:
        if key in lines:
            return lines[key] or None
        key = key.rpartition(".")[0]
    return None
