"""The verb `new`: a build folder from an example, or from nothing with a few answers."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from keyturn.cli import doors

if TYPE_CHECKING:
    from keyturn.tasks.new import Question


def new(
    folder: Annotated[
        Path | None, typer.Argument(metavar="DIR", help="Folder to make; new or empty.")
    ] = None,
    example: Annotated[
        str | None, typer.Option(metavar="NAME", help="Which example to start from.")
    ] = None,
    blank: Annotated[
        bool, typer.Option("--blank", help="Start from nothing; asks what is not said by --set.")
    ] = False,
    said: Annotated[
        list[str] | None,
        typer.Option("--set", metavar="KEY=VALUE", help="With --blank: an answer; repeatable."),
    ] = None,
    listed: Annotated[bool, typer.Option("--list", help="List the examples and stop.")] = False,
) -> None:
    """Start a build folder: from an example (all invented), or from nothing with a few answers."""
    from keyturn.errors import BuildError
    from keyturn.tasks.new import examples
    from keyturn.tasks.new import new as task

    if listed:
        for name, words in examples():
            doors.put(f"{name:<16} {words}")
        return
    if folder is None or (example is None) != blank or (said and not blank):
        raise BuildError(
            "a folder is needed, and either an example or --blank",
            accepted="keyturn new DIR --example NAME, or keyturn new DIR --blank",
            advice="see the names with: keyturn new --list",
        )
    made = task(folder, example) if example is not None else _blank(folder, said or [])
    doors.put(f"made {made}; edit it, then: keyturn check {folder}")


def _blank(folder: Path, typed: list[str]) -> Path:
    """From the answers of ``--set``; at a terminal the others are asked, and again when refused."""
    from keyturn.errors import BuildError, BuildErrors
    from keyturn.tasks.new import blank, questions

    answers = doors.changes(typed)
    asking = sys.stdin.isatty() and sys.stderr.isatty()
    if not asking:
        return blank(folder, answers)
    wanted = [row for row in questions() if row.key not in answers]
    while True:
        for row in wanted:
            answers[row.key] = _asked(row)
        try:
            return blank(folder, answers)
        except BuildError as fault:
            faults = fault.faults if isinstance(fault, BuildErrors) else (fault,)
            keys = {item.place.key for item in faults}
            wanted = [row for row in questions() if row.key in keys]
            if not wanted:
                raise
            print(f"keyturn: {fault}", file=sys.stderr)


def _asked(row: Question) -> str:
    """One answer; empty leaves it out, and it is then assumed where it can be."""
    hint = f"one of {', '.join(row.choices)}" if row.choices else f"such as {row.example}"
    found: str = typer.prompt(f"{row.words} ({hint})", default="", show_default=False, err=True)
    return found
