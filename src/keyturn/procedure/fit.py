"""The stages of this car: what it has, and what was opened on it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from keyturn.build.model import Build
from keyturn.procedure.evidence import History
from keyturn.procedure.stages import AREAS, Stage, stages

# Asked of every car however little was opened: fuel leaks and starts are nobody's routine.
ALWAYS = ("fuel", "fuel-parts", "oil")


def has(build: Build) -> frozenset[str]:
    """What the build has, in the words of ``only`` in data/stages.toml."""
    boosted = build.blower is not None or build.boost is not None
    found = {"tank" if build.regulator.place == "tank" else "returns"}
    found.add("referenced" if build.regulator.reference == "manifold" else "fixed")
    found |= {"boosted"} if boosted else set()
    found |= {"blower"} if build.blower is not None else set()
    found |= {"belt"} if build.blower is not None or build.belt is not None else set()
    found |= {"charge-cooler"} if boosted and build.cooler is not None else set()
    return frozenset(found)


def worked_on(written: History) -> tuple[str, ...] | None:
    """Areas that were opened, by what was said and by what was written down; None: everything.

    Whatever was entered as open, recorded or overridden was worked on: no word about the scope
    takes a hold point away that has been begun.
    """
    if written.opened is None:
        return None
    begun = {row.stage for row in written.records} | {row.stage for row in written.overrides}
    found = [area for row in stages() if row.name in begun for area in row.areas]
    return tuple(dict.fromkeys([*written.opened, *(item.area for item in written.items), *found]))


def fitted(owned: frozenset[str], opened: Iterable[str] | None = None) -> tuple[Stage, ...]:
    """The stages that this car needs, in order, with the fields that apply.

    ``opened`` are the areas that were worked on; None means everything, as on a fresh build. A
    stage that proves only areas nobody opened is left out; starts and loads stay.
    """
    areas = frozenset(AREAS) if opened is None else frozenset(opened) | frozenset(ALWAYS)
    rows = [row for row in stages() if _applies(row, owned, areas)]
    kept = {row.name for row in rows}
    return tuple(
        replace(
            row,
            after=_after(row.after, kept),
            record=tuple(item for item in row.record if set(item.only) <= owned),
        )
        for row in rows
    )


def _applies(row: Stage, owned: frozenset[str], opened: frozenset[str]) -> bool:
    if not set(row.only) <= owned:
        return False
    return row.starts or row.load or not row.areas or bool(set(row.areas) & opened)


def _after(names: tuple[str, ...], kept: set[str]) -> tuple[str, ...]:
    """Prerequisites, those of a stage that is left out in its place."""
    whole = {row.name: row.after for row in stages()}
    found: list[str] = []
    for name in names:
        wanted = (name,) if name in kept else _after(whole[name], kept)
        found += [item for item in wanted if item not in found]
    return tuple(found)
