"""Flat gaskets from photo or scan to cut files and paper proof; needs no build folder."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from keyturn.errors import FileRefused, Place, ValueRefused
from keyturn.making.edit import Allowances, Prepared, mirrored, prepare
from keyturn.making.shape import Outline
from keyturn.tasks.fields import CUT, TRACE, taken

if TYPE_CHECKING:
    from keyturn.making.cutting import Job
    from keyturn.making.proof import Printed, Proof, Wanted
    from keyturn.making.trace import Traced

Progress = Callable[[int, int, str], None]
MOST_BYTES = 4_000_000  # of an outline file
MOST_PHOTOS = 5
LINES = ("check_long", "check_short")  # of TRACE: both or none


def board(paper: str = "a4") -> bytes:
    """The reference board as a PDF at 1:1."""
    from keyturn.making import board_sheet

    return board_sheet.pdf(paper)


def read_outline(path: Path) -> Outline:
    """The part of an outline file."""
    from keyturn.making.outline_file import from_text

    return from_text(read_text(path), str(path))


def read_text(path: Path, most: int = MOST_BYTES) -> str:
    """A small text file whole, or a refusal that says why."""
    place = Place(str(path))
    try:
        data = path.read_bytes() if path.stat().st_size <= most else None
    except OSError as fault:
        raise FileRefused(f"cannot be read: {fault.strerror}", place,
                          advice="check the path") from None  # fmt: skip
    if data is None:
        raise FileRefused(f"is larger than {most / 1e6:g} MB", place)
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise FileRefused("is not UTF-8 text", place) from None


@dataclass(frozen=True)
class Source:
    """Pictures of a part, and what no picture can tell of it; lengths [mm]."""

    scanned: bool = False  # one flatbed scan, not photos beside the board
    thickness: float | None = None  # of photos: from the strips up to the face
    level: bool = False  # strips and face lie level: no thickness
    dpi: float | None = None  # of a scan
    check: tuple[float, float] | None = None  # both check lines as measured
    hole: tuple[str, float] | None = None  # one hole by callipers: name ("" the nearest) and size
    snap: bool = False  # diameters to standard sizes where they can be told apart
    mirror: bool = False  # the old gasket was photographed from its back
    name: str = "gasket"

    def judged(self, count: int) -> Source:
        """This, when it can be traced from that many pictures."""
        if not 1 <= count <= (1 if self.scanned else MOST_PHOTOS):
            takes = "one scan" if self.scanned else f"1 to {MOST_PHOTOS} photos"
            raise ValueRefused("that many pictures cannot be taken together", typed=str(count),
                               accepted=takes)  # fmt: skip
        from keyturn.making.rectify import checked_height

        if self.scanned and not 100.0 <= (self.dpi or 0.0) <= 2400.0:
            raise ValueRefused("at how many dots per inch was it scanned?", Place(key="dpi"),
                               None if self.dpi is None else f"{self.dpi:g}",
                               "100 to 2400, 300 is enough")  # fmt: skip
        if not self.scanned and (self.thickness is None) is not self.level:
            raise ValueRefused(
                "how high does the face lie above the strips?", Place(key="thickness"),
                None if self.thickness is None else f"{self.thickness:g} mm, and level",
                "a thickness such as 8 mm, or level: the strips lie level with the face",
                "a thickness that is left out costs millimetres",
            )  # fmt: skip
        checked_height(self.thickness)
        return self


def source_of(
    said: Mapping[str, object], *, scanned: bool, name: str, proven: bool = True
) -> Source:
    """What was typed for ``TRACE``; ``proven``: without both check lines it is refused."""
    kind = "scan" if scanned else "photos"
    made: dict[str, Any] = taken([row for row in TRACE if row.only in ("", kind)], said)
    lines = {key: made.pop(key) for key in LINES if key in made}
    if len(lines) < 2 and (proven or lines):
        missing = next(key for key in LINES if key not in lines)
        raise ValueRefused("both check lines have to be measured", Place(key=missing), None,
                           "two lengths, near 250 and 180 mm",
                           "no picture shows what the printer did to the scale")  # fmt: skip
    hole_name, size = made.pop("hole_name", ""), made.pop("hole_size", None)
    if hole_name and size is None:
        raise ValueRefused(f"which diameter has {hole_name}?", Place(key="hole_size"),
                           accepted="a length such as 6.60 mm, or no name of a hole")  # fmt: skip
    return Source(
        scanned=scanned, name=name, check=(lines[LINES[0]], lines[LINES[1]]) if lines else None,
        hole=None if size is None else (hole_name, size), **made,
    )  # fmt: skip


def trace(paths: Sequence[Path], source: Source, progress: Progress | None = None) -> Traced:
    """The outline from one to five photos or from a scan."""
    from keyturn.making import photo, scan
    from keyturn.making import trace as making

    source.judged(len(paths))
    if source.scanned and source.dpi is not None:
        flat = scan.to_plane(paths[0], source.dpi, (), source.check)
        return making.from_flats(
            [flat], scale_verified=source.check is not None, progress=progress, snap=source.snap,
            hole_reading=source.hole, name=source.name, source="scan",
        )  # fmt: skip
    photos = [photo.read(path) for path in paths]
    return making.trace(photos, source.thickness, source.check, progress, snap=source.snap,
                        hole_reading=source.hole, name=source.name)  # fmt: skip


def outline_of(found: Traced, source: Source) -> Outline:
    """The traced part with what has to be said about it in its notes."""
    part = replace(found.outline, notes=tuple(found.warnings))
    return mirrored(part) if source.mirror else part


# --- from the part to the sheet ----------------------------------------------------------------
@dataclass(frozen=True)
class CutOrder:
    """How it is to be cut; lengths [mm], speed [mm/s]."""

    allow: Allowances = field(default_factory=Allowances)
    kerf: float = 0.0
    copies: int = 1
    sheet: tuple[float, float] | None = None
    gap: float = 3.0
    mirror: bool = False  # cut the other side up
    both: bool = False  # one of each: left and right side
    split: bool = False  # dovetail where a part is larger than the sheet
    speed: float | None = None


@dataclass(frozen=True)
class CutFiles:
    """Files that were read back and found equal, and what the cut takes."""

    prepared: tuple[Prepared, ...]
    job: Job
    dxf: bytes
    svg: bytes
    seconds: float | None

    @property
    def narrow(self) -> list[str]:
        """What is narrow, with what would help."""
        return [land.proposal() for row in self.prepared for land in row.narrow]


def cut_order(said: Mapping[str, object]) -> CutOrder:
    """How it is to be cut, from what was typed for ``CUT``."""
    made: dict[str, Any] = taken(CUT, said)
    names = {"clearance": "bolt", "growth": "port", "land": "land"}
    allow = {name: made.pop(key) for key, name in names.items() if key in made}
    if "land" in allow:
        allow["edge"] = allow["land"]
    speed = made.get("speed")
    if speed is not None and not 0.0 < speed <= 5000.0:
        raise ValueRefused("that is no speed of a cut", Place(key="speed"), f"{speed:g} mm/s",
                           "more than 0, at most 5000 mm/s")  # fmt: skip
    return CutOrder(Allowances(**allow), **made)


def cut(parts: Sequence[Outline], order: CutOrder) -> CutFiles:
    """Allowances, mirror, joints, nesting, order of the cuts; DXF and SVG, checked."""
    from keyturn.making import cutting, readback
    from keyturn.making.order import duration

    rows = [prepare(side, order.allow) for part in parts for side in _sides(part, order)]
    sheets = [piece for row in rows for piece in _pieces(row.outline, order)]
    job = cutting.job(sheets, kerf=order.kerf, copies=order.copies, sheet=order.sheet,
                      gap=order.gap)  # fmt: skip
    seconds = None if order.speed is None else duration(job.order, order.speed)
    return CutFiles(tuple(rows), job, readback.checked_dxf(job.cutting),
                    readback.checked_svg(job.cutting), seconds)  # fmt: skip


def _sides(part: Outline, order: CutOrder) -> list[Outline]:
    if order.both:
        return [replace(part, name=f"{part.name} L"),
                replace(mirrored(part), name=f"{part.name} R")]  # fmt: skip
    return [mirrored(part) if order.mirror else part]


def _pieces(part: Outline, order: CutOrder) -> list[Outline]:
    """The part, or its halves where it does not lie on the sheet and a joint is allowed."""
    from keyturn.making.split import fits, split

    if order.sheet is None or fits(part, *order.sheet):
        return [part]
    if not order.split:
        raise ValueRefused(
            f"{part.name} is larger than the sheet", Place(key="sheet"),
            f"{order.sheet[0]:g} x {order.sheet[1]:g} mm", "a larger sheet, or a joint",
            "allow a dovetail joint",
        )  # fmt: skip
    return list(split(part, width=max(order.sheet)).parts)


def paper_proof(
    part: Outline, paper: str = "a4", allow: Allowances | None = None, as_cut: bool = True
) -> bytes:
    """The paper proof at 1:1; drawn with its allowances, or as the part itself."""
    from keyturn.making.paper import proof

    return proof(part, paper, prepare(part, allow).outline if as_cut else None)


def asked_distances(part: Outline) -> tuple[Wanted, ...]:
    """The three distances that the proof asks for."""
    from keyturn.making.proof import wanted

    return wanted(part)


def confirm(part: Outline, measured: Sequence[float], ruler: bool = False) -> Proof:
    """Three readings [mm] held against the outline; the corrected outline is in the answer."""
    from keyturn.making import proof

    return proof.confirm(part, measured, 0.25 if ruler else proof.READS)


def printed(check: tuple[float, float]) -> Printed:
    """What the printer did, from the two check lines of the proof as measured [mm]."""
    from keyturn.making import paper, proof

    return proof.printed(*check, paper.CHECK_X, paper.CHECK_Y)
