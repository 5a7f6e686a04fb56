"""From parts to what a machine is told: slots, kerf, sheet, order; the files made from it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from keyturn.errors import ValueRefused
from keyturn.making import nest, order, slot
from keyturn.making.contours import (
    Cutting,
    Mark,
    carried,
    contours_of,
    judged,
    mark,
    moved,
    outline_points,
    sized,
)
from keyturn.making.edit import kerfed
from keyturn.making.shape import Outline

MOST_COPIES = 60


@dataclass(frozen=True)
class Job:
    """One sheet, ready to be cut, and what it takes."""

    cutting: Cutting
    order: order.Ordered
    nested: nest.Nested | None  # None where no sheet was given
    parts: tuple[Outline, ...]  # as they will be, in place, before the kerf


def job(
    parts: Sequence[Outline],
    *,
    kerf: float = 0.0,
    copies: int = 1,
    sheet: tuple[float, float] | None = None,
    gap: float = nest.GAP,
    marked: bool = True,
) -> Job:
    """What has to be cut, from parts that have their allowances already.

    ``kerf`` [mm] is the width of the cut; the gap on the sheet is between the cuts. Without a
    sheet there is one part, its lower left corner at the origin.

    Raises
    ------
    ValueRefused
        A part cannot be cut, the sheet is too small, or several parts have no sheet.
    """
    if not parts:
        raise ValueRefused("there is nothing to cut", accepted="one part or more")
    if not 1 <= copies <= MOST_COPIES:
        raise ValueRefused("that many copies cannot be made", typed=str(copies),
                           accepted=f"1 to {MOST_COPIES}")  # fmt: skip
    ready = [judged(slot.opened(sized(part))) for part in parts]
    tools = [judged(kerfed(part, kerf)) for part in ready]
    whole = [part for part in ready for _ in range(copies)]
    tooled = [part for part in tools for _ in range(copies)]
    if sheet is None and len(whole) > 1:
        raise ValueRefused("several parts need a sheet to lie on", typed=f"{len(whole)} parts",
                           accepted="the size of the sheet, such as 500x330")  # fmt: skip
    nested = None if sheet is None else nest.nest(tooled, sheet, gap)
    if nested is None:
        xs, ys = zip(*outline_points(tooled[0].outer), strict=True)
        steps: list[tuple[int, float, float]] = [(0, -min(xs), -min(ys))]
    else:
        steps = [(place.turn, place.x, place.y) for place in nested.placements]
    placed = tuple(moved(part, *step) for part, step in zip(whole, steps, strict=True))
    cuts = [moved(part, *step) for part, step in zip(tooled, steps, strict=True)]
    rows = [row for number, part in enumerate(cuts) for row in contours_of(part, number)]
    done = order.ordered(rows)
    marks = _marks(ready, copies, steps) if marked else ()
    return Job(Cutting(done.contours, marks, sheet, kerf), done, nested, placed)


def _marks(
    parts: Sequence[Outline], copies: int, steps: Sequence[tuple[int, float, float]]
) -> tuple[Mark, ...]:
    """The name and the side of every part, at the same place of it; words stay level."""
    found = [mark(part, f"{part.name} {part.side}") for part in parts]
    return tuple(
        replace(words, x=at[0], y=at[1])
        for n, step in enumerate(steps)
        if (words := found[n // copies]) is not None
        for at in (carried(words.x, words.y, *step),)
    )
