"""The job as a drawing: every stage with how it stands, and the longest chain to a stage."""

from __future__ import annotations

from keyturn.procedure.order import Path, Plan
from keyturn.report.steps_words import always, headline, minutes_words
from keyturn.report.svg import LINE, SMALL, THICK, THIN, Drawing, wrap

# how a stage stands -> pattern and colour: never by colour alone
LOOKS = {
    "passed": ("level", "holds"),
    "overridden": ("cross", "short"),
    "failed": ("diagonal", "short"),
    "outdated": ("dots", "tight"),
    "untested": ("", "quiet"),
}
ROW = 26.0
MARK = 18.0


def steps_figure(plan: Plan, path: Path | None = None, width: float = 720.0, *,
                 inline: bool = False) -> str:  # fmt: skip
    """Stages from top to bottom; those of the longest chain carry a thick edge and minutes."""
    said = headline(plan)
    drawing = Drawing(f"steps{width:.0f}", width, "The job", said, inline=inline)
    y = 6.0
    for line in wrap(said, width, 15):
        y += 18
        drawing.text(0, y, line, 15, bold=True)
    for words in always(plan):
        for line in wrap(words, width, SMALL):
            y += 15
            drawing.text(0, y, line, SMALL, colour="short", bold=True)
    y += 10
    chain = {row.name for row in path.longest} if path is not None else set()
    top = y
    for row in plan.standings.values():
        motif, token = LOOKS[row.state]
        edge = THICK if row.stage.name in chain else LINE if row.stage.hold else THIN
        fill = drawing.pattern(motif, token) if motif else "paper"
        drawing.box(4, y + 2, MARK, MARK, fill, "ink" if edge == THICK else token, edge)
        tail = f", {minutes_words(row.stage.minutes)}" if row.stage.name in chain else ""
        words = f"{row.stage.words}: {row.state}{tail}"
        lines = wrap(words, width - 40, SMALL)
        for number, line in enumerate(lines):
            drawing.text(34, y + 15 + 14 * number, line, SMALL, bold=row.stage.name in chain)
        y += max(ROW, 14 * len(lines) + 10)
    drawing.line(13, top - 4, 13, top + 2, "quiet", THIN)
    drawing.height = y + 8
    return drawing.render()
