"""Drive, logs: sent here, columns confirmed, traces, findings, readings; each with its twin."""

from __future__ import annotations

from typing import Annotated, Any
from urllib.parse import quote

from fastapi import APIRouter, HTTPException, Query, Request
from pydantic import BaseModel, ConfigDict, Field
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from keyturn.build.read import BUILD_FILE, read_text
from keyturn.errors import CannotAnswer, ValueRefused
from keyturn.logs.frame import Recording
from keyturn.logs.sniff import kind_of
from keyturn.tasks import log as task
from keyturn.web import log_view
from keyturn.web.answers import Answers
from keyturn.web.faults import Stale
from keyturn.web.live import last_entry
from keyturn.web.log_files import (
    DERIVED,
    WORD,
    Log,
    Logs,
    judged,
    keep,
    key,
    log_of,
    logs,
    place_for,
    plain_name,
)
from keyturn.web.render import page
from keyturn.web.shelf import Car
from keyturn.web.traces import Trace, packed
from keyturn.web.uploads import received

router = APIRouter()

MOST_PIXELS, MOST_CHANNELS = 4000, 24
BINARY = "application/octet-stream"
Number = Annotated[float, Query(allow_inf_nan=False, ge=-1e9, le=1e9)]
Names = Annotated[str, Query(max_length=600)]
Word = Annotated[str, Field(max_length=300)]


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid")


class MappingIn(_Strict):
    """What was said of the columns: channel to "COLUMN as UNIT" or "none"."""

    said: Annotated[dict[Annotated[str, Field(max_length=40)], Word], Field(max_length=40)] = {}


class ConfirmIn(MappingIn):
    """``revision`` is that of the page on which it was confirmed."""

    revision: Annotated[str, Field(max_length=16)]


class TakeIn(_Strict):
    chosen: Annotated[list[Word], Field(min_length=1, max_length=40)]


def _car(request: Request, name: str) -> Car:
    found: Car = request.app.state.shelf.car(name)
    return found


def _invented(request: Request, car: Car) -> bool:
    """Whether the build says that it is; kept with the other answers on the same text."""
    answers: Answers = request.app.state.answers
    return answers.build(read_text(car.file), {}).invented


def _state(request: Request) -> Logs:
    found: Logs = request.app.state.logs
    return found


def _made(log: Log) -> Recording:
    found = log.recording()
    if found is None:
        raise CannotAnswer(
            f"{log.name} was not read yet, or its columns are not confirmed",
            ("read it, and look at what its columns seem to be",),
        )
    return found


def _running(request: Request, car: Car) -> str:
    jobs = [job.id for job in request.app.state.jobs.of(car.name)
            if job.word == WORD and not job.over]  # fmt: skip
    return jobs[-1] if jobs else ""


def _revision(log: Log) -> str:
    found = log.recording()
    return key(log.car, found) if found is not None else ""


# --- the list, and what is sent ---------------------------------------------------------------
@router.get("/car/{name}/drive/logs", include_in_schema=False)
def logs_page(request: Request, name: str) -> Response:
    """Every log of a build, and the place to bring another."""
    car = _car(request, name)
    _state(request).wake()
    _state(request).tidy(car)
    return page(
        request, "drive_logs.html", car=car, here="drive", invented=_invented(request, car),
        rows=log_view.rows(car, logs(car)), job=_running(request, car),
        most=request.app.state.config.limits.log,
    )  # fmt: skip


@router.get("/car/{name}/drive/logs-list", include_in_schema=False)
def list_piece(request: Request, name: str) -> Response:
    """The list as a piece of the page."""
    car = _car(request, name)
    return page(request, "drive_logs_list.html", car=car, rows=log_view.rows(car, logs(car)))


@router.get("/api/car/{name}/drive/logs")
def logs_json(request: Request, name: str) -> dict[str, Any]:
    """The logs of a build, the newest first."""
    car = _car(request, name)
    return {"logs": log_view.rows(car, logs(car))}


