"""The verb `choose`: which purchase is worth its money."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from keyturn.cli import doors
from keyturn.cli.options import BuildPath, Change, Figure, Full, Json, Samples, Seed

SHOWN_EVERY = 100  # sets between two lines of progress


def choose(
    build: BuildPath,
    power: Annotated[
        str | None,
        typer.Option("--power", metavar="POWER", help="Power that is wanted too, as '300 kW'."),
    ] = None,
    json: Json = None,
    change: Change = None,
    figure: Figure = None,
    samples: Samples = 200,
    seed: Seed = 0,
    full: Full = False,
    strict: Annotated[
        bool, typer.Option("--strict", help="Exit 1 when none reaches 95 % and holds.")
    ] = False,
) -> None:
    """Say which of the [[option]] entries to buy, and which would be wasted money."""
    wanted = doors.changes(change or [])
    with doors.progress(f"weighing the options of {build}"):
        from keyturn.report.choose_words import text, to_json
        from keyturn.tasks.choose import choose as task

        with doors.workers() as pool:
            result = task(
                build, pool, _progress, power=power, changes=wanted, samples=samples, seed=seed
            )
    if json is not None:
        doors.put_json(to_json(result), json)
    if figure is not None:
        from keyturn.report.choose_figure import choose_figure
        from keyturn.tasks.files import write_all

        write_all(figure.parent, {figure.name: choose_figure(result).encode()})
    if json != "-":
        doors.put(text(result, full=full))
    if strict and (result.cheapest is None or result.cheapest.verdict != "holds"):
        raise typer.Exit(1)


def _progress(done: int, total: int) -> None:
    """Combinations done, on a terminal only."""
    if total > SHOWN_EVERY and sys.stderr.isatty():
        sys.stderr.write(f"\r\033[K{done} of {total} combinations ...")
        sys.stderr.flush()
