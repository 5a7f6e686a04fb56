"""Write docs/glossary.md from the one glossary; ``--check`` only says whether it is current."""

from __future__ import annotations

import sys
from pathlib import Path

from keyturn.glossary import quantities

PAGE = Path(__file__).resolve().parents[1] / "docs" / "glossary.md"
TOP = """# Glossary

One name is one quantity in one unit, in code, files, JSON and on screen. Pressures are absolute
unless the name ends in `_gauge` (above ambient) or says that it is a difference. Outside "sane
limits" a typed value is questioned, not silently taken. Written by `make docs`.
"""


def page() -> str:
    """docs/glossary.md, whole."""
    parts = [TOP]
    topic = None
    for row in sorted(quantities().values(), key=lambda row: (row.topic, row.name)):
        if row.topic != topic:
            topic = row.topic
            parts.append(
                f"\n## {topic}\n\n"
                "| name | symbol | unit | shown as | meaning | sane limits |\n"
                "|---|---|---|---|---|---|\n"
            )
        shown = ", ".join(row.display) or row.unit
        parts.append(
            f"| `{row.name}` | {row.symbol} | {row.unit} | {shown} | {row.meaning} "
            f"| {row.low:g} to {row.high:g} |\n"
        )
    return "".join(parts)


if __name__ == "__main__":
    if sys.argv[1:] == ["--check"]:
        sys.exit(PAGE.read_text(encoding="utf-8") != page())
    PAGE.write_text(page(), encoding="utf-8")