@router.post(
    "/api/car/{name}/drive/logs",
    openapi_extra={
        "requestBody": {
            "required": True,
            "content": {BINARY: {"schema": {"type": "string", "format": "binary"}}},
        }
    },
)
async def upload(
    request: Request, name: str, file: Annotated[str, Query(min_length=1, max_length=300)]
) -> dict[str, str]:
    """Take a file that calls itself ``file``; what it is, its content says. A job reads it."""
    car = _car(request, name)
    await run_in_threadpool(_state(request).tidy, car)
    folder = await run_in_threadpool(place_for, car)
    async with received(request, "a log", folder) as came:
        await run_in_threadpool(kind_of, came)
        kept = await run_in_threadpool(keep, car, came, plain_name(file))
    job = _state(request).bring(car, kept)
    return {"job": job.id, "file": kept.name}


@router.post("/api/car/{name}/drive/logs/{recording}/read")
def read_again(request: Request, name: str, recording: str) -> dict[str, str]:
    """Read an original that lies in the build folder; a job does it."""
    car = _car(request, name)
    return {"job": _state(request).bring(car, log_of(car, recording).original).id}


@router.delete("/api/car/{name}/drive/logs/{recording}/made")
def drop_made(request: Request, name: str, recording: str) -> dict[str, Any]:
    """Throw away what can be made again of a log; its original stays."""
    car = _car(request, name)
    log = log_of(car, recording)
    with car.writing:
        freed = log.made_bytes()
        log.drop_made()
    request.app.state.live.tell(car.name, "job", {"id": "", "word": WORD, "state": "done"})
    return {"log": log.name, "freed": freed, "original": log.original.is_file()}


# --- one log -----------------------------------------------------------------------------------
@router.get("/car/{name}/drive/logs/{recording}", include_in_schema=False)
def log_page(request: Request, name: str, recording: str) -> Response:
    """One log: its columns until they are confirmed, then traces, findings and readings."""
    car = _car(request, name)
    log = log_of(car, recording)
    found = log.recording()
    known = judged(log, found) if found is not None else None
    traced = log_view.traced(log, found, known is not None) if found is not None else None
    if found is not None and traced is not None:
        first = [row["name"] for row in traced["channels"] if row["first"]]
        _state(request).expect(found, first, log.made(DERIVED))
    return page(
        request, "drive_log.html", car=car, here="drive", invented=_invented(request, car),
        log=log.name, at=quote(log.name, ""), found=found,
        traced=traced,
        answer=_answer(log, known), known=known is not None, last=last_entry(car),
        job=_running(request, car),
    )  # fmt: skip


def _answer(log: Log, known: dict[str, Any] | None) -> dict[str, Any] | None:
    if known is None:
        return None
    return log_view.answer(known, log_view.of_logs(log.car).get(log.name, []))


@router.get("/api/car/{name}/drive/logs/{recording}")
def log_json(request: Request, name: str, recording: str) -> dict[str, Any]:
    """What can be drawn of a confirmed log, its gaps, and what was found in it."""
    log = log_of(_car(request, name), recording)
    found = _made(log)
    known = judged(log, found)
    return {**log_view.traced(log, found, known is not None), "judged": _answer(log, known),
            "revision": key(log.car, found)}  # fmt: skip


@router.get("/car/{name}/drive/logs/{recording}/judged", include_in_schema=False)
def judged_piece(request: Request, name: str, recording: str) -> Response:
    """Findings and readings as a piece of the page."""
    car = _car(request, name)
    log = log_of(car, recording)
    answer = _answer(log, judged(log, _made(log)))
    if answer is None:
        raise HTTPException(409, "this log was not judged yet")
    return page(request, "drive_log_judged.html", car=car, log=log.name, answer=answer)


@router.post("/api/car/{name}/drive/logs/{recording}/judge")
def judge(request: Request, name: str, recording: str) -> dict[str, str]:
    """Hold a confirmed log against the model of the build; a job does it."""
    return _job(request, name, recording, "judge", {})


