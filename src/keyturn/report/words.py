"""The answer in words for the terminal: short by default, everything when asked for."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence

from keyturn.report import phrases, tables
from keyturn.report.phrases import INVENTED
from keyturn.report.svg import clean
from keyturn.system.result import CheckResult

WIDTH = 92
GAUGES = "Gauge on the rail and pressure across the injector, middle (5…95 %)"
LEANED = 6  # rows of the short answer


def text(result: CheckResult, width: int = WIDTH, *, full: bool = False) -> str:
    """The answer as plain text, no wider than ``width`` columns."""
    lines: list[str] = []
    if result.invented:
        lines += [*textwrap.wrap(INVENTED, width), ""]
    lines += textwrap.wrap(phrases.headline(result), width)
    lines += textwrap.wrap(phrases.limits(result), width)
    lines += _listed("Do next", phrases.next_steps(result), width)
    lines += _everything(result, width) if full else _short(result, width)
    lines += _listed("Cautions", map(phrases.tidy, result.cautions), width)
    lines += ["", f"{result.samples} samples, seed {result.seed}"]
    return "\n".join(clean(line).rstrip() for line in lines)


def _short(result: CheckResult, width: int) -> list[str]:
    """What a person reads standing up."""
    lines = _titled("Headroom", tables.headroom_short(result), width)
    lines += _titled(GAUGES, tables.states_short(result), width)
    lines += _listed("What it would take", map(phrases.change, tables.to_mend(result)), width)
    lines += _titled(
        "Leaned on most, with the share of the spread that comes from it",
        tables.leaned_short(result, LEANED),
        width,
    )
    more = []
    if result.assumptions and result.verdict in ("holds", "tight"):
        lines += ["", *textwrap.wrap("Stands under: " + "; ".join(result.assumptions), width)]
    elif result.assumptions:
        more.append(f"the verdict stands under {len(result.assumptions)} assumptions")
    if result.missing:
        count = len(result.missing)
        what = "value is" if count == 1 else "values are"
        more.insert(0, f"{count} {what} assumed or known by hearsay only")
    if more:
        words = phrases.tidy("; ".join(more) + ": see --full")
        lines += ["", *textwrap.wrap(words, width)]
    return lines + _listed("Looks like a slip", map(phrases.tidy, result.flags), width)


def _everything(result: CheckResult, width: int) -> list[str]:
    """Every table and list of the answer."""
    lines = _titled("Headroom", tables.headroom_short(result), width)
    lines += _listed("Why", phrases.reasons(result), width)
    lines += _titled(GAUGES, tables.states_short(result), width)
    lines += ["  " + line for line in textwrap.wrap(phrases.gauge_note(result), width - 2)]
    lines += _titled("Flows, volts and mixture", tables.flows_table(result), width)
    lines += _listed("What it would take", map(phrases.change, result.remedies), width)
    lines += _titled(
        "Leaned on, with the share of the spread that comes from it",
        tables.leaned_short(result),
        width,
    )
    measures = [f"{r.key}: {phrases.tidy(r.measure)}" for r in result.leaned_on if r.measure]
    lines += _listed("How to measure them", measures, width)
    lines += _listed("Also assumed or known by hearsay only", phrases.unstated(result), width)
    lines += _listed("Looks like a slip", map(phrases.tidy, result.flags), width)
    return lines + _listed("Stands under", map(phrases.tidy, result.assumptions), width)


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
    """A table with one line a row: the widest column gives way; only the head may wrap."""
    count = range(len(table.head))
    widths = [max([len(row[n]) for row in table.rows] + _words(table.head[n])) for n in count]
    while sum(widths) + 2 * len(widths) > width and max(widths) > 4:
        widths[widths.index(max(widths))] -= 1
    heads = [
        textwrap.wrap(head, wide, break_on_hyphens=False)
        for head, wide in zip(table.head, widths, strict=True)
    ]
    deep = max(len(lines) for lines in heads)
    padded = [[""] * (deep - len(lines)) + lines for lines in heads]
    lines = [_row([cell[n] for cell in padded], widths, table.right) for n in range(deep)]
    lines.append("  " + "  ".join("-" * wide for wide in widths))
    return lines + [_row(row, widths, table.right) for row in table.rows]


def _words(head: str) -> list[int]:
    return [len(word) for word in head.split()]


def _row(row: Sequence[str], widths: Sequence[int], right: Sequence[bool]) -> str:
    cells = []
    for words, wide, side in zip(row, widths, right, strict=True):
        cut = words if len(words) <= wide else words[: wide - 1] + "…"
        cells.append(cut.rjust(wide) if side else cut.ljust(wide))
    return "  " + "  ".join(cells)
