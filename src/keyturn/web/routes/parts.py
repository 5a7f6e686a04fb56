"""Parts: the build sheet by the way fuel and air flow, its drawing, edits and taking them back."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from keyturn.build.change import Change, apply_all, changed, faults_of
from keyturn.build.read import BUILD_FILE, parse_document, read_text
from keyturn.build.schema import grades
from keyturn.build.sheet import Sheet, sheet_of, suggestions
from keyturn.errors import BuildError
from keyturn.report.circuit_figure import circuit, pieces
from keyturn.report.figures import NARROW, WIDE
from keyturn.report.svg import clean
from keyturn.tasks import edit as task
from keyturn.web.faults import Stale
from keyturn.web.parts_form import (
    Parts,
    Rearrange,
    Turn,
    check_seen,
    entry_row,
    plain,
    raw_changes,
    rearrangement,
    sheet_row,
)
from keyturn.web.render import page
from keyturn.web.shelf import Car

router = APIRouter()
Trying = Annotated[bool, Query(alias="try")]


def _read(car: Car) -> tuple[str, dict[str, Any], Sheet]:
    text = read_text(car.file)
    document = parse_document(text, BUILD_FILE)
    return text, document, sheet_of(document)


@router.get("/car/{name}/parts", include_in_schema=False)
def parts_page(request: Request, name: str) -> Response:
    car: Car = request.app.state.shelf.car(name)
    text, document, sheet = _read(car)
    faults = [row for fault in faults_of(text) for row in plain(fault)]
    return page(
        request, "parts.html", car=car, here="parts", sheet=sheet, faults=faults,
        grades=grades(), turns=_turns(car), numbers=_numbers(sheet),
        invented=document.get("invented") is True, suggestions=suggestions,
        row=lambda entry: entry_row(entry, document), drawings=_drawings(sheet),
    )  # fmt: skip


@router.get("/api/car/{name}/parts")
def parts(request: Request, name: str) -> dict[str, Any]:
    """The whole sheet: what is typed, how well it is known, what is taken otherwise."""
    car: Car = request.app.state.shelf.car(name)
    return _answer(car)


@router.post("/api/car/{name}/parts")
def edit_parts(request: Request, name: str, form: Parts, trying: Trying = False) -> dict[str, Any]:
    """Write the edits, or with ``?try=1`` only say what would be wrong with them."""
    car: Car = request.app.state.shelf.car(name)
    if trying:
        return _tried(car, form)
    with car.writing:
        _, document, sheet = _read(car)
        check_seen(form, sheet, document, car.revision())
        changes, faults = raw_changes(form.edits, sheet, document)
        if faults:
            raise faults[0]
        _write(request, car, changes)
        return _answer(car)


@router.post("/api/car/{name}/parts/list")
def rearrange(request: Request, name: str, form: Rearrange) -> dict[str, Any]:
    """Add, take out or move an entry of a list; only on the state that the page shows."""
    car: Car = request.app.state.shelf.car(name)
    with car.writing:
        if form.revision != car.revision():
            raise Stale(form.key, None, car.revision())
        _write(request, car, [rearrangement(form, read_text(car.file))])
        return _answer(car)


@router.post("/api/car/{name}/parts/undo")
def undo(request: Request, name: str, form: Turn) -> dict[str, Any]:
    """Take the last edit back."""
    return _turned(request, name, form, task.undo)


@router.post("/api/car/{name}/parts/redo")
def redo(request: Request, name: str, form: Turn) -> dict[str, Any]:
    """Make the edit again that was taken back last."""
    return _turned(request, name, form, task.redo)


def _turned(request: Request, name: str, form: Turn, turn: Any) -> dict[str, Any]:
    car: Car = request.app.state.shelf.car(name)
    with car.writing:
        entry = turn(car.folder, form.id)
        _told(request, car)
        return {**_answer(car), "turned": task.words_of(entry)}


def _write(request: Request, car: Car, changes: list[Change]) -> None:
    if changes and task.edit(car.folder, changes):
        _told(request, car)


def _told(request: Request, car: Car) -> None:
    request.app.state.live.tell(car.name, "build", {"revision": car.revision()})


def _tried(car: Car, form: Parts) -> dict[str, Any]:
    text, document, sheet = _read(car)
    changes, faults = raw_changes(form.edits, sheet, document)
    rows = [row for fault in faults for row in plain(fault)]
    try:
        changed(text, changes)
    except BuildError as fault:
        rows += plain(fault)
    try:
        after = sheet_of(parse_document(apply_all(text, changes), BUILD_FILE))
    except BuildError:
        after = sheet
    return {"ok": not rows, "faults": rows, "drawings": _drawings(after)}


def _answer(car: Car) -> dict[str, Any]:
    text, document, sheet = _read(car)
    faults = [row for fault in faults_of(text) for row in plain(fault)]
    return {
        "schema": "keyturn.parts.v1", "revision": car.revision(), "faults": faults,
        "sections": sheet_row(sheet, document), "drawings": _drawings(sheet), **_turns(car),
    }  # fmt: skip


def _turns(car: Car) -> dict[str, Any]:
    """What Undo and Redo would do; nothing when the journal cannot be read."""
    try:
        now = task.standing(car.folder)
    except BuildError:
        return {"undo": None, "redo": None}
    last = {"undo": now.done[-1:], "redo": now.undone[-1:]}
    return {
        act: {"id": row[0].id, "words": clean(task.words_of(row[0]))} if row else None
        for act, row in last.items()
    }


def _drawings(sheet: Sheet) -> dict[str, str]:
    return {
        "wide": circuit(sheet, WIDE, inline=True),
        "narrow": circuit(sheet, NARROW, inline=True),
    }


def _numbers(sheet: Sheet) -> list[tuple[int, str, str]]:
    """Number in the drawing, table, name."""
    ahead, behind = pieces(sheet)
    return [(piece.number, piece.base, piece.name) for piece in (*ahead, *behind)]
