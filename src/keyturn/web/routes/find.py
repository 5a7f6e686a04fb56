"""Find: readings to causes, and the next test; each with its JSON twin."""

from __future__ import annotations

from dataclasses import fields
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request
from pydantic import BaseModel, ConfigDict, Field, create_model
from starlette.responses import Response

from keyturn.build.read import load, read_text
from keyturn.errors import KeyturnError
from keyturn.evidence.reading import kinds
from keyturn.evidence.renewed import join, so_far
from keyturn.journal.readings import MOST_TOKEN
from keyturn.journal.typed import COLUMNS, Typed
from keyturn.report import readings as reading_words
from keyturn.report.find_words import to_json
from keyturn.report.tables import amount
from keyturn.system.thresholds import SAMPLES, SEED
from keyturn.tasks import read as task
from keyturn.tasks.read import Stored
from keyturn.web import entry
from keyturn.web.answers import Answers
from keyturn.web.beliefs import beliefs
from keyturn.web.find_view import view
from keyturn.web.inferred import Found, Inferred, key_of
from keyturn.web.live import last_entry
from keyturn.web.render import page
from keyturn.web.shelf import Car

router = APIRouter()

Word = Annotated[str, Field(max_length=600)]


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid")


# the words of a reading as `journal.typed.Typed` has them, whichever those are
TypedIn = create_model(
    "TypedIn", __base__=_Strict,
    kind=(Word, ...), value=(Word, ...),
    **{item.name: (Word | None, None) for item in fields(Typed)
       if item.name not in ("kind", "value")},
)  # type: ignore[call-overload]  # fmt: skip


class ReadingIn(TypedIn):  # type: ignore[valid-type,misc]
    """One reading as typed; ``token`` is what the device calls it."""

    token: Annotated[str, Field(max_length=MOST_TOKEN, pattern=r"^[A-Za-z0-9_-]{8,64}$")]


class ConfirmIn(_Strict):
    """Right as typed, or what was meant instead."""

    meant: Word | None = None


class WithdrawIn(_Strict):
    note: Annotated[str, Field(max_length=500)] = ""


def _car(request: Request, name: str) -> Car:
    found: Car = request.app.state.shelf.car(name)
    return found


def _inferred(request: Request) -> Inferred:
    found: Inferred = request.app.state.inferred
    return found


# --- pages and their pieces -------------------------------------------------------------------
@router.get("/car/{name}/find", include_in_schema=False)
def find_page(request: Request, name: str) -> Response:
    """The newest answer at once, marked when it is older; the page asks for the current one."""
    car = _car(request, name)
    found = _inferred(request).latest(car)
    build = load(car.folder)
    wanted = [row.name for row in found.result.next] if found and found.result else []
    return page(
        request, "find.html", car=car, here="find", sheet=entry.sheet(build, wanted),
        invented=build.invented, amount=amount, beliefs=beliefs(car), columns=COLUMNS,
        **_answer(car, found), **_readings(car),
    )  # fmt: skip


@router.get("/car/{name}/find/beliefs", include_in_schema=False)
def beliefs_piece(request: Request, name: str) -> Response:
    """What was believed beforehand as a piece of the page."""
    car = _car(request, name)
    return page(request, "find_beliefs.html", car=car, beliefs=beliefs(car))


@router.get("/car/{name}/find/answer", include_in_schema=False)
def answer(request: Request, name: str) -> Response:
    """The current answer as a piece of the page; waits until it is worked out."""
    car = _car(request, name)
    return page(request, "find_answer.html", car=car, amount=amount,
                **_answer(car, _inferred(request).find(car)))  # fmt: skip


@router.get("/car/{name}/find/readings", include_in_schema=False)
def readings_piece(request: Request, name: str) -> Response:
    """The readings as a piece of the page."""
    car = _car(request, name)
    return page(request, "find_readings.html", car=car, **_readings(car))


def _answer(car: Car, found: Found | None) -> dict[str, Any]:
    shown = view(found.result) if found and found.result else None
    return {"found": found, "view": shown,
            "current": found is not None and found.key == key_of(car)}  # fmt: skip


