"""The verb `gasket`: from a photo, a scan or callipers to a cut file; no build folder needed."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from keyturn.cli import doors
from keyturn.cli.options import Json, Out, Said, To, asks, gives
from keyturn.errors import Place, ValueRefused
from keyturn.tasks.fields import CUT, TRACE, millimetres, two_lengths

if TYPE_CHECKING:
    from keyturn.making.shape import Outline

gasket = typer.Typer(
    help="Flat gaskets: from a photo, a scan or callipers to a cut file. No build needed.",
    no_args_is_help=True,
    rich_markup_mode=None,
)
OUTLINE = Path("outline.toml")

OutlineFile = Annotated[
    Path, typer.Argument(metavar="OUTLINE", help="Outline file (TOML, millimetres).")
]
Paper = Annotated[str, typer.Option("--paper", metavar="a4|letter", help="Paper to print on.")]
Pdf = Annotated[
    Path | None, typer.Option("--pdf", metavar="FILE", help="Write the paper proof at 1:1.")
]
Name = Annotated[str, typer.Option("--name", metavar="TEXT", help="Name of the part.")]


@gasket.command("board")
def board(out: Out = Path("board.pdf"), paper: Paper = "a4") -> None:
    """Write the reference board to print at 100 %: two strips and two check lines."""
    from keyturn.tasks.gasket import board as task

    target = out or Path("board.pdf")
    doors.write({target: task(paper)})
    doors.put(
        f"{target}: print at 100 %, cut out both strips, lay them on two sides of the part;\n"
        "measure both check lines and give them with --check-long and --check-short"
    )


@gasket.command("trace")
@gives(OUTLINE)
@asks(*(row for row in TRACE if row.only != "scan"))
def trace(
    photos: Annotated[
        list[Path], typer.Argument(metavar="PHOTO...", help="One to five, JPEG or PNG, full size.")
    ],
    said: Said,
    to: To,
    name: Name = "gasket",
) -> None:
    """Trace a part from photos with the board beside it; every feature with its uncertainty."""
    _trace(photos, said, name, to, scanned=False)


@gasket.command("scan")
@gives(OUTLINE)
@asks(*(row for row in TRACE if row.only != "photos"))
def scan(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="Scan, JPEG or PNG.")],
    said: Said,
    to: To,
    name: Name = "gasket",
) -> None:
    """Trace a part, or an old gasket, from a flatbed scan; best with a strip on the glass."""
    _trace([file], said, name, to, scanned=True)


@gasket.command("measure")
@gives(OUTLINE)
def measure(
    file: Annotated[
        Path, typer.Argument(metavar="FILE", help="Holes and distances (TOML, docs/gasket.md).")
    ],
    to: To,
    plan: Annotated[
        int | None,
        typer.Option("--plan", metavar="COUNT", help="Say which distances to measure, and stop."),
    ] = None,
) -> None:
    """Place holes by calliper distances; say which further one would help most."""
    from keyturn.report.gasket_words import measured_json, measured_text
    from keyturn.tasks.gasket import read_text
    from keyturn.tasks.gasket_measure import measure as task
    from keyturn.tasks.gasket_measure import plan as planned

    text = read_text(file)
    if plan is not None:
        doors.put("\n".join(planned(text, plan, str(file))))
        return
    found = task(text, str(file))
    told = (found.outline, found.worst, found.next)
    _give(found.outline, to, words=measured_text(*told), answer=measured_json(*told))


@gasket.command("edit")
@gives()
def edit(
    outline: OutlineFile,
    to: To,
    change: Annotated[
        list[str] | None,
        typer.Option(
            "--set", metavar="KEY=VALUE", help="Such as hole.3.diameter=6.6, port.1.grow=0.2."
        ),
    ] = None,
    slot: Annotated[
        list[str] | None,
        typer.Option("--slot", metavar="HOLE", help="Open this hole to the edge; repeatable."),
    ] = None,
    ear: Annotated[
        list[str] | None,
        typer.Option("--ear", metavar="HOLE", help="Let the edge stand out around it; repeatable."),
    ] = None,
    land: Annotated[
        str | None,
        typer.Option("--land", metavar="LENGTH", help="Sheet that an ear leaves, 3 mm if unsaid."),
    ] = None,
    snap: Annotated[bool, typer.Option("--snap", help="Diameters to standard sizes.")] = False,
    mirror: Annotated[bool, typer.Option("--mirror", help="Left and right swapped.")] = False,
) -> None:
    """Change an outline without an editor; the file itself, or another with --out."""
    from keyturn.tasks.gasket import read_outline, read_text
    from keyturn.tasks.gasket_edit import change as task
    from keyturn.tasks.gasket_edit import typed

    part = read_outline(outline)
    wishes: list[dict[str, Any]] = [typed(text) for text in change or []]
    wishes += [{"do": "slot", "name": name} for name in slot or []]
    wide = {} if land is None else {"land": millimetres(land, "--land")}
    wishes += [{"do": "ear", "name": name, **wide} for name in ear or []]
    wishes += [{"do": "snap"}] * snap + [{"do": "mirror"}] * mirror
    if not wishes:
        raise ValueRefused("nothing is to be changed",
                           accepted="--set, --slot, --ear, --snap, --mirror")  # fmt: skip
    for wish in wishes:
        part = task(part, wish)
    _give(part, to, outline, before=read_text(outline))


@gasket.command("cut")
@asks(*CUT)
def cut(
    outlines: Annotated[
        list[Path], typer.Argument(metavar="OUTLINE...", help="Outline files; several on a sheet.")
    ],
    said: Said,
    dxf: Annotated[Path | None, typer.Option("--dxf", metavar="FILE", help="Write DXF.")] = None,
    svg: Annotated[Path | None, typer.Option("--svg", metavar="FILE", help="Write SVG.")] = None,
    pdf: Pdf = None,
    paper: Paper = "a4",
    json: Json = None,
) -> None:
    """Write what is cut: allowances added, inner cuts first, read back and compared."""
    from keyturn.report.gasket_words import cut_json, cut_text
    from keyturn.tasks import gasket as task

    order = task.cut_order(said)
    parts = [task.read_outline(path) for path in outlines]
    made = task.cut(parts, order)
    wanted = {path: data for path, data in ((dxf, made.dxf), (svg, made.svg)) if path is not None}
    if pdf is not None:
        if len(parts) != 1:
            raise ValueRefused("a paper proof shows one part", Place(key="--pdf"),
                               f"{len(parts)} parts", "one outline")  # fmt: skip
        wanted[pdf] = task.paper_proof(parts[0], paper, order.allow)
    doors.write(wanted)
    if json is not None:
        doors.put_json(cut_json(made.job, made.narrow, made.seconds), json)
    if json != "-":
        doors.put(cut_text(made.job, made.narrow, made.seconds, [str(path) for path in wanted]))


@gasket.command("proof")
def proof(
    outline: OutlineFile,
    pdf: Pdf = None,
    paper: Paper = "a4",
    measured: Annotated[
        str | None,
        typer.Option("--measured", metavar="A,B,C", help="The three distances on the part."),
    ] = None,
    ruler: Annotated[
        bool, typer.Option("--ruler", help="Read with a steel rule, not with callipers.")
    ] = False,
    check: Annotated[
        str | None,
        typer.Option("--check", metavar="ALONG,DOWN", help="Check lines of the print as measured."),
    ] = None,
    out: Out = None,
    json: Json = None,
) -> None:
    """Print the proof, then hold three measured distances against it: scale told or corrected."""
    from keyturn.report.gasket_words import proof_json, proof_text, wanted_text
    from keyturn.report.outline_figure import sides
    from keyturn.tasks import gasket as task

    part = task.read_outline(outline)
    if pdf is not None:
        doors.write({pdf: task.paper_proof(part, paper)})
        doors.put(f"{pdf}: print at 100 %, measure its check lines, lay it on the part")
    if check is not None:
        made = task.printed(two_lengths(check, "--check", "180.0,229.6"))
        doors.put(made.sentence(*sides(part.outer)))
    if measured is None:
        doors.put(wanted_text(task.asked_distances(part)))
        return
    values = [millimetres(text, "--measured") for text in measured.split(",")]
    found = task.confirm(part, values, ruler)
    _give(found.outline, To(out, None, json), outline, words=proof_text(found),
          answer=proof_json(found), before=task.read_text(outline))  # fmt: skip


# --- what the commands share ----------------------------------------------------------------------
def _trace(pictures: list[Path], said: Said, name: str, to: To, *, scanned: bool) -> None:
    with _telling() as tell:
        from keyturn.tasks import gasket as task

        source = task.source_of(said, scanned=scanned, name=name, proven=False)
        found = task.trace(pictures, source, tell)
    _give(task.outline_of(found, source), to)


class _telling:
    """Progress on a terminal, in one line that goes away; nothing into a file or a pipe."""

    def __enter__(self) -> Callable[[int, int, str], None]:
        return self._say if sys.stderr.isatty() else lambda done, of, words: None

    def _say(self, done: int, of: int, words: str) -> None:
        sys.stderr.write(f"\r\033[K{done}/{of} {words} ...")
        sys.stderr.flush()

    def __exit__(self, *_: object) -> None:
        if sys.stderr.isatty():
            sys.stderr.write("\r\033[K")
            sys.stderr.flush()


def _give(
    part: Outline, to: To, usual: Path = OUTLINE, *, words: str = "",
    answer: dict[str, Any] | None = None, before: str = "",
) -> None:  # fmt: skip
    """Write outline and drawing together, then tell; ``before``: comments of that text stay."""
    from keyturn.making.edit import allowed
    from keyturn.making.outline_rewrite import rewritten
    from keyturn.report.gasket_words import outline_json, outline_text
    from keyturn.report.outline_figure import outline_figure

    target = to.out or usual
    files = {target: rewritten(before, part).encode()}
    if to.figure is not None:
        files[to.figure] = outline_figure(part, allowed(part).narrow).encode()
    doors.write(files)
    if to.json is not None:
        doors.put_json(answer or outline_json(part), to.json)
    if to.json != "-":
        doors.put(f"{words or outline_text(part)}\n{target} written")
