"""The verb `find`: what is wrong, how sure, and what to test next."""

from __future__ import annotations

from typing import Annotated

import typer

from keyturn.cli import doors
from keyturn.cli.options import BuildPath, Change, Figure, Full, Json, Seed
from keyturn.errors import Place, ValueRefused


def find(
    build: BuildPath,
    json: Json = None,
    prior: Annotated[
        list[str] | None,
        typer.Option("--prior", metavar="CAUSE=P", help="Move the prior of a cause; repeatable."),
    ] = None,
    change: Change = None,
    figure: Figure = None,
    seed: Seed = 0,
    full: Full = False,
    strict: Annotated[
        bool, typer.Option("--strict", help="Exit 1 when there is not enough information.")
    ] = False,
) -> None:
    """Say which cause fits the readings, how sure that is, and which test to make next."""
    wanted, moved = doors.changes(change or []), _priors(prior or [])
    with doors.progress(f"looking for the cause in {build}"):
        from keyturn.evidence.find import NOT_ENOUGH
        from keyturn.report.find_words import text, to_json
        from keyturn.tasks.find import find as task

        result = task(build, changes=wanted, priors=moved, seed=seed)
    if json is not None:
        doors.put_json(to_json(result), json)
    if figure is not None:
        from keyturn.report.find_figure import find_figure
        from keyturn.tasks.files import write_all

        write_all(figure.parent, {figure.name: find_figure(result).encode()})
    if json != "-":
        doors.put(text(result, full=full))
    if strict and result.answer == NOT_ENOUGH:
        raise typer.Exit(1)


def _priors(typed: list[str]) -> dict[str, float]:
    found = {}
    for name, text in doors.changes(typed).items():
        try:
            found[name] = float(text)
        except ValueError:
            raise ValueRefused(
                "a prior is a number",
                place=Place(key="--prior"),
                typed=f"{name}={text}",
                accepted="a cause and its probability, such as 'filter=0.2'",
            ) from None
    return found