@router.post("/api/car/{name}/drive/logs/{recording}/readings")
def take(request: Request, name: str, recording: str, body: TakeIn) -> dict[str, str]:
    """Hand measured stretches to the journal; what it holds already is stored once."""
    return _job(request, name, recording, "take", {"chosen": body.chosen})


def _job(
    request: Request, name: str, recording: str, what: str, more: dict[str, Any]
) -> dict[str, str]:
    car = _car(request, name)
    log = log_of(car, recording)
    _made(log)
    arguments = {"folder": str(car.folder), "name": log.name, **more}
    job = request.app.state.jobs.start(car, WORD, f"keyturn.web.log_work:{what}", arguments)
    return {"job": job.id}


# --- its columns -------------------------------------------------------------------------------
def _columns(log: Log, said: dict[str, str]) -> dict[str, Any]:
    seen = task.look(log.car.folder / BUILD_FILE, log.name, said)
    if seen is None:
        raise HTTPException(409, "this log was not read yet")
    return log_view.columns(seen) | {"revision": _revision(log)}


@router.post("/api/car/{name}/drive/logs/{recording}/columns")
def columns(request: Request, name: str, recording: str, body: MappingIn) -> dict[str, Any]:
    """What the columns seem to be, given what was said of them; nothing is written.

    ``piece`` is the same as a piece of the page.
    """
    car = _car(request, name)
    view = _columns(log_of(car, recording), body.said)
    made = page(request, "drive_log_columns.html", car=car, view=view)
    return view | {"piece": bytes(made.body).decode()}


@router.post("/api/car/{name}/drive/logs/{recording}/confirm")
def confirm(request: Request, name: str, recording: str, body: ConfirmIn) -> dict[str, Any]:
    """Take the columns so, and remember them for the next log of this logger."""
    car = _car(request, name)
    log = log_of(car, recording)
    with car.writing:
        if body.revision != _revision(log):
            raise Stale("the columns", None, _revision(log))
        done = task.import_log(car.folder / BUILD_FILE, log.original, body.said, confirm=True)
    request.app.state.live.tell(car.name, "job", {"id": "", "word": WORD, "state": "done"})
    found = done.recording
    return {"log": log.name, "channels": len(found.channels) if found else 0,
            "revision": _revision(log)}  # fmt: skip


# --- traces ------------------------------------------------------------------------------------
def _traces(request: Request, log: Log, found: Recording, names: str) -> dict[str, Trace]:
    wanted = list(dict.fromkeys(name for name in names.split(",") if name))
    known = log_view.drawn(log, found)
    if not 0 < len(wanted) <= MOST_CHANNELS or not set(wanted) <= set(known):
        raise ValueRefused("these channels cannot be drawn", typed=names, accepted=", ".join(known))
    try:
        traced = _state(request).traces.of(found, wanted, log.made(DERIVED))
    except OSError:
        raise HTTPException(409, "its table was thrown away meanwhile: read it again") from None
    return dict(zip(wanted, traced, strict=True))


@router.get(
    "/api/car/{name}/drive/logs/{recording}/traces",
    response_class=Response,
    responses={200: {"content": {BINARY: {}}, "description": "see web/traces.py"}},
)
def traces(
    request: Request, name: str, recording: str, channels: Names, start: Number, end: Number,
    pixels: Annotated[int, Query(ge=2, le=MOST_PIXELS)],
) -> Response:  # fmt: skip
    """Least and greatest of each pixel of a window, or its samples; binary."""
    if end - start < 1e-6:
        raise ValueRefused("the window ends before it begins", accepted="an end after the start")
    log = log_of(_car(request, name), recording)
    traced = _traces(request, log, _made(log), channels)
    return Response(packed([*traced.values()], start, end, pixels), media_type=BINARY)


@router.get("/api/car/{name}/drive/logs/{recording}/values")
def values(
    request: Request, name: str, recording: str, channels: Names, at: Number
) -> dict[str, Any]:
    """Every channel at the row nearest to a time; null where it has no value there."""
    log = log_of(_car(request, name), recording)
    found = _made(log)
    traced = _traces(request, log, found, channels)
    return log_view.values(found, [*traced], [*traced.values()], at)