def _readings(car: Car) -> dict[str, Any]:
    given = task.listed(car.folder)
    renewed = join(so_far(tuple(item for item in given if item.status == "kept")))
    return {"readings": reading_words.rows(given), "meant": task.meant_instead(car.folder, given),
            "last": last_entry(car), "renewed": renewed or ""}  # fmt: skip


# --- JSON -------------------------------------------------------------------------------------
@router.get("/api/car/{name}/find")
def find_json(request: Request, name: str) -> dict[str, Any]:
    """The answer to the readings as they are, schema keyturn.find.v1."""
    found = _inferred(request).find(_car(request, name))
    if found.error is not None:
        raise found.error
    assert found.result is not None
    return to_json(found.result)


@router.get("/api/car/{name}/read")
def listed(request: Request, name: str) -> dict[str, Any]:
    """Every reading with what became of it."""
    return reading_words.to_json(task.listed(_car(request, name).folder))


@router.get("/api/car/{name}/read/expected")
def expected(
    request: Request,
    name: str,
    kind: Annotated[str, Query(max_length=60)],
    state: Annotated[str | None, Query(max_length=60)] = None,
    reference: Annotated[str | None, Query(max_length=60)] = None,
    rpm: Annotated[str | None, Query(max_length=60)] = None,
    pressure: Annotated[str | None, Query(max_length=60)] = None,
    seconds: Annotated[str | None, Query(max_length=60)] = None,
) -> dict[str, Any]:
    """What the model expects to be read, 5 to 95 %, in every unit that is offered."""
    car = _car(request, name)
    said = {"kind": kind, "state": state, "reference": reference, "rpm": rpm,
            "pressure": pressure, "seconds": seconds}  # fmt: skip
    answers: Answers = request.app.state.answers
    text = read_text(car.file)
    try:
        result = answers.whole(text, {}, SAMPLES, SEED)
    except KeyturnError:  # a car without an answer expects nothing
        return {"expected": {}}
    return {"expected": entry.band(said, answers.build(text, {}), result)}


@router.post("/api/car/{name}/read")
def store(request: Request, name: str, body: ReadingIn) -> dict[str, Any]:
    """Store one reading; sent again under the same token it is stored once."""
    car = _car(request, name)
    said = body.model_dump()
    token = said.pop("token")
    with car.writing:
        done = task.read(car.folder, Typed(**said), token)
    return _stored(request, car, done)


@router.post("/api/car/{name}/read/{number}/correct")
def correct(request: Request, name: str, number: int, body: TypedIn) -> dict[str, Any]:  # type: ignore[valid-type]
    """Put a reading in the place of an earlier one, which stays in the journal."""
    car = _car(request, name)
    with car.writing:
        done = task.correct(car.folder, number, Typed(**body.model_dump()))  # type: ignore[attr-defined]
    return _stored(request, car, done)


@router.post("/api/car/{name}/read/{number}/confirm")
def confirm(request: Request, name: str, number: int, body: ConfirmIn) -> dict[str, Any]:
    """Say that a suspected reading is right as typed, or what was meant."""
    car = _car(request, name)
    with car.writing:
        done = Stored(task.confirm(car.folder, number, body.meant))
    return _stored(request, car, done)


@router.post("/api/car/{name}/read/{number}/withdraw")
def withdraw(request: Request, name: str, number: int, body: WithdrawIn) -> dict[str, Any]:
    """Take a reading out of use; it stays in the journal."""
    car = _car(request, name)
    with car.writing:
        task.withdraw(car.folder, number, body.note)
    return {"withdrawn": number, "last": _told(request, car)}


def _stored(request: Request, car: Car, done: Stored) -> dict[str, Any]:
    (row,) = reading_words.to_json([done.reading])["readings"]
    return {"reading": row, "meant": done.meant, "compared": done.compared,
            "caution": kinds()[done.reading.kind].caution,
            "last": _told(request, car)}  # fmt: skip


def _told(request: Request, car: Car) -> int:
    last = last_entry(car)
    request.app.state.live.tell(car.name, "journal", {"last": last})
    return last
