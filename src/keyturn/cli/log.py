"""The verb `log`: bring a recording into the build folder and judge it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from keyturn.cli import doors
from keyturn.cli.options import BuildPath, Json

if TYPE_CHECKING:
    from keyturn.logs.frame import Recording
    from keyturn.tasks.log_findings import LogResult


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
    readings: Annotated[
        bool,
        typer.Option("--readings", help="Store its measured stretches as readings."),
    ] = False,
    pictures: Annotated[
        Path | None,
        typer.Option(
            "--pictures", metavar="FOLDER", help="Write corridor and traces there, as SVG."
        ),
    ] = None,
    json: Json = None,
) -> None:
    """Bring a log in, confirm its columns once, and see what is found in it.

    The original is kept unaltered in logs/. What cannot be told from the numbers is asked. Once
    its columns are confirmed a log is judged against the model of this build.
    """
    with doors.progress(f"reading {file}"):
        from keyturn.report.log_words import log_json, log_text
        from keyturn.tasks.log import answers, import_log

        brought = import_log(build, _found(build, file), answers(mapped or []), confirm)
    found, problem = _judged(build, brought.recording)
    if json is not None:
        from keyturn.report.log_findings_words import findings_json

        judged = findings_json(found.found, found.measured) if found else None
        doors.put_json({**log_json(brought), "judged": judged, "not_judged": problem}, json)
    if json != "-":
        doors.put(log_text(brought, str(build)))
        if problem is not None:
            doors.put(f"\nnot judged: {problem}")
    if found is not None:
        if json != "-":
            from keyturn.report.log_findings_words import findings_text

            doors.put("\n" + findings_text(found.found, found.measured))
        if pictures is not None:
            _draw(found, pictures)
        if readings:
            _store(build, found, quiet=json == "-")


def _judged(build: Path, recording: Recording | None) -> tuple[LogResult | None, str | None]:
    """The log judged; without an answer of the model the import still stands, and why is said."""
    if recording is None:
        return None, None
    from keyturn.errors import KeyturnError
    from keyturn.tasks.log_findings import findings

    try:
        with doors.progress("judging the log"):
            return findings(build, recording), None
    except KeyturnError as error:
        return None, str(error)


def _draw(found: LogResult, folder: Path) -> None:
    from keyturn.report.log_corridor import log_corridor
    from keyturn.report.trace_figure import traces
    from keyturn.tasks.files import write_all

    write_all(
        folder,
        {
            f"{found.name}.corridor.svg": log_corridor(found.check, found.found.points).encode(),
            f"{found.name}.traces.svg": traces(found.found).encode(),
        },
    )


def _store(build: Path, found: LogResult, *, quiet: bool) -> None:
    from keyturn.tasks.log_findings import hand_over

    handed = hand_over(build, found)
    if not quiet:
        doors.put(
            f"{len(handed.readings)} readings in the journal, {handed.again} of them from before"
        )


def _found(build: Path, file: Path) -> Path:
    """The file, or one of that name in the build folder."""
    if file.exists():
        return file
    folder = build if build.is_dir() else build.parent
    inside = folder / file
    return inside if inside.exists() else file
