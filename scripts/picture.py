"""Write docs/pictures/answer.svg, the picture of the README, from the live answer of the demo."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT / "src"))

# after the path: the tree beside this script is drawn, not an installed copy
import keyturn  # noqa: E402
from keyturn.report import phrases  # noqa: E402
from keyturn.report.headroom_figure import headroom_bars, ranked  # noqa: E402
from keyturn.report.path_figure import pressure_path  # noqa: E402
from keyturn.report.svg import SMALL, Drawing, wrap  # noqa: E402

WIDTH, MARGIN = 720.0, 16.0
ROWS = 9  # the picture has to leave room for the words around it
EXAMPLE = ROOT / "src/keyturn/examples/van-roots"
TARGET = ROOT / "docs/pictures/answer.svg"


def picture(result: keyturn.CheckResult) -> str:
    """Verdict, headroom and pressure path one under the other, on white."""
    drawing = Drawing("answer", WIDTH + 2 * MARGIN, "The answer", "", inline=False)
    drawing.about = phrases.headline(result)
    y = MARGIN + 4
    if result.invented:
        drawing.text(MARGIN, y + 8, f"{result.name} (invented example)", colour="quiet")
        y += 16
    for line in wrap(phrases.headline(result), WIDTH, 17):
        drawing.text(MARGIN, y + 18, line, 17, bold=True)
        y += 22
    for line in wrap(phrases.limits(result), WIDTH):
        drawing.text(MARGIN, y + 18, line)
        y += 16
    y += 16
    rows = ranked(result.headroom)
    first = replace(result, headroom=tuple(rows[:ROWS]))
    y += drawing.place(MARGIN, y, headroom_bars(first, WIDTH))
    if rows[ROWS:]:
        rest = "Also worked out: " + ", ".join(f"{r.part} ({r.verdict})" for r in rows[ROWS:])
        for line in wrap(rest, WIDTH, SMALL):
            drawing.text(MARGIN, y + 4, line, SMALL, colour="quiet")
            y += 14
    y += 16
    y += drawing.place(MARGIN, y, pressure_path(result, WIDTH, table=False)) + 12
    drawing.height = y + MARGIN - 12
    return drawing.render()


def main() -> None:
    TARGET.parent.mkdir(parents=True, exist_ok=True)
    TARGET.write_text(picture(keyturn.check(keyturn.load(EXAMPLE))), encoding="utf-8")


if __name__ == "__main__":
    main()
