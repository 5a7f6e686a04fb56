"""Make: photos and callipers to an outline, and its corrections; see `make_out` for the rest."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from fastapi import APIRouter, Query, Request
from pydantic import BaseModel, ConfigDict, Field
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from keyturn.build.read import load
from keyturn.errors import Place, ValueRefused
from keyturn.tasks import gasket as task
from keyturn.tasks.gasket import millimetres
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


class TraceIn(_Strict):
    """What the trace needs beside the photos; thickness or level, both check lines or neither."""

    thickness: Word = ""
    level: bool = False
    check_long: Word = ""
    check_short: Word = ""
    hole_name: Word = ""
    hole_size: Word = ""
    snap: bool = False
    mirror: bool = False


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
        choices=make_view.choices(), job=running[0].id if running else "",
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
    """Keep one photo of a part: judged before it is decoded, its place and time dropped."""
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
    """Start tracing the photos; its progress is a job's."""
    found = part_of(_car(request, name), part)
    if not found.photos():
        raise ValueRefused("there is no photo yet", advice="take one with both strips in it")
    if bool(body.thickness.strip()) is body.level:
        raise ValueRefused(
            "how high does the face lie above the strips?", Place(key="thickness"),
            body.thickness, "a thickness such as 8 mm, or that the strips lie level with the face",
            "a thickness that is left out costs millimetres",
        )  # fmt: skip
    lines = [body.check_long.strip(), body.check_short.strip()]
    if not all(lines):
        raise ValueRefused("both check lines have to be measured", Place(key="check_long"), None,
                           "two lengths, near 250 and 180 mm",
                           "no photo shows what the printer did to the scale")  # fmt: skip
    arguments = {
        "folder": str(found.car.folder), "name": found.name, "title": found.name,
        "thickness": None if body.level else millimetres(body.thickness, "thickness"),
        "check": [millimetres(text, key) for text, key in
                  zip(lines, ("check_long", "check_short"), strict=True)],
        "hole": None if not body.hole_size.strip() else
                [body.hole_name, millimetres(body.hole_size, "hole_size")],
        "snap": body.snap, "mirror": body.mirror,
    }  # fmt: skip
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
        place.write(found.outline, body.revision)
    return {"next": found.next, "suspect": found.suspect, "worst": found.worst,
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
