"""Make: photos, a scan or callipers to an outline, and its corrections; the rest: `make_out`."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from fastapi import APIRouter, Query, Request
from pydantic import BaseModel, ConfigDict, Field
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from keyturn.build.read import load
from keyturn.errors import ValueRefused
from keyturn.tasks import gasket as task
from keyturn.tasks.fields import millimetres
from keyturn.tasks.gasket_edit import change
from keyturn.tasks.gasket_measure import measure
from keyturn.web import make_view
from keyturn.web.gaskets import Part, outlined, part_of, parts, place_for
from keyturn.web.render import page
from keyturn.web.shelf import Car

router = APIRouter()

Word = Annotated[str, Field(max_length=60)]
Number = Annotated[float, Field(ge=-5000.0, le=5000.0, allow_inf_nan=False)]


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid")


class SaidIn(_Strict):
    """The fields of a form as typed; which there are stands in `tasks.fields`."""

    said: Annotated[dict[Annotated[str, Field(max_length=30)], Word | bool], Field(max_length=40)]


class TraceIn(SaidIn):
    """What the trace needs beside the pictures, see `tasks.fields.TRACE`."""

    scanned: bool = False


class ChangeIn(_Strict):
    """One change of an outline, see `tasks.gasket_edit`."""

    do: Annotated[str, Field(max_length=20)]
    index: Annotated[int, Field(ge=0, le=20_000)] | None = None
    corner: Annotated[int, Field(ge=0, le=20_000)] | None = None
    x: Number | None = None
    y: Number | None = None
    bulge: Number | None = None
    diameter: Number | None = None
    width: Number | None = None
    height: Number | None = None
    radius: Number | None = None
    turn: Number | None = None
    by: Number | None = None
    # its bounds are told by the task, in words and in millimetres
    land: Annotated[float, Field(allow_inf_nan=False)] | None = None
    thickness: Number | None = None
    role: Literal["bolt", "dowel", "passage"] | None = None
    name: Word | None = None
    open_to_edge: bool | None = None


class ChangesIn(_Strict):
    revision: Annotated[str, Field(max_length=16)]
    changes: Annotated[list[ChangeIn], Field(min_length=1, max_length=60)]


class UndoIn(_Strict):
    revision: Annotated[str, Field(max_length=16)]


class HoleIn(_Strict):
    x: Number
    y: Number
    diameter: Number


class DistanceIn(_Strict):
    start: Annotated[int, Field(ge=1, le=200)]
    end: Annotated[int, Field(ge=1, le=200)]
    value: Number
    over: Literal["outside", "inside", "centre"] = "outside"


class PortIn(_Strict):
    x: Number
    y: Number
    width: Number
    height: Number
    radius: Number = 0.0
    turn: Number = 0.0


class MeasureIn(_Strict):
    """Holes roughly where they are, distances between them as the callipers showed."""

    revision: Annotated[str, Field(max_length=16)] = ""
    holes: Annotated[list[HoleIn], Field(max_length=60)]
    distances: Annotated[list[DistanceIn], Field(max_length=400)]
    ports: Annotated[list[PortIn], Field(max_length=40)] = []
    around: Number = 8.0
    symmetric: bool = False


class ProofIn(_Strict):
    revision: Annotated[str, Field(max_length=16)]
    measured: Annotated[list[Word], Field(min_length=3, max_length=3)]
    ruler: bool = False


def _car(request: Request, name: str) -> Car:
    found: Car = request.app.state.shelf.car(name)
    return found


# --- the page ---------------------------------------------------------------------------------
@router.get("/car/{name}/make", include_in_schema=False)
def make_page(
    request: Request, name: str, part: Annotated[str, Query(max_length=60)] = ""
) -> Response:
    """The parts of a build, and the one that is worked on."""
    car = _car(request, name)
    build = load(car.folder)
    known = parts(car)
    chosen = next((row for row in known if row.name == part), None)
    running = [job for job in request.app.state.jobs.of(car.name)
               if job.word == "trace" and not job.over]  # fmt: skip
    return page(
        request, "make.html", car=car, here="make", invented=build.invented, parts=known,
        chosen=chosen, view=make_view.view(chosen) if chosen else None,
        forms=make_view.forms(), job=running[0].id if running else "",
    )  # fmt: skip


@router.get("/api/car/{name}/make")
def make_json(request: Request, name: str) -> dict[str, Any]:
    """The flat parts of a build."""
    return {"parts": [{"name": part.name, "outline": part.there, "photos": len(part.photos())}
                      for part in parts(_car(request, name))]}  # fmt: skip


@router.get("/api/car/{name}/make/{part}")
def part_json(request: Request, name: str, part: str) -> dict[str, Any]:
    """One part with everything that is drawn of it, millimetres."""
    return make_view.view(part_of(_car(request, name), part))


# --- photos and the trace ---------------------------------------------------------------------
@router.post("/api/car/{name}/make/{part}/upload")
async def upload(
    request: Request, name: str, part: str, number: Annotated[int, Query(ge=1, le=5)] = 1
) -> dict[str, Any]:
    """Keep one photo or scan of a part: judged before it is decoded, its place and time dropped."""
    place = place_for(_car(request, name), part)
    data = await request.body()  # counted and bounded by `security` while it is read
    return await run_in_threadpool(_keep, place, number, data)


def _keep(place: Part, number: int, data: bytes) -> dict[str, Any]:
    from keyturn.making.bare import bare

    kept, ending = bare(data)
    with place.car.writing:
        if number == 1:
            place.drop_photos()  # a new set begins
        place.keep_photo(number, kept, ending)
    return {"part": place.name, "photos": len(place.photos())}


@router.post("/api/car/{name}/make/{part}/trace")
def trace(request: Request, name: str, part: str, body: TraceIn) -> dict[str, str]:
    """Start tracing the photos, or the scan; its progress is a job's."""
    found = part_of(_car(request, name), part)
    if not found.photos():
        raise ValueRefused("there is no picture yet", advice="send photos with both strips in them,"
                           " or a scan with one")  # fmt: skip
    task.source_of(body.said, scanned=body.scanned, name=found.name).judged(len(found.photos()))
    arguments = {"folder": str(found.car.folder), "name": found.name, "said": body.said,
                 "scanned": body.scanned}  # fmt: skip
    job = request.app.state.jobs.start(found.car, "trace", "keyturn.web.gaskets:trace", arguments)
    return {"job": job.id}


