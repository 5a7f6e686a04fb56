"""The verb `joint`: will a flat gasket seal, how tight, in which order."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from keyturn.cli import doors
from keyturn.cli.options import Full, Json, Out, Said, Samples, Seed, Strict, asks
from keyturn.tasks.fields import JOINT


@asks(*JOINT, no=True)
def joint(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="Joint file, or an outline (TOML).")],
    said: Said,
    card: Annotated[
        Path | None,
        typer.Option(
            "--card", metavar="FILE", help="Write the torque card (SVG, or PDF to print)."
        ),
    ] = None,
    pressure: Annotated[
        Path | None,
        typer.Option("--pressure", metavar="FILE", help="Write the pressure on the sheet (SVG)."),
    ] = None,
    out: Out = None,
    samples: Samples = 200,
    seed: Seed = 1,
    full: Full = False,
    strict: Strict = False,
    json: Json = None,
) -> None:
    """Say whether a gasket seals under its bolts, how tight, in which order, and draw the card.

    What is typed here goes before what the joint file says; --out keeps both as a joint file.
    """
    with doors.progress(f"looking at {file}"):
        from keyturn.making.joint import as_plain
        from keyturn.report.gasket_words import joint_text
        from keyturn.tasks import joint as task

        read, outline = task.read_said(file)
        whole = {**read, **said}
        result = task.answer(task.taken(whole, outline, "" if said else str(file)), samples, seed)
    files = task.drawings(result, card, pressure)
    if out is not None:
        files[out] = task.as_file(whole, read.get("outline", file.name)).encode()
    doors.write(files)
    if json is not None:
        doors.put_json({"schema": "keyturn.joint.v1", **as_plain(result)}, json)
    if json != "-":
        doors.put(joint_text(result, full=full))
        for path in files:
            doors.put(f"  {path} written")
    if strict and result.verdict != "holds":
        raise typer.Exit(1)
