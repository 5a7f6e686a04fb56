"""A card to print for one stage, or for one step of the ladder: drawn as SVG, set as PDF."""

from __future__ import annotations

from dataclasses import dataclass

from keyturn.procedure.evidence import Standing
from keyturn.procedure.ladder import Ladder
from keyturn.procedure.order import Plan
from keyturn.procedure.stages import NEEDS, hold_rules
from keyturn.report.steps_words import (
    HOLD,
    NOT_ASKED,
    WITNESS,
    abort_rows,
    always,
    band_rows,
    chance,
    limit_words,
    minutes_words,
    quantity_words,
    rung_caution,
)
from keyturn.report.svg import LINE, SMALL, THICK, THIN, Drawing, wrap
from keyturn.report.typeset import sheet

BOX = 16.0
INVENTED = "invented example"


@dataclass(frozen=True)
class Card:
    """Everything on a card, in words."""

    name: str  # of the build
    title: str
    kind: str  # "hold point", "witness" or "step of the ladder"
    why: str
    warnings: tuple[str, ...]  # overrides and what bars the start, set large
    lists: tuple[tuple[str, tuple[str, ...]], ...]
    boxes: tuple[tuple[str, str], ...]  # what is recorded, and its limit
    foot: str


def stage_card(name: str, row: Standing, plan: Plan, *, invented: bool = False) -> Card:
    """The card of one stage of a car."""
    stage = row.stage
    boxes = [
        (item.words, limit_words(plan.limits.get(item.limit)) if item.limit else "")
        for item in stage.record
    ]
    if stage.hold_rule:
        boxes += [
            (f"hold, {rule.name}: {rule.words}", rule.source) for rule in hold_rules().values()
        ]
    timers = tuple(f"{key}: {minutes:g} min" for key, minutes in (stage.timers or {}).items())
    before = tuple(f"{item.words}: {item.why}" for item in plan.barriers(stage.name))
    return Card(
        name=f"{name}, {INVENTED}" if invented else name,
        title=stage.words,
        kind=HOLD if stage.hold else WITNESS,
        why=stage.why,
        warnings=tuple(always(plan)),
        lists=(
            ("Stands before it", before),
            ("Needs", tuple(NEEDS[need] for need in stage.needs)),
            ("Tools", stage.tools),
            ("Cautions", stage.cautions),
            ("Timers", timers),
            ("Stop, go back", (stage.stop,)),
            ("Often forgotten", (stage.forgotten,)),
        ),
        boxes=tuple(boxes),
        foot=f"about {minutes_words(stage.minutes)}; source: {stage.source}",
    )


def rung_card(found: Ladder, at: int, plan: Plan) -> Card:
    """The card of one step of the ladder: bands and abort numbers stated beforehand."""
    door, (speed, boost) = found.openings[at], found.caps[at]
    caps = (
        f"up to {speed * 60:.0f} rev/min",
        f"up to {quantity_words(boost, 'pressure_gauge')} above ambient in the manifold",
        f"for {door.rung.seconds:.0f} s",
    )
    bands = tuple(f"{words}: {band}" for words, band in band_rows(found, at))
    return Card(
        name=f"{found.name}, {INVENTED}" if found.invented else found.name,
        title=f"{door.rung.name}: {door.rung.words}",
        kind="step of the ladder",
        why=f"Chance by the model that all limits hold: {chance(door.holds)}; "
        f"{found.at_least:.0%} is asked.",
        warnings=tuple(always(plan)),
        lists=(
            ("Cautions", (rung_caution(door.rung),)),
            ("Not open", door.why),
            ("Caps", caps),
            ("Predicted, 5 to 95 %", bands),
            ("Not in the model", (NOT_ASKED,)),
        ),
        boxes=tuple((words, f"abort: {bound}") for words, bound in abort_rows(found, at)),
        foot=f"stated before the run; {found.readings} readings; source: {door.rung.source}",
    )


def card_svg(card: Card, width: float = 720.0, *, inline: bool = False) -> str:
    """The card as a drawing."""
    drawing = Drawing(f"card{width:.0f}", width, card.title, card.why, inline=inline)
    drawing.text(0, 14, f"{card.name}: {card.kind}", SMALL, colour="quiet")
    y = 20.0
    for line in wrap(card.title, width, 19):
        y += 22
        drawing.text(0, y, line, 19, bold=True)
    drawing.line(0, y + 8, width, y + 8, "ink", THICK)
    y = _words(drawing, y + 12, card.why)
    for words in card.warnings:
        y = _warning(drawing, y + 6, words)
    for head, items in card.lists:
        if items:
            y += 20
            drawing.text(0, y, head, bold=True)
            for item in items:
                y = _words(drawing, y, f"– {item}")
    y += 24
    drawing.text(0, y, "Record", bold=True)
    for words, limit in card.boxes:
        y = _box(drawing, y + 8, words, limit)
    y += 8
    drawing.line(0, y, width, y, "quiet", THIN)
    drawing.height = _words(drawing, y, card.foot) + 10
    return drawing.render()


def _words(d: Drawing, y: float, words: str) -> float:
    for line in wrap(words, d.width, SMALL):
        y += 15
        d.text(0, y, line, SMALL)
    return y


def _warning(d: Drawing, y: float, words: str) -> float:
    lines = wrap(words, d.width - 20, 14)
    tall = 18 * len(lines) + 8
    d.box(1, y, d.width - 2, tall, d.pattern("diagonal", "short"), "short", THICK)
    for number, line in enumerate(lines):
        d.text(10, y + 17 + 18 * number, line, 14, bold=True)
    return y + tall


def _box(d: Drawing, y: float, words: str, limit: str) -> float:
    """A box to write in, what belongs there, and its limit."""
    d.box(1, y, BOX * 5, BOX * 1.5, stroke="ink", line=LINE)
    x = BOX * 5 + 12
    bottom = y
    for size, said in ((SMALL, words), (SMALL - 1, limit)):
        for line in wrap(said, d.width - x, size) if said else []:
            bottom += 14
            colour = "ink" if said == words else "quiet"
            d.text(x, bottom, line, size, colour=colour)
    return max(bottom, y + BOX * 1.5) + 2


def card_pdf(card: Card) -> bytes:
    """The card as one A4 sheet or more; the same card gives the same bytes."""
    data = {
        "name": card.name, "title": card.title, "kind": card.kind, "why": card.why,
        "warnings": card.warnings,
        "lists": [{"head": head, "items": items} for head, items in card.lists if items],
        "boxes": [{"words": words, "limit": limit} for words, limit in card.boxes],
        "foot": card.foot,
    }  # fmt: skip
    return sheet("card", data)
