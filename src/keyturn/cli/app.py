"""The verbs. Each imports its task when it runs, so that asking for help stays quick."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from keyturn.cli import doors
from keyturn.cli.choose import choose as choose_verb
from keyturn.cli.find import find as find_verb
from keyturn.cli.gasket import gasket as gasket_verbs
from keyturn.cli.joint import joint as joint_verb
from keyturn.cli.log import log as log_verb
from keyturn.cli.new import new as new_verb
from keyturn.cli.options import BuildPath, Change, Full, Json, Samples, Seed, Strict
from keyturn.cli.read import read as read_verb
from keyturn.cli.serve import serve as serve_verb
from keyturn.cli.steps import steps as steps_verb
from keyturn.cli.watch import watch as watch_verb
from keyturn.system.thresholds import SAMPLES, SEED

WIDTH = 96  # help is the same text in every terminal, and in docs/cli.md

app = typer.Typer(
    name="keyturn",
    help=(
        "Will fuel, air, drive and wiring hold on a home-built boosted engine?\n\n"
        "Describe the car in build.toml with how well each part is known, then ask. "
        "Start with: keyturn new mycar --example van-roots"
    ),
    epilog=(
        "Exit codes: 0 answered; 1 with --strict when the verdict is not 'holds'; 2 what was typed "
        "cannot be taken; 3 cannot be answered, says what is missing; 70 a fault in keyturn."
    ),
    add_completion=False,
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"terminal_width": WIDTH, "help_option_names": ["-h", "--help"]},
)


def _version(asked: bool) -> None:
    if asked:
        from keyturn import __version__

        doors.put(f"keyturn {__version__}")
        raise typer.Exit()


@app.callback()
def keyturn(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_version, is_eager=True, help="Say which version."),
    ] = False,
) -> None:
    pass


app.command("new")(new_verb)


@app.command()
def check(
    build: BuildPath,
    json: Json = None,
    samples: Samples = SAMPLES,
    seed: Seed = SEED,
    change: Change = None,
    full: Full = False,
    strict: Strict = False,
) -> None:
    """Say whether every part holds at every speed and load, and what it would take."""
    wanted = doors.changes(change or [])
    with doors.progress(f"checking {build}"):
        from keyturn.build.read import load
        from keyturn.report.json_form import to_json
        from keyturn.report.words import text
        from keyturn.tasks.check import check as task

        result = task(load(build, wanted), samples=samples, seed=seed)
    if json is not None:
        doors.put_json(to_json(result), json)
    if json != "-":
        doors.put(text(result, full=full))
    if strict and result.verdict != "holds":
        raise typer.Exit(1)


@app.command()
def report(
    build: BuildPath,
    out: Annotated[
        Path | None,
        typer.Option(metavar="FOLDER", help="Where to write; made/ in the build folder if unsaid."),
    ] = None,
    samples: Samples = SAMPLES,
    seed: Seed = SEED,
    change: Change = None,
    strict: Strict = False,
) -> None:
    """Write the answer as one web page, a PDF to take to the car, and its figures.

    With readings the cause is in it, with options the purchase.
    """
    wanted = doors.changes(change or [])
    with doors.progress(f"writing the report of {build}"):
        from keyturn.build.read import load
        from keyturn.tasks.check import check as task
        from keyturn.tasks.report import evidence, made_folder, write_report

        result = task(load(build, wanted), samples=samples, seed=seed)
        with doors.workers() as pool:
            more = evidence(build, wanted, seed, pool)
        written = write_report(result, out if out is not None else made_folder(build), more)
    doors.put(result.sentence)
    for path in written:
        doors.put(f"  {path}")
    if strict and result.verdict != "holds":
        raise typer.Exit(1)


# a value such as "-2 psi" is no option
app.command("read", context_settings={"ignore_unknown_options": True})(read_verb)
app.command("find")(find_verb)
app.command("choose")(choose_verb)
# "-3 psi" is no option
app.command("steps", context_settings={"ignore_unknown_options": True})(steps_verb)
app.command("log")(log_verb)
app.command("watch")(watch_verb)
app.add_typer(gasket_verbs, name="gasket")
app.command("joint")(joint_verb)
app.command("serve")(serve_verb)
