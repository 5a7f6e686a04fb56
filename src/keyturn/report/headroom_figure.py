"""Headroom: what each part can do over what it must do, as a bar from 5 to 95 %."""

from __future__ import annotations

import math

from keyturn.report.show import DASH, VERDICT_ORDER, number, probability
from keyturn.report.svg import LINE, SMALL, THIN, Drawing, clean, points, text_width, wrap
from keyturn.system.result import CheckResult, Headroom

LOOK = {
    "holds": ("holds", "level"),
    "tight": ("tight", "diagonal"),
    "not proven": ("quiet", "dots"),
    "short": ("short", "cross"),
}
FIRST, LAST = 0.5, 4.0  # ends of the ratio scale; beyond them an arrow


def ranked(headroom: tuple[Headroom, ...]) -> list[Headroom]:
    """Worst verdict first, then least probability, then least ratio; unknown before known."""

    def key(row: Headroom) -> tuple[int, float, float]:
        rank = VERDICT_ORDER.index(row.verdict) if row.verdict in VERDICT_ORDER else 0
        chance, ratio = (-math.inf if math.isnan(v) else v for v in (row.p_holds, row.ratio.p50))
        return rank, chance, ratio

    return sorted(headroom, key=key)


def headroom_bars(result: CheckResult, width: float = 720.0, *, inline: bool = False) -> str:
    """One row a part: name and verdict, then the bar on a scale of ratios."""
    rows = ranked(result.headroom)
    about = "; ".join(f"{r.part}: {r.verdict}, ratio {number(r.ratio.p50)}" for r in rows)
    drawing = Drawing(f"headroom{width:.0f}", width, "Headroom of each part", about, inline=inline)
    wide = width >= 600
    left, right = (232.0, width - 66.0) if wide else (14.0, width - 60.0)
    y = 22.0
    places: list[tuple[float, float, list[str]]] = []
    for row in rows:
        name = wrap(clean(row.part), 128 if wide else width - 110)
        bar = y + 3 if wide else y + 6 + 14 * len(name)
        places.append((y, bar, name))
        y = max(bar + 24, y + 10 + 14 * len(name))
    _scale(drawing, left, right, 18.0, y)
    for row, (top, bar, name) in zip(rows, places, strict=True):
        _name(drawing, row, top, name, wide=wide)
        _bar(drawing, row, left, right, bar, result.samples)
    note = "capacity over need: 1 is just enough; last column: probability that it holds"
    for line in wrap(note, width, SMALL):
        drawing.text(0, y + 30, line, SMALL, colour="quiet")
        y += 13
    drawing.height = y + 26
    return drawing.render()


def _name(d: Drawing, row: Headroom, top: float, name: list[str], *, wide: bool) -> None:
    for n, words in enumerate(name):
        if not wide:
            d.box(0, top + 3 + 14 * n, text_width(words) + 3, 14, fill="paper")
        d.text(0, top + 14 + 14 * n, words, bold=True)
    x, anchor = (132.0, "start") if wide else (d.width, "end")
    d.text(x, top + 14, row.verdict, SMALL, anchor=anchor, colour=_token(row))


def _token(row: Headroom) -> str:
    return LOOK.get(row.verdict, ("quiet", "dots"))[0] if row.verdict != "not proven" else "ink"


def _at(ratio: float, left: float, right: float) -> float:
    """Logarithmic: half as much and twice as much are equally far from just enough."""
    held = min(max(ratio, FIRST), LAST)
    return left + math.log(held / FIRST) / math.log(LAST / FIRST) * (right - left)


def _bar(d: Drawing, row: Headroom, left: float, right: float, y: float, samples: int) -> None:
    token, motif = LOOK.get(row.verdict, ("quiet", "dots"))
    low, middle, high = row.ratio.p05, row.ratio.p50, row.ratio.p95
    d.line(left, y + 8, right, y + 8, "quiet", THIN * 0.7)
    chance = probability(row.p_holds, samples) if samples else DASH
    d.text(d.width, y + 12, chance, SMALL, anchor="end")
    if math.isnan(middle):
        d.text(_at(1.0, left, right) + 6, y + 12, "not known", SMALL)
        return
    a = _at(middle if math.isnan(low) else low, left, right)
    b = _at(middle if math.isnan(high) else high, left, right)
    if b - a < 3:
        a, b = a - 1.5, b + 1.5
    d.box(a, y + 1, b - a, 14, fill="paper")
    d.box(a, y + 1, b - a, 14, d.pattern(motif, token), token, LINE)
    if FIRST <= middle <= LAST:
        x = _at(middle, left, right)
        d.line(x, y - 1, x, y + 17, token, 3.0)
    if high > LAST:
        d.path(points(((right - 5, y + 3), (right, y + 8), (right - 5, y + 13))), token, LINE)
    if low < FIRST:
        d.path(points(((left + 5, y + 3), (left, y + 8), (left + 5, y + 13))), token, LINE)


def _scale(d: Drawing, left: float, right: float, top: float, bottom: float) -> None:
    for mark in (0.5, 0.7, 1.0, 1.5, 2.0, 3.0, 4.0):
        x = _at(mark, left, right)
        just = mark == 1.0
        d.line(
            x,
            top,
            x,
            bottom,
            "ink" if just else "quiet",
            1.6 if just else 0.5,
            None if just else "1 4",
        )
        d.text(x, bottom + 12, number(mark, 2), SMALL, anchor="middle", bold=just)
    d.text(_at(1.0, left, right), top - 5, "just enough", SMALL, anchor="middle", bold=True)
