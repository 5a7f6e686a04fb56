"""The verb `log`: bring a recording into the build folder."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from keyturn.cli import doors
from keyturn.cli.options import BuildPath, Json


def log(
    build: BuildPath,
    file: Annotated[
        Path, typer.Argument(metavar="FILE", help="What the logger wrote: CSV, Parquet, MDF4.")
    ],
    mapped: Annotated[
        list[str] | None,
        typer.Option(
            "--map",
            metavar="CHANNEL=COLUMN as UNIT",
            help="Say what a column is, or =none; repeatable.",
        ),
    ] = None,
    confirm: Annotated[
        bool, typer.Option("--confirm", help="Take the columns as proposed, and remember them.")
    ] = False,
    json: Json = None,
) -> None:
    """Bring a log in: columns proposed with reasons, confirmed once, then remembered.

    The original is kept unaltered in logs/. What cannot be told from the numbers is asked.
    """
    with doors.progress(f"reading {file}"):
        from keyturn.report.log_words import log_json, log_text
        from keyturn.tasks.log import answers, import_log

        brought = import_log(build, _found(build, file), answers(mapped or []), confirm)
    if json is not None:
        doors.put_json(log_json(brought), json)
    if json != "-":
        doors.put(log_text(brought, str(build)))


def _found(build: Path, file: Path) -> Path:
    """The file, or one of that name in the build folder."""
    if file.exists():
        return file
    folder = build if build.is_dir() else build.parent
    inside = folder / file
    return inside if inside.exists() else file
