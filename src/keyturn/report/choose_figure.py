"""Cost against probability: the frontier of purchases as one drawing."""

from __future__ import annotations

from keyturn.evidence.choose import ENOUGH, ChooseResult
from keyturn.report.choose_words import asked, choice_words, thinned
from keyturn.report.phrases import INVENTED, tidy
from keyturn.report.plot import Plot, around, label, leader, rounded_range
from keyturn.report.svg import LINE, SMALL, THICK, Drawing, points, wrap

HEIGHT = 260.0
HALF = 0.55
HEAD = 104  # [%] room for the ring of a set that always holds


def choose_figure(result: ChooseResult, width: float = 720.0, *, inline: bool = False) -> str:
    """The frontier as steps, its sets numbered and named below."""
    about = f"{result.sentence} Judged on {result.basis}."
    drawing = Drawing(f"choose{width:.0f}", width, "Which purchase", about, inline=inline)
    y = 8.0
    for line in [*wrap(tidy(result.sentence), width, 15), *_invented(result, width)]:
        y += 18
        drawing.text(0, y, line, 15, bold=True)
    rows = thinned(result.frontier)
    top = max(row.price for row in result.frontier)
    # steps, not bars: where all sets are likely, the upper half shows them apart
    foot = 50 if min(row.p for row in rows) > HALF else 0
    prices = rounded_range(0.0, max(top, 1.0) * 1.05)
    plot = Plot(drawing, 44, y + 40, width - 60, HEIGHT, prices, (foot, HEAD))
    plot.y_axis(f"probability that {asked(result)} [%]")
    plot.x_axis("cost, in the money of the build file")
    places = plot.places()
    level = plot.py(100 * ENOUGH)
    drawing.line(plot.left, level, plot.left + plot.width, level, "holds", LINE, "6 3")
    places.take_line([(plot.left, level), (plot.left + plot.width, level)])
    steps = _steps(plot, result)
    drawing.path(points(steps), "fuel", THICK)
    places.take_line(steps)
    for number, row in enumerate(rows, start=1):
        x, mark = plot.px(row.price), plot.py(100 * row.p)
        drawing.ring(x, mark, 5, "holds" if row.p >= ENOUGH else "short")
        places.take((x - 6, mark - 6, 12, 12))
        words = f"{number}"
        leader(drawing, x, mark, label(drawing, places, around(x, mark, words), words, bold=True))
    spots = [(plot.left + x, level + y) for x in (plot.width - 22, 24) for y in (12, -9, 24)]
    label(drawing, places, spots, "95 %", colour="holds")
    plot.frame()
    y = plot.top + plot.height + 44
    if foot:
        y += 14
        drawing.text(0, y, f"The scale begins at {foot} %.", SMALL, colour="quiet")
    for number, row in enumerate(rows, start=1):
        for line in wrap(f"{number}: {choice_words(row, result)}", width, SMALL):
            y += 14
            drawing.text(0, y, line, SMALL)
    drawing.height = y + 12
    return drawing.render()


def _invented(result: ChooseResult, width: float) -> list[str]:
    return wrap(INVENTED, width, 15) if result.invented else []


def _steps(plot: Plot, result: ChooseResult) -> list[tuple[float, float]]:
    """What a given sum buys: level until the next set can be paid."""
    pairs: list[tuple[float, float]] = []
    for row in result.frontier:
        x, y = plot.px(row.price), plot.py(100 * row.p)
        if pairs:
            pairs.append((x, pairs[-1][1]))
        pairs.append((x, y))
    pairs.append((plot.left + plot.width, pairs[-1][1]))
    return pairs
