"""Long work of the pages, run by `jobs` in a process of its own: each takes progress first."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from keyturn.report.choose_figure import choose_figure
from keyturn.report.choose_words import asked, choice_words, gain_words, to_json
from keyturn.report.figures import NARROW, WIDE
from keyturn.report.phrases import tidy
from keyturn.report.show import probability
from keyturn.tasks.choose import choose as task
from keyturn.web.chosen import keep

Progress = Callable[[int, int, str], None]


def choose(
    progress: Progress, folder: str, power: str | None, key: tuple[str, int]
) -> dict[str, Any]:
    """Every sensible purchase judged: the answer as data, in words and drawn.

    ``key`` is the state of the build that was asked about; the answer is kept with it.
    """
    result = task(
        folder, progress=lambda done, of: progress(done, of, "combinations judged"), power=power
    )
    found = {
        "answer": to_json(result),
        "wide": choose_figure(result, WIDE, inline=True),
        "narrow": choose_figure(result, NARROW, inline=True),
        "sentence": tidy(result.sentence),
        "asked": asked(result),
        "sets": [choice_words(row, result, full=True) for row in result.frontier],
        "free": None if result.corrected is None else (
            f"{probability(result.as_it_is.p, result.samples)} before, "
            f"{probability(result.corrected.p, result.samples)} after"
        ),
        "wasted": [gain_words(row) for row in result.gains if row.useless and not row.free],
    }  # fmt: skip
    keep(Path(folder), (key[0], key[1]), power, found)
    return found
