"""Arguments and options that several verbs share, so that they read the same everywhere."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

BuildPath = Annotated[
    Path, typer.Argument(metavar="BUILD", help="Folder of the build, or its build.toml.")
]
Samples = Annotated[
    int, typer.Option(help="How many times all uncertain values are drawn together.")
]
Seed = Annotated[int, typer.Option(help="Same seed, same answer.")]
Change = Annotated[
    list[str] | None,
    typer.Option("--set", metavar="KEY=VALUE", help="Try a change without editing; repeatable."),
]
Json = Annotated[
    str | None,
    typer.Option("--json", metavar="-|FILE", help="The answer as JSON; - is standard output."),
]
Figure = Annotated[
    Path | None,
    typer.Option("--figure", metavar="FILE", help="Write the answer as a drawing (SVG)."),
]
Full = Annotated[bool, typer.Option("--full", help="Print every table and list of the answer.")]
Strict = Annotated[bool, typer.Option("--strict", help="Exit 1 when the verdict is not 'holds'.")]
