"""The verb `serve`: the pages in the browser."""

from __future__ import annotations

from importlib import import_module
from pathlib import Path
from typing import Annotated

import typer

from keyturn.cli import doors

PORT = 8720


def serve(
    folder: Annotated[
        Path,
        typer.Argument(metavar="FOLDER", help="A build, or a folder of builds; may be empty."),
    ] = Path("."),
    port: Annotated[int, typer.Option(min=0, max=65535, help="Port; 0 for any free one.")] = PORT,
    lan: Annotated[
        bool, typer.Option("--lan", help="Let devices on this network in, each with a code.")
    ] = False,
    name: Annotated[
        list[str] | None,
        typer.Option(metavar="NAME", help="With --lan: another name of this computer; repeatable."),
    ] = None,
    browser: Annotated[bool, typer.Option("--open", help="Open the browser as well.")] = False,
) -> None:
    """Show the builds in the browser, on this computer only unless --lan is given."""
    # The two faces never import each other: this one only names the door of the other.
    start = import_module("keyturn.web.run").serve
    start(folder, port=port, lan=lan, names=tuple(name or ()), browser=browser, say=doors.put)
