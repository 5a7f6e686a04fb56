"""What was believed before any reading, for the Find page: every cause with its prior, and what the
build moves. Moves are edits of [priors], so that Parts shows them and Undo takes them back.
"""

from __future__ import annotations

from typing import Any

from keyturn.build.priors import TABLE
from keyturn.build.read import BUILD_FILE, from_text, parse_document, read_text
from keyturn.errors import BuildError
from keyturn.evidence.causes import moved_rows, usual_causes
from keyturn.evidence.result import MovedPrior
from keyturn.report.find_words import SAMPLES
from keyturn.report.show import probability
from keyturn.tasks import edit as task
from keyturn.web.parts_form import seen_of
from keyturn.web.shelf import Car


def beliefs(car: Car) -> dict[str, Any]:
    """Rows for the form and for the list of what is moved."""
    text = read_text(car.file)
    build, document = from_text(text, BUILD_FILE), parse_document(text, BUILD_FILE)
    rows = usual_causes(build)
    whole = sum(row.prior for row in rows)
    return {
        "causes": [
            {"name": row.name, "words": row.words, "reason": row.reason,
             "usual": probability(row.prior / whole, SAMPLES),
             "seen": seen_of(document, f"{TABLE}.{row.name}")}
            for row in rows
        ],
        "moved": [_moved(row) for row in moved_rows(build)],
        "undo": _undo(car),
    }  # fmt: skip


def _moved(row: MovedPrior) -> dict[str, str]:
    if row.moves == "spread":
        return {"name": row.name, "words": f"spread of the fault {row.name}",
                "now": f"{row.value:g} times", "usual": "", "reason": row.reason,
                "key": f"{TABLE}.spread.{row.name}"}  # fmt: skip
    return {"name": row.name, "words": row.name, "now": probability(row.value, SAMPLES),
            "usual": probability(row.usual, SAMPLES), "reason": row.reason,
            "key": f"{TABLE}.{row.name}"}  # fmt: skip


def _undo(car: Car) -> dict[str, Any] | None:
    """The last edit, when it moved a belief: anything else is taken back on Parts."""
    try:
        done = task.standing(car.folder).done
    except BuildError:
        return None
    keys = [str(step["key"]) for step in done[-1].body["steps"]] if done else []
    if not keys or not all(key.startswith(f"{TABLE}.") for key in keys):
        return None
    return {"id": done[-1].id, "words": task.words_of(done[-1])}
