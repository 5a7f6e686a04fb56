"""The verb `joint`: will a flat gasket seal, how tight, in which order."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from keyturn.cli import doors
from keyturn.cli.options import Change, Full, Json, Samples, Seed, Strict


def joint(
    file: Annotated[
        Path, typer.Argument(metavar="FILE", help="Joint file (TOML), see docs/joint.md.")
    ],
    card: Annotated[
        Path | None, typer.Option("--card", metavar="FILE", help="Write the torque card (SVG).")
    ] = None,
    pressure: Annotated[
        Path | None,
        typer.Option("--pressure", metavar="FILE", help="Write the pressure on the sheet (SVG)."),
    ] = None,
    samples: Samples = 200,
    seed: Seed = 1,
    change: Change = None,
    full: Full = False,
    strict: Strict = False,
    json: Json = None,
) -> None:
    """Say whether a gasket seals under its bolts, how tight, in which order, and draw the card."""
    wanted = doors.changes(change or [])
    with doors.progress(f"looking at {file}"):
        from keyturn.making.joint import as_plain
        from keyturn.report.gasket_words import joint_text
        from keyturn.tasks import joint as task

        asked = task.read_joint(file)
        result = task.answer(task.with_changes(asked, wanted), samples, seed)
    targets = [(name, path) for name, path in (("card", card), ("pressure", pressure)) if path]
    if targets:
        from keyturn.tasks.files import write_all

        drawn = task.drawings(result)
        for name, path in targets:
            write_all(path.parent, {path.name: drawn[name].encode()})
    if json is not None:
        doors.put_json({"schema": "keyturn.joint.v1", **as_plain(result)}, json)
    if json != "-":
        doors.put(joint_text(result, full=full))
        for _, path in targets:
            doors.put(f"  {path}")
    if strict and result.verdict != "holds":
        raise typer.Exit(1)
