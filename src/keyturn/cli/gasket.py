"""The verb `gasket`: from a photo, a scan or callipers to a cut file; no build folder needed."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from keyturn.cli import doors
from keyturn.cli.options import Figure, Json
from keyturn.errors import Place, ValueRefused

if TYPE_CHECKING:
    from keyturn.making.edit import Allowances
    from keyturn.making.shape import Outline
    from keyturn.making.trace import Traced
    from keyturn.tasks.gasket import Asked

gasket = typer.Typer(
    help="Flat gaskets: from a photo, a scan or callipers to a cut file. No build needed.",
    no_args_is_help=True,
    rich_markup_mode=None,
)
Word = str | None

Out = Annotated[Path | None, typer.Option("--out", "-o", metavar="FILE", help="Where to write it.")]
OutlineFile = Annotated[
    Path, typer.Argument(metavar="OUTLINE", help="Outline file (TOML, millimetres).")
]
Paper = Annotated[str, typer.Option("--paper", metavar="a4|letter", help="Paper to print on.")]
Check = Annotated[
    Word,
    typer.Option(
        "--check", metavar="LONG,SHORT", help="Both check lines of the board as you measured them."
    ),
]
Name = Annotated[str, typer.Option("--name", metavar="TEXT", help="Name of the part.")]
Snap = Annotated[
    bool, typer.Option("--snap", help="Take diameters as standard sizes where they are near.")
]
HoleRead = Annotated[
    Word,
    typer.Option(
        "--hole", metavar="[NAME=]SIZE", help="Diameter of one hole by callipers, such as 6.60mm."
    ),
]
Mirror = Annotated[bool, typer.Option("--mirror", help="Left and right swapped.")]


@gasket.command("board")
def board(out: Out = Path("board.pdf"), paper: Paper = "a4") -> None:
    """Write the reference board to print at 100 %: two strips and two check lines."""
    from keyturn.tasks.gasket import board as task

    target = out or Path("board.pdf")
    _write(target, {target.name: task(paper)})
    doors.put(
        f"{target}: print at 100 %, cut out both strips, lay them on two sides of the part;\n"
        "measure both check lines and give them with --check LONG,SHORT"
    )


@gasket.command("trace")
def trace(
    photos: Annotated[
        list[Path], typer.Argument(metavar="PHOTO...", help="One to five, JPEG or PNG, full size.")
    ],
    thickness: Annotated[
        Word,
        typer.Option("--thickness", metavar="LENGTH", help="From the strips up to the face."),
    ] = None,
    level: Annotated[
        bool, typer.Option("--level", help="The strips lie level with the face: no thickness.")
    ] = False,
    check: Check = None,
    hole: HoleRead = None,
    snap: Snap = False,
    mirror: Mirror = False,
    name: Name = "gasket",
    out: Out = Path("outline.toml"),
    figure: Figure = None,
    json: Json = None,
) -> None:
    """Trace a part from photos with the board beside it; every feature with its uncertainty."""
    from keyturn.tasks.gasket import millimetres

    if (thickness is None) is not level:
        raise ValueRefused(
            "how high does the face lie above the strips?", Place(key="--thickness"), thickness,
            "--thickness 8mm, or --level where the strips lie level with the face",
            "a thickness that is left out costs millimetres",
        )  # fmt: skip
    high = None if thickness is None else millimetres(thickness, "--thickness")
    lines, asked = _check(check), _asked(name, snap, hole, mirror)
    with _telling() as tell:
        from keyturn.tasks.gasket import trace as task

        found = task(photos, high, lines, asked, tell)
    _traced(found, asked, out, figure, json)


@gasket.command("scan")
def scan(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="Scan, JPEG or PNG.")],
    dpi: Annotated[float, typer.Option("--dpi", metavar="NUMBER", help="As the scanner was set.")],
    strip: Annotated[
        Word,
        typer.Option(
            "--strip", metavar="LONG,SHORT",
            help="A printed strip lies on the glass: both check lines as measured.",
        ),
    ] = None,
    hole: HoleRead = None,
    snap: Snap = False,
    mirror: Mirror = False,
    name: Name = "gasket",
    out: Out = Path("outline.toml"),
    figure: Figure = None,
    json: Json = None,
) -> None:  # fmt: skip
    """Trace a part, or an old gasket, from a flatbed scan."""
    lines, asked = _check(strip, "--strip"), _asked(name, snap, hole, mirror)
    with _telling() as tell:
        from keyturn.tasks.gasket import scan as task

        found = task(file, dpi, lines, asked, tell)
    _traced(found, asked, out, figure, json)


@gasket.command("measure")
def measure(
    file: Annotated[
        Path, typer.Argument(metavar="FILE", help="Holes and distances (TOML, docs/gasket.md).")
    ],
    plan: Annotated[
        int | None,
        typer.Option("--plan", metavar="COUNT", help="Say which distances to measure, and stop."),
    ] = None,
    out: Out = Path("outline.toml"),
    figure: Figure = None,
    json: Json = None,
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
    words = measured_text(found.outline, found.worst, found.next, found.suspect)
    answer = measured_json(found.outline, found.worst, found.next, found.suspect)
    _give(found.outline, out, figure, json, answer, words)


@gasket.command("edit")
def edit(
    outline: OutlineFile,
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
    snap: Snap = False,
    mirror: Mirror = False,
    out: Out = None,
    figure: Figure = None,
    json: Json = None,
) -> None:
    """Change an outline without an editor; the file itself, or another with --out."""
    from keyturn.report.gasket_words import outline_json, outline_text
    from keyturn.tasks.gasket import read_outline
    from keyturn.tasks.gasket_edit import change as task
    from keyturn.tasks.gasket_edit import typed

    part = read_outline(outline)
    wishes: list[dict[str, Any]] = [typed(text) for text in change or []]
    wishes += [{"do": "slot", "name": name} for name in slot or []]
    wishes += [{"do": "snap"}] * snap + [{"do": "mirror"}] * mirror
    if not wishes:
        raise ValueRefused("nothing is to be changed", accepted="--set, --slot, --snap, --mirror")
    for wish in wishes:
        part = task(part, wish)
    _give(part, out or outline, figure, json, outline_json(part), outline_text(part))


@gasket.command("cut")
def cut(
    outlines: Annotated[
        list[Path], typer.Argument(metavar="OUTLINE...", help="Outline files; several on a sheet.")
    ],
    dxf: Annotated[Path | None, typer.Option("--dxf", metavar="FILE", help="Write DXF.")] = None,
    svg: Annotated[Path | None, typer.Option("--svg", metavar="FILE", help="Write SVG.")] = None,
    pdf: Annotated[
        Path | None, typer.Option("--pdf", metavar="FILE", help="Write the paper proof at 1:1.")
    ] = None,
    paper: Paper = "a4",
    kerf: Annotated[str, typer.Option(metavar="LENGTH", help="Width of the cut.")] = "0mm",
    clearance: Annotated[
        Word, typer.Option(metavar="LENGTH", help="Added to the diameter of bolt holes.")
    ] = None,
    growth: Annotated[
        Word, typer.Option(metavar="LENGTH", help="Ports are cut that much larger all round.")
    ] = None,
    land: Annotated[Word, typer.Option(metavar="LENGTH", help="Least sheet that is left.")] = None,
    sheet: Annotated[Word, typer.Option(metavar="WxH", help="Size of the sheet, mm.")] = None,
    copies: Annotated[int, typer.Option(metavar="COUNT", help="Of each part.")] = 1,
    both: Annotated[bool, typer.Option("--both", help="A left and a right one of each.")] = False,
    split: Annotated[
        bool, typer.Option("--split", help="Dovetail a part that is larger than the sheet.")
    ] = False,
    mirror: Mirror = False,
    speed: Annotated[
        float | None, typer.Option(metavar="MM/S", help="Speed of the cut, for the time.")
    ] = None,
    json: Json = None,
) -> None:
    """Write what is cut: allowances added, inner cuts first, read back and compared."""
    from keyturn.report.gasket_words import cut_json, cut_text
    from keyturn.tasks import gasket as task

    allow = _allow(clearance, growth, land)
    size = None if sheet is None else task.two_lengths(sheet, "--sheet", "500x330")
    order = task.CutOrder(
        allow, task.millimetres(kerf, "--kerf"), copies, size, mirror=mirror, both=both,
        split=split, speed=speed,
    )  # fmt: skip
    parts = [task.read_outline(path) for path in outlines]
    made = task.cut(parts, order)
    wanted: dict[Path, bytes] = {}
    if dxf is not None:
        wanted[dxf] = made.dxf
    if svg is not None:
        wanted[svg] = made.svg
    if pdf is not None:
        if len(parts) != 1:
            raise ValueRefused("a paper proof shows one part", Place(key="--pdf"),
                               f"{len(parts)} parts", "one outline")  # fmt: skip
        wanted[pdf] = task.paper_proof(parts[0], paper, allow)
    _write_apart(wanted)
    if json is not None:
        doors.put_json(cut_json(made.job, made.narrow, made.seconds), json)
    if json != "-":
        doors.put(cut_text(made.job, made.narrow, made.seconds, [str(path) for path in wanted]))


@gasket.command("proof")
def proof(
    outline: OutlineFile,
    pdf: Annotated[
        Path | None, typer.Option("--pdf", metavar="FILE", help="Write the paper proof at 1:1.")
    ] = None,
    paper: Paper = "a4",
    measured: Annotated[
        Word,
        typer.Option("--measured", metavar="A,B,C", help="The three distances on the part."),
    ] = None,
    ruler: Annotated[
        bool, typer.Option("--ruler", help="Read with a steel rule, not with callipers.")
    ] = False,
    check: Annotated[
        Word,
        typer.Option("--check", metavar="ALONG,DOWN", help="Check lines of the print as measured."),
    ] = None,
    out: Out = None,
    json: Json = None,
) -> None:
    """Print the proof, then hold three measured distances against it: scale told or corrected."""
    from keyturn.report.gasket_words import proof_json, proof_text, size_of, wanted_text
    from keyturn.tasks import gasket as task

    part = task.read_outline(outline)
    if pdf is not None:
        _write_apart({pdf: task.paper_proof(part, paper)})
        doors.put(f"{pdf}: print at 100 %, measure its check lines, lay it on the part")
    if check is not None:
        made = task.printed(task.two_lengths(check, "--check", "180.0,229.6"))
        doors.put(made.sentence(*size_of(part)))
    if measured is None:
        doors.put(wanted_text(task.asked_distances(part)))
        return
    values = [task.millimetres(text, "--measured") for text in measured.split(",")]
    found = task.confirm(part, values, ruler)
    _keep(found.outline, out or outline)
    if json is not None:
        doors.put_json(proof_json(found), json)
    if json != "-":
        doors.put(f"{proof_text(found)}\n{out or outline} written")


# --- what the commands share ----------------------------------------------------------------------
def _check(text: Word, key: str = "--check") -> tuple[float, float] | None:
    from keyturn.tasks.gasket import two_lengths

    return None if text is None else two_lengths(text, key)


def _asked(name: str, snap: bool, hole: Word, mirror: bool) -> Asked:
    from keyturn.tasks.gasket import Asked, millimetres

    read = None
    if hole is not None:
        which, sign, size = hole.rpartition("=")
        read = (which.strip() if sign else "", millimetres(size, "--hole"))
    return Asked(name, snap, read, mirror)


def _allow(clearance: Word, growth: Word, land: Word) -> Allowances:
    from dataclasses import replace

    from keyturn.making.edit import Allowances
    from keyturn.tasks.gasket import millimetres

    allow = Allowances()
    if clearance is not None:
        allow = replace(allow, bolt=millimetres(clearance, "--clearance"))
    if growth is not None:
        allow = replace(allow, port=millimetres(growth, "--growth"))
    if land is not None:
        least = millimetres(land, "--land")
        allow = replace(allow, land=least, edge=least)
    return allow


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


def _traced(found: Traced, asked: Asked, out: Path | None, figure: Path | None, json: Word) -> None:
    from keyturn.report.gasket_words import outline_json, outline_text
    from keyturn.tasks.gasket import outline_of

    part = outline_of(found, asked)
    _give(part, out or Path("outline.toml"), figure, json, outline_json(part), outline_text(part))


def _give(
    part: Outline, out: Path | None, figure: Path | None, json: Word, answer: dict[str, Any],
    words: str,
) -> None:  # fmt: skip
    """Write outline and drawing together, then tell."""
    target = out or Path("outline.toml")
    _keep(part, target, figure)
    if json is not None:
        doors.put_json(answer, json)
    if json != "-":
        doors.put(f"{words}\n{target} written")


def _keep(part: Outline, target: Path, figure: Path | None = None) -> None:
    from keyturn.making.outline_file import to_text

    files = {target: to_text(part).encode()}
    if figure is not None:
        from keyturn.making.edit import prepare
        from keyturn.report.outline_figure import outline_figure

        files[figure] = outline_figure(part, prepare(part).narrow).encode()
    _write_apart(files)


def _write_apart(files: dict[Path, bytes]) -> None:
    """Files of one folder appear together; several folders one after the other."""
    folders: dict[Path, dict[str, bytes]] = {}
    for path, data in files.items():
        folders.setdefault(path.parent, {})[path.name] = data
    for folder, contents in folders.items():
        _write(folder / "x", contents)


def _write(target: Path, contents: dict[str, bytes]) -> None:
    from keyturn.tasks.files import write_all

    write_all(target.parent, contents)
