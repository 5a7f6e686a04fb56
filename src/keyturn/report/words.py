"""The answer in words for the terminal, and the short sentences that page and PDF share."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence

from keyturn.report import tables
from keyturn.report.headroom_figure import ranked
from keyturn.report.show import kpa, rpm, whole
from keyturn.report.svg import clean
from keyturn.system.result import CheckResult, Headroom

WIDTH = 92
ALIKE = "everywhere alike"
INVENTED = "Invented example: no car like this exists; do not take its numbers for yours."


def at_words(row: Headroom) -> str:
    """Where the worst point of a part lies."""
    if row.engine_speed is None or row.manifold_pressure is None:
        return ALIKE
    speed, pressure = whole(rpm(row.engine_speed)), whole(kpa(row.manifold_pressure))
    return f"{speed} rev/min, {pressure} kPa absolute"


def limits(result: CheckResult) -> str:
    """What limits, where, and why."""
    row = result.limiting
    where = at_words(row)
    worst = f"worst at {where}" if where != ALIKE else where
    return f"What limits: {row.part} ({row.quantity}), {worst}. {row.why}"


def next_steps(result: CheckResult) -> list[str]:
    """What to do or measure next: what settles the open parts, then what narrows most."""
    steps: list[str] = []
    for row in (result.limiting, *result.headroom):
        if row.settles and row.verdict != "holds" and row.settles not in steps:
            steps.append(row.settles)
    if not steps:
        steps += [f"{item.measure} ({item.key})" for item in result.leaned_on[:1] if item.measure]
    return steps[:3]


def reasons(result: CheckResult) -> list[str]:
    """Why each part that does not plainly hold stands as it does, and what would settle it."""
    rows = [row for row in ranked(result.headroom) if row.verdict != "holds"]
    return [
        f"{row.part}, {row.verdict}: {row.quantity}, {at_words(row)}. {row.why}"
        + (f" To settle it: {row.settles}" if row.settles else "")
        for row in rows
    ]


def text(result: CheckResult, width: int = WIDTH) -> str:
    """The whole answer as plain text, no wider than ``width`` columns."""
    lines: list[str] = []
    if result.invented:
        lines += [*textwrap.wrap(INVENTED, width), ""]
    said = result.sentence.lower().startswith(result.verdict.lower())
    word = "" if said else f"{result.verdict.upper()}: "
    lines += textwrap.wrap(word + result.sentence, width)
    lines += textwrap.wrap(limits(result), width)
    steps = next_steps(result)
    lines += _listed("Do next", steps, width)
    lines += _titled("Headroom", tables.headroom_table(result), width)
    lines += _listed("Why", reasons(result), width)
    lines += _titled("Gauge pressures, kPa (psi), 5…95 %", tables.states_table(result), width)
    lines += _titled("What it would take", tables.remedies_table(result), width)
    lines += _titled("Leaned on, most telling first", tables.leaned_table(result), width)
    lines += _listed("Not stated; worth stating", result.missing, width)
    lines += _listed("Looks like a slip", result.flags, width)
    lines += _listed("Stands under", result.assumptions, width)
    lines += _listed("Cautions", result.cautions, width)
    lines += ["", f"{result.samples} samples, seed {result.seed}"]
    return "\n".join(clean(line).rstrip() for line in lines)


def _listed(title: str, items: Iterable[str], width: int) -> list[str]:
    body = [
        line
        for item in items
        for line in textwrap.wrap(
            item, width, initial_indent="  - ", subsequent_indent="    ", break_on_hyphens=False
        )
    ]
    return ["", title, *body] if body else []


def _titled(title: str, table: tables.Table, width: int) -> list[str]:
    return ["", title, *columns(table, width)] if table.rows else []


def columns(table: tables.Table, width: int) -> list[str]:
    """A table in plain columns; the widest column gives way and wraps."""
    cells = [table.head, *table.rows]
    widths = [max(len(row[n]) for row in cells) for n in range(len(table.head))]
    floors = [max(4, *(len(word) for word in head.split())) for head in table.head]
    while sum(widths) + 2 * len(widths) > width:
        loose = [n for n in range(len(widths)) if widths[n] > floors[n]]
        if not loose:
            break
        widths[max(loose, key=lambda n: widths[n])] -= 1
    lines: list[str] = []
    for index, row in enumerate(cells):
        lines += _row(row, widths, table.right)
        if index == 0:
            lines.append("  " + "  ".join("-" * wide for wide in widths))
    return lines


def _row(row: Sequence[str], widths: Sequence[int], right: Sequence[bool]) -> list[str]:
    parts = [textwrap.wrap(cell, wide) or [""] for cell, wide in zip(row, widths, strict=True)]
    lines = []
    for depth in range(max(len(part) for part in parts)):
        words = [part[depth] if depth < len(part) else "" for part in parts]
        placed = [
            word.rjust(wide) if side else word.ljust(wide)
            for word, wide, side in zip(words, widths, right, strict=True)
        ]
        lines.append("  " + "  ".join(placed))
    return lines
