"""Drive: hold points, open items and the load ladder; each with its JSON twin."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Query, Request
from pydantic import BaseModel, ConfigDict, Field
from starlette.responses import Response

from keyturn.build.read import load, read_text
from keyturn.errors import CannotAnswer, CannotSolve, KeyturnError
from keyturn.procedure.evidence import Standing
from keyturn.procedure.ladder import Ladder
from keyturn.report.card import card_pdf
from keyturn.report.steps_words import ladder_json, to_json, verdict_words
from keyturn.system.result import CheckResult
from keyturn.system.thresholds import SAMPLES, SEED
from keyturn.tasks import ladder as ladder_task
from keyturn.tasks import open_items, steps_record
from keyturn.tasks import steps as task
from keyturn.tasks.steps_card import card
from keyturn.web import drive_view
from keyturn.web.answers import Answers
from keyturn.web.faults import described
from keyturn.web.live import last_entry
from keyturn.web.render import page
from keyturn.web.shelf import Car

router = APIRouter()

Word = Annotated[str, Field(max_length=60)]
Words = Annotated[str, Field(max_length=500)]
Target = Annotated[str, Query(max_length=60)]
Chance = Annotated[float | None, Query(allow_inf_nan=False)]


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid")


class _Sent(_Strict):
    """Whatever is written; ``token`` is what the device calls it."""

    token: Annotated[str, Field(pattern=r"^[A-Za-z0-9_-]{8,64}$")]


class RecordIn(_Sent):
    """What was found at a stage; ``age`` are the seconds since it was typed."""

    stage: Word
    typed: Annotated[dict[Word, Words], Field(max_length=40)]
    note: Words = ""
    sure: bool = False
    age: Annotated[float, Field(ge=0.0, le=1e8, allow_inf_nan=False)] = 0.0


class TimerIn(_Sent):
    stage: Word
    name: Word


class ItemIn(_Sent):
    """Something that is undone, loosened or left off."""

    what: Words
    area: Word
    where: Words = ""
    minutes: Annotated[float, Field(allow_inf_nan=False)] = 10.0
    needs: Annotated[list[Word], Field(max_length=10)] = []
    after: Annotated[list[int], Field(max_length=100)] = []
    stands_before: Literal["start", "load", "nothing"] = "start"


class CloseIn(_Sent):
    how: Words


class SweepIn(_Sent):
    """``seen`` are the numbers on the list that was carried round the car."""

    seen: Annotated[list[int], Field(max_length=2000)]


class OverrideIn(_Sent):
    stage: Word
    reason: Words


class WithdrawIn(_Strict):
    stage: Word


class ScopeIn(_Strict):
    """Areas that were worked on; null: everything."""

    areas: Annotated[list[Word], Field(max_length=40)] | None


class ClimbIn(_Sent):
    """A step of the ladder that was driven."""

    step: Word
    typed: Annotated[dict[Word, Words], Field(max_length=40)]
    rpm: Word = ""
    manifold: Word = ""
    note: Words = ""
    at_least: Annotated[float, Field(allow_inf_nan=False)] | None = None
    sure: bool = False


def _car(request: Request, name: str) -> Car:
    found: Car = request.app.state.shelf.car(name)
    return found


def _result(request: Request, car: Car) -> CheckResult | None:
    """What the model says; None when it has no answer, and hold points do not wait for one."""
    answers: Answers = request.app.state.answers
    try:
        return answers.whole(read_text(car.file), {}, SAMPLES, SEED)
    except CannotSolve:
        return None


# --- pages and their pieces -------------------------------------------------------------------
@router.get("/car/{name}/drive", include_in_schema=False)
def drive_page(request: Request, name: str, to: Target = "first fire") -> Response:
    """Hold points and open items at once where the model's answer is known already.

    Else the page asks for them, and for the ladder in any case.
    """
    car = _car(request, name)
    answers: Answers = request.app.state.answers
    known = answers.kept(read_text(car.file), {}, SAMPLES, SEED) is not None
    found = _steps(request, car, to) if known else {"view": None, "last": -1}
    return page(
        request, "drive.html", car=car, here="drive", invented=load(car.folder).invented,
        areas=drive_view.AREA_WORDS, needs=drive_view.NEEDS, to=to, **found,
    )  # fmt: skip


@router.get("/car/{name}/drive/steps", include_in_schema=False)
def steps_piece(request: Request, name: str, to: Target = "first fire") -> Response:
    """Hold points and open items as a piece of the page."""
    car = _car(request, name)
    return page(request, "drive_steps.html", car=car, needs=drive_view.NEEDS,
                areas=drive_view.AREA_WORDS, **_steps(request, car, to))  # fmt: skip


@router.get("/car/{name}/drive/ladder", include_in_schema=False)
def ladder_piece(request: Request, name: str, at_least: Chance = None) -> Response:
    """The ladder as a piece of the page; the model is asked with every reading so far."""
    car = _car(request, name)
    fault, view, last = None, None, last_entry(car)
    try:
        view = drive_view.ladder(_ladder(request, car, at_least))
    except KeyturnError as refusal:
        fault = described(refusal)
    return page(request, "drive_ladder.html", car=car, view=view, fault=fault, last=last)


@router.get("/car/{name}/drive/card/{stage}.pdf", include_in_schema=False)
def card_sheet(request: Request, name: str, stage: str) -> Response:
    """The card of a stage, or of a step of the ladder, to print."""
    car = _car(request, name)
    made = card(car.folder, stage)
    kept = "".join(letter for letter in stage if letter.isalnum() or letter == "-")
    head = f'inline; filename="{car.name}-card-{kept}.pdf"'
    return Response(card_pdf(made), media_type="application/pdf",
                    headers={"content-disposition": head})  # fmt: skip


def _steps(request: Request, car: Car, to: str) -> dict[str, Any]:
    last = last_entry(car)
    now = task.steps(car.folder, _result(request, car))
    return {"view": drive_view.steps(now, to), "last": last}


def _ladder(request: Request, car: Car, at_least: float | None) -> Ladder:
    result = _result(request, car)
    if result is None:
        raise CannotAnswer(
            "the model of this car has no answer, so no step can be judged; see Check"
        )
    return ladder_task.ladder(car.folder, at_least, result=result)


# --- JSON -------------------------------------------------------------------------------------
@router.get("/api/car/{name}/steps")
def steps_json(
    request: Request,
    name: str,
    to: Target = "first fire",
    here: Annotated[str, Query(max_length=200)] = "",
) -> dict[str, Any]:
    """The whole job, schema keyturn.steps.v1, with what stands before ``to`` and what can be done.

    ``here`` are the conditions that are met, separated by commas.
    """
    car = _car(request, name)
    result = _result(request, car)
    now = task.steps(car.folder, result)
    given = [word.strip() for word in here.split(",") if word.strip()]
    able = task.now_here(car.folder, given, result)
    return to_json(now.name, now.plan, drive_view.way(now, to), able)


@router.get("/api/car/{name}/ladder")
def ladder_twin(request: Request, name: str, at_least: Chance = None) -> dict[str, Any]:
    """Every step of the ladder with its bands, its abort numbers and why it is not open."""
    return ladder_json(_ladder(request, _car(request, name), at_least))


@router.post("/api/car/{name}/steps/record")
def record(request: Request, name: str, body: RecordIn) -> dict[str, Any]:
    """Write down what was found at a stage; sent again under the same token it is stored once."""
    car = _car(request, name)
    result = _result(request, car)
    with car.writing:
        row = steps_record.record(car.folder, body.stage, body.typed, body.note, sure=body.sure,
                          token=body.token, result=result, age=body.age)  # fmt: skip
    return _told(request, car, _words_of(row))


@router.post("/api/car/{name}/steps/timer")
def timer(request: Request, name: str, body: TimerIn) -> dict[str, Any]:
    """Begin a wait; it runs on by itself from the moment that is in the journal."""
    car = _car(request, name)
    result = _result(request, car)
    with car.writing:
        row = steps_record.start_timer(car.folder, body.stage, body.name, result, body.token)
    return _told(request, car, {"started": row.started, "minutes": row.minutes})


@router.post("/api/car/{name}/steps/items")
def enter(request: Request, name: str, body: ItemIn) -> dict[str, Any]:
    """Enter something that is undone, loosened or left off."""
    car = _car(request, name)
    with car.writing:
        item = open_items.open_item(
            car.folder, body.what, body.area, body.where, body.minutes, body.needs, body.after,
            body.stands_before, body.token,
        )  # fmt: skip
    words = f"open item {item.at}: {item.what}"
    return _told(request, car, {"number": item.at, "words": words})


@router.post("/api/car/{name}/steps/items/{number}/close")
def close(request: Request, name: str, number: int, body: CloseIn) -> dict[str, Any]:
    """Say how an open item was dealt with."""
    car = _car(request, name)
    with car.writing:
        item = open_items.close_item(car.folder, number, body.how, body.token)
    words = f"item {item.at} closed; evidence about {item.area} taken before is old"
    return _told(request, car, {"number": item.at, "words": words})


@router.post("/api/car/{name}/steps/sweep")
def sweep(request: Request, name: str, body: SweepIn) -> dict[str, Any]:
    """Write down that somebody walked round the car with the list."""
    car = _car(request, name)
    with car.writing:
        _, left = open_items.sweep(car.folder, body.seen, body.token)
    words = "swept; it stands for this session, until the list changes"
    return _told(request, car, {"left": [item.at for item in left], "words": words})


@router.post("/api/car/{name}/steps/override")
def override(request: Request, name: str, body: OverrideIn) -> dict[str, Any]:
    """Pass a hold point on a typed reason, which is shown everywhere from then on."""
    car = _car(request, name)
    with car.writing:
        words = steps_record.override(car.folder, body.stage, body.reason, body.token)
    return _told(request, car, {"words": f"OVERRIDE: {words}"})


@router.post("/api/car/{name}/steps/withdraw")
def withdraw(request: Request, name: str, body: WithdrawIn) -> dict[str, Any]:
    """Take the overrides of a stage back; they stay in the journal."""
    car = _car(request, name)
    with car.writing:
        steps_record.take_back(car.folder, body.stage)
    return _told(request, car, {"words": "taken back; it stays in the journal"})


@router.post("/api/car/{name}/steps/scope")
def scope(request: Request, name: str, body: ScopeIn) -> dict[str, Any]:
    """Say what was opened on this car; null: everything."""
    car = _car(request, name)
    with car.writing:
        rows = task.scope(car.folder, body.areas)
    words = f"{len(rows)} stages for what was opened"
    return _told(request, car, {"stages": [row.name for row in rows], "words": words})


@router.post("/api/car/{name}/ladder/climb")
def climb(request: Request, name: str, body: ClimbIn) -> dict[str, Any]:
    """Write down a step that was driven, clean or not."""
    car = _car(request, name)
    with car.writing:
        row = ladder_task.climb(car.folder, body.step, body.typed, body.rpm, body.manifold,
                                body.note, body.at_least, body.sure, token=body.token)  # fmt: skip
    words = f"{row.step} recorded clean" if row.clean else f"{row.step} is not clean: {row.why}"
    return _told(request, car, {"clean": row.clean, "why": row.why, "words": words})


def _words_of(row: Standing) -> dict[str, Any]:
    lines: Sequence[str] = verdict_words(row).split("\n")
    why = f": {row.why}" if row.why else ""
    return {"state": row.state, "why": row.why, "words": f"{row.stage.words}: {row.state}{why}",
            "lines": [line.strip() for line in lines[1:]]}  # fmt: skip


def _told(request: Request, car: Car, row: dict[str, Any]) -> dict[str, Any]:
    last = last_entry(car)
    request.app.state.live.tell(car.name, "journal", {"last": last})
    return row | {"last": last}
