"""Arguments and options that several verbs share, so that they read the same everywhere."""

from __future__ import annotations

import functools
import inspect
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

import typer

from keyturn.tasks.fields import Field

Command = Callable[..., None]
KIND = inspect.Parameter.POSITIONAL_OR_KEYWORD
Said = Mapping[str, object]  # what was typed for the rows of `asks`

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
Out = Annotated[Path | None, typer.Option("--out", "-o", metavar="FILE", help="Where to write it.")]
Full = Annotated[bool, typer.Option("--full", help="Print every table and list of the answer.")]
Strict = Annotated[bool, typer.Option("--strict", help="Exit 1 when the verdict is not 'holds'.")]


@dataclass(frozen=True)
class To:
    """Where an outline goes, with its drawing and its data."""

    out: Path | None
    figure: Path | None
    json: str | None


def asks(*rows: Field, no: bool = False) -> Callable[[Command], Command]:
    """One option for each row; what was typed reaches the command as the mapping ``said``.

    ``no`` gives every yes a ``--no-`` beside it: a file may have said it already.
    """
    options = {row.key: (_option(row, no=no), None) for row in rows}
    return _bundled("said", options, lambda told: {k: v for k, v in told.items() if v is not None})


def gives(out: Path | None = None) -> Callable[[Command], Command]:
    """The options of `To`, which reaches the command as ``to``."""
    options = {"out": (Out, out), "figure": (Figure, None), "json": (Json, None)}
    return _bundled("to", options, lambda told: To(**told))


def _bundled(
    name: str, options: Mapping[str, tuple[Any, Any]], made: Callable[[dict[str, Any]], Any]
) -> Callable[[Command], Command]:
    """The parameter ``name`` of a command in the form of several options."""

    def dressed(command: Command) -> Command:
        signature = inspect.signature(command, eval_str=True)
        own = [row for row in signature.parameters.values() if row.name != name]
        more = [
            inspect.Parameter(key, KIND, default=default, annotation=annotation)
            for key, (annotation, default) in options.items()
        ]

        @functools.wraps(command)
        def called(**typed: Any) -> None:
            told = {key: typed.pop(key) for key in options}
            command(**typed, **{name: made(told)})

        # a parameter without a default may only stand before those that have one; the checker of
        # types knows no such attribute of a function, `inspect` and typer read it (PEP 362)
        called.__signature__ = signature.replace(  # type: ignore[attr-defined]
            parameters=sorted([*own, *more], key=lambda row: row.default is not row.empty)
        )
        return called

    return dressed


def _option(row: Field, *, no: bool) -> Any:
    flag = "--" + row.key.replace("_", "-")
    words = row.words + (f", such as {row.example}" if row.example else "")
    words += f"; {row.note}." if row.note else "."
    if row.takes == "yes":
        names = f"{flag}/--no-{flag[2:]}" if no else flag
        return Annotated[bool | None, typer.Option(names, help=words, show_default=False)]
    metavar = {"choice": "NAME", "word": "NAME", "size": "WxH", "count": "COUNT",
               "pressure_gauge": "PRESSURE", "bolt_pull": "FORCE"}  # fmt: skip
    return Annotated[
        str | None,
        typer.Option(flag, metavar=metavar.get(row.takes, row.takes.upper()), help=words),
    ]
