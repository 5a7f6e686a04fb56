"""Cards to print: one stage or one step of the ladder, as a drawing and as a PDF."""

from __future__ import annotations

from pathlib import Path

from keyturn.report.card import Card, card_pdf, card_svg, rung_card, stage_card
from keyturn.tasks.files import write_all
from keyturn.tasks.ladder import ladder
from keyturn.tasks.report import made_folder
from keyturn.tasks.steps import steps


def card(build: str | Path, name: str, at_least: float | None = None) -> Card:
    """The card of a stage, or of a step of the ladder by its name (L0 to L10)."""
    now = steps(build)
    found = name.strip().upper()
    if found[:1] == "L" and found[1:].isdigit():
        whole = ladder(build, at_least, result=now.result)
        names = [row.name for row in whole.rungs]
        if found in names:
            return rung_card(whole, names.index(found), now.plan)
    stage = now.plan.stage(name.strip())
    row = now.plan.standings[stage.name]
    return stage_card(now.name, row, now.plan, invented=now.invented)


def write_card(
    build: str | Path, name: str, out: Path | None = None, at_least: float | None = None
) -> tuple[Path, ...]:
    """Write the card beside the other things that are made; ``out`` names the SVG elsewhere."""
    made = card(build, name, at_least)
    stem = f"card-{name.strip().lower()}"
    target = out or made_folder(build) / f"{stem}.svg"
    contents = {
        target.name: card_svg(made).encode(),
        target.with_suffix(".pdf").name: card_pdf(made),
    }
    return write_all(target.parent, contents)
