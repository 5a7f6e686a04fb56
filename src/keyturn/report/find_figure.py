"""The answer of `find` as a drawing: causes, quantities before and after, and the next tests."""

from __future__ import annotations

import math

from keyturn.evidence.result import CauseRow, FindResult, NextTest, Quantity
from keyturn.report.find_words import range_words, span_words
from keyturn.report.phrases import tidy
from keyturn.report.show import probability
from keyturn.report.svg import LINE, SMALL, THICK, THIN, Drawing, wrap

SAMPLES = 2000
SHOWN, TESTS = 6, 3
BAR = 14.0


def find_figure(result: FindResult, width: float = 720.0, *, inline: bool = False) -> str:
    """One drawing from top to bottom: answer, causes, quantities, tests."""
    drawing = Drawing(f"find{width:.0f}", width, "Which cause", result.sentence, inline=inline)
    y = 8.0
    for line in wrap(tidy(result.sentence), width, 15):
        y += 18
        drawing.text(0, y, line, 15, bold=True)
    y = _title(drawing, y, "Causes: bar with the readings, mark before them")
    for row in result.causes[:SHOWN]:
        y = _cause(drawing, row, y)
    drawing.line(0, y + 2, width, y + 2, "quiet", THIN)
    y = _title(drawing, y, "Quantities: solid with the readings, thin before them")
    for item in result.quantities[:SHOWN]:
        y = _quantity(drawing, item, y)
    y = _title(drawing, y, "Next tests: each result in the width of its chance, and what it means")
    for number, test in enumerate(result.next[:TESTS], start=1):
        y = _test(drawing, number, test, y)
    drawing.height = y + 10
    return drawing.render()


def _title(d: Drawing, y: float, words: str) -> float:
    y += 12
    for line in wrap(words, d.width):
        y += 15
        d.text(0, y, line, bold=True)
    return y + 6


def _cause(d: Drawing, row: CauseRow, y: float) -> float:
    room = d.width - 60
    for line in wrap(row.words, room, SMALL):
        y += 13
        d.text(0, y, line, SMALL)
    d.text(d.width, y, probability(row.p, SAMPLES), SMALL, anchor="end", bold=True)
    y += 4
    d.box(1, y, d.width - 2, BAR, stroke="quiet", line=THIN)
    long = max(row.p * (d.width - 2), 1.0)
    d.box(1, y, long, BAR, d.pattern("diagonal", "fuel"), "fuel", LINE)
    mark = 1 + row.prior * (d.width - 2)
    d.line(mark, y, mark, y + BAR + 3, "ink", THICK)
    return y + BAR + 6


def _quantity(d: Drawing, row: Quantity, y: float) -> float:
    for line in wrap(row.words, d.width, SMALL):
        y += 13
        d.text(0, y, line, SMALL)
    low = min(row.prior.p05, row.posterior.p05)
    high = max(row.prior.p95, row.posterior.p95)
    wide = high - low if high > low else 1.0
    left, right = 6.0, d.width * 0.62

    def at(value: float) -> float:
        return left + (value - low) / wide * (right - left)

    y += 8
    d.line(at(row.prior.p05), y, at(row.prior.p95), y, "quiet", LINE)
    d.line(at(row.prior.p50), y - 3, at(row.prior.p50), y + 3, "quiet", LINE)
    d.line(at(row.posterior.p05), y + 6, at(row.posterior.p95), y + 6, "fuel", 4.0)
    d.line(at(row.posterior.p50), y + 1, at(row.posterior.p50), y + 11, "ink", LINE)
    d.text(d.width, y + 3, span_words(row.prior, row.unit), SMALL, anchor="end", colour="quiet")
    d.text(d.width, y + 15, span_words(row.posterior, row.unit), SMALL, anchor="end", bold=True)
    return y + 18


def _test(d: Drawing, number: int, row: NextTest, y: float) -> float:
    tied = ", as good as the first" if row.tied else ""
    head = (
        f"{number}. {row.words}: {row.minutes:.0f} min, risk {row.risk} of 5, "
        f"saves {max(row.net, 0.0):.0f}{tied}"
    )
    for line in wrap(head, d.width, SMALL):
        y += 13
        d.text(0, y, line, SMALL, bold=True)
    y += 5
    total = sum(item.chance for item in row.outcomes) or 1.0
    x = 1.0
    motifs = ("level", "diagonal", "dots", "grid", "back", "upright")
    for n, item in enumerate(row.outcomes):
        wide = item.chance / total * (d.width - 2)
        d.box(x, y, wide, BAR, d.pattern(motifs[n % len(motifs)], "ink"), "ink", LINE)
        d.box(x + wide / 2 - 6, y + 1, 12, BAR - 2, fill="paper")
        d.text(x + wide / 2, y + 11, f"{n + 1}", SMALL, anchor="middle", bold=True)
        x += wide
    y += BAR + 1
    for n, item in enumerate(row.outcomes):
        words = f"{n + 1}: {range_words(item, row.quantity)}: {item.cause}, "
        words += probability(item.p if math.isfinite(item.p) else math.nan, SAMPLES)
        for line in wrap(words, d.width - 12, SMALL):
            y += 13
            d.text(12, y, line, SMALL)
    for caution in row.cautions:
        for line in wrap(f"caution: {caution}", d.width - 12, SMALL):
            y += 13
            d.text(12, y, line, SMALL, colour="short")
    return y + 6
