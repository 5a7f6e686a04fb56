"""Flat gaskets from photo or scan to cut files and paper proof; needs no build folder."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

from keyturn import units
from keyturn.errors import FileRefused, Place, ValueRefused
from keyturn.making.edit import Allowances, Prepared, mirrored, prepare
from keyturn.making.shape import Outline

if TYPE_CHECKING:
    from keyturn.making.cutting import Job
    from keyturn.making.proof import Printed, Proof, Wanted
    from keyturn.making.trace import Traced

Progress = Callable[[int, int, str], None]
MOST_BYTES = 4_000_000  # of an outline file
MOST_PHOTOS = 5


def millimetres(text: str, key: str) -> float:
    """A length as typed, in millimetres; a bare number is millimetres."""
    try:
        number, unit = units.split(text.strip())
        return 1e3 * units.convert(number, unit or "mm", "length")
    except units.UnitRefused as fault:
        raise ValueRefused(str(fault), Place(key=key), text,
                           "a length such as 8 mm or 0.31 in") from None  # fmt: skip


def two_lengths(text: str, key: str, example: str = "249.6mm,179.8mm") -> tuple[float, float]:
    """Two lengths in one text, in millimetres."""
    parts = text.replace("x", ",").replace(";", ",").split(",")
    if len(parts) != 2:
        raise ValueRefused("two lengths are asked for", Place(key=key), text, f"such as {example}",
                           "write decimals with a point")  # fmt: skip
    return millimetres(parts[0], key), millimetres(parts[1], key)


def board(paper: str = "a4") -> bytes:
    """The reference board as a PDF at 1:1."""
    from keyturn.making import board as strips

    return strips.pdf(paper)


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
class Asked:
    """What is said about the photos or the scan of a part."""

    name: str = "gasket"
    snap: bool = False  # diameters to standard sizes where they can be told apart
    hole: tuple[str, float] | None = None  # one hole by callipers: name ("" the nearest) and [mm]
    mirror: bool = False  # the old gasket was photographed from its back


def trace(
    paths: Sequence[Path],
    thickness: float | None,
    check: tuple[float, float] | None,
    asked: Asked,
    progress: Progress | None = None,
) -> Traced:
    """The outline from one to five photos; ``check`` [mm] the two check lines as measured."""
    from keyturn.making import photo
    from keyturn.making.trace import trace as traced

    if not 1 <= len(paths) <= MOST_PHOTOS:
        raise ValueRefused("that many photos cannot be taken together", typed=str(len(paths)),
                           accepted=f"1 to {MOST_PHOTOS} photos")  # fmt: skip
    taken = [photo.read(path) for path in paths]
    return traced(taken, thickness, check, progress, snap=asked.snap, hole_reading=asked.hole,
                  name=asked.name)  # fmt: skip


def scan(
    path: Path,
    dpi: float,
    check: tuple[float, float] | None,
    asked: Asked,
    progress: Progress | None = None,
) -> Traced:
    """The outline from a flatbed scan; ``check`` [mm] of a printed strip that lies on the glass."""
    from keyturn.making import scan as scans
    from keyturn.making.trace import from_flats

    flat = scans.to_plane(path, dpi, (), check)
    return from_flats([flat], scale_verified=check is not None, progress=progress, snap=asked.snap,
                      hole_reading=asked.hole, name=asked.name, source="scan")  # fmt: skip


def outline_of(found: Traced, asked: Asked) -> Outline:
    """The traced part with what has to be said about it in its notes."""
    part = replace(found.outline, notes=tuple(found.warnings))
    return mirrored(part) if asked.mirror else part


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