@router.post("/api/car/{name}/make/{part}/measure")
def from_callipers(request: Request, name: str, part: str, body: MeasureIn) -> dict[str, Any]:
    """Holes by calliper distances; tells which further distance would help most."""
    place = place_for(_car(request, name), part)
    said = body.model_dump(exclude={"revision"})
    typed = {
        "name": place.name, "symmetric": said["symmetric"], "outer": {"around": said["around"]},
        "hole": said["holes"], "distance": [
            {"from": row["start"], "to": row["end"], "value": row["value"], "over": row["over"]}
            for row in said["distances"]
        ],
        "port": [{"name": f"port {n}", "rectangle": row} for n, row in enumerate(said["ports"], 1)],
    }  # fmt: skip
    text = make_view.as_toml(typed)
    with place.car.writing:
        place.keep_typed("callipers", text)  # also where the distances do not hold yet
        found = measure(text)
        place.write(found.outline, body.revision, fresh=True)
    return {"next": found.next, "worst": found.worst,
            "view": make_view.view(place)}  # fmt: skip


# --- changes ----------------------------------------------------------------------------------
@router.post("/api/car/{name}/make/{part}/change")
def changes(request: Request, name: str, part: str, body: ChangesIn) -> dict[str, Any]:
    """Change the outline; all changes or none."""
    found = outlined(_car(request, name), part)
    with found.car.writing:
        outline = found.outline()
        for wish in body.changes:
            outline = change(outline, wish.model_dump(exclude_none=True))
        found.write(outline, body.revision)
    return make_view.view(found)


@router.post("/api/car/{name}/make/{part}/undo")
def undo(request: Request, name: str, part: str, body: UndoIn) -> dict[str, Any]:
    """Take the last change back."""
    found = outlined(_car(request, name), part)
    with found.car.writing:
        found.undo(body.revision)
    return make_view.view(found)


@router.post("/api/car/{name}/make/{part}/proof")
def proof(request: Request, name: str, part: str, body: ProofIn) -> dict[str, Any]:
    """Three distances on the part confirm or correct the scale."""
    from keyturn.report.gasket_words import proof_json

    found = outlined(_car(request, name), part)
    values = [millimetres(text, f"measured.{n}") for n, text in enumerate(body.measured, 1)]
    with found.car.writing:
        done = task.confirm(found.outline(), values, body.ruler)
        found.write(done.outline, body.revision)
    return {"proof": proof_json(done), "view": make_view.view(found)}
