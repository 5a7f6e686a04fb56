"""Choose: which purchase is worth its money, worked out as a job."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Request
from pydantic import BaseModel, ConfigDict, Field
from starlette.responses import Response

from keyturn.build.read import load
from keyturn.tasks.choose import power_of
from keyturn.web.chosen import Chosen
from keyturn.web.inferred import key_of
from keyturn.web.render import page
from keyturn.web.shelf import Car

router = APIRouter()


class ChooseIn(BaseModel):
    """What is asked for beside that everything holds."""

    model_config = ConfigDict(extra="forbid")

    power: Annotated[str, Field(max_length=60)] | None = None


def _chosen(request: Request) -> Chosen:
    found: Chosen = request.app.state.chosen
    return found


@router.get("/car/{name}/choose", include_in_schema=False)
def choose_page(request: Request, name: str) -> Response:
    car: Car = request.app.state.shelf.car(name)
    build = load(car.folder)
    running = _chosen(request).running(car)
    return page(
        request, "choose.html", car=car, here="find", invented=build.invented,
        options=build.options, job=running.job.id if running else "", **_shown(request, car),
    )  # fmt: skip


@router.get("/car/{name}/choose/answer", include_in_schema=False)
def piece(request: Request, name: str) -> Response:
    """The last finished answer as a piece of the page."""
    car: Car = request.app.state.shelf.car(name)
    return page(request, "choose_answer.html", car=car, **_shown(request, car))


def _shown(request: Request, car: Car) -> dict[str, Any]:
    done = _chosen(request).done(car)
    return {"done": done, "found": None if done is None else done.result,
            "stale": done is not None and done.key != key_of(car)}  # fmt: skip


@router.get("/api/car/{name}/choose")
def choose_json(request: Request, name: str) -> dict[str, Any]:
    """The last finished answer, schema keyturn.choose.v1, and what is under way."""
    car: Car = request.app.state.shelf.car(name)
    running, shown = _chosen(request).running(car), _shown(request, car)
    return {
        "job": running.job.news() if running else None,
        "stale": shown["stale"],
        "answer": shown["found"]["answer"] if shown["found"] else None,
    }


@router.post("/api/car/{name}/choose")
def start(request: Request, name: str, body: ChooseIn) -> dict[str, str]:
    """Start the search; its progress is a job's."""
    car: Car = request.app.state.shelf.car(name)
    power = (body.power or "").strip() or None
    load(car.folder)  # refused here and now, not by the job
    if power is not None:
        power_of(power)
    return {"job": _chosen(request).start(car, power).job.id}
