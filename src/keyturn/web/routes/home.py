"""Home: which builds there are, a new one, and one build at a glance."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any

from fastapi import APIRouter, Request
from pydantic import BaseModel, ConfigDict, Field, StringConstraints
from starlette.responses import RedirectResponse, Response

from keyturn.build.model import Build
from keyturn.build.read import parse_document, read_text
from keyturn.errors import BuildError, KeyturnError
from keyturn.evidence.reading import Reading
from keyturn.journal.readings import readings
from keyturn.journal.store import opened
from keyturn.report import phrases
from keyturn.report.figures import NARROW, WIDE
from keyturn.report.headroom_figure import headroom_bars
from keyturn.report.show import probability
from keyturn.system.cautions import cautions
from keyturn.system.result import CheckResult
from keyturn.system.thresholds import SAMPLES, SEED
from keyturn.tasks.home import Glance, glance
from keyturn.tasks.new import QUESTIONS, blank, examples, new, questions
from keyturn.tasks.steps import written
from keyturn.web.answers import Answers
from keyturn.web.faults import described
from keyturn.web.parts_form import plain
from keyturn.web.render import page
from keyturn.web.shelf import Car, Shelf

router = APIRouter()


class NewCar(BaseModel):
    """A build to begin: from an example, or from nothing with a few answers."""

    model_config = ConfigDict(extra="forbid")

    name: str = Field(max_length=40)
    example: str | None = Field(default=None, max_length=40)
    answers: dict[
        Annotated[str, StringConstraints(max_length=40)],
        Annotated[str, StringConstraints(max_length=300)],
    ] = Field(default={}, max_length=len(QUESTIONS))


@router.get("/", include_in_schema=False)
def shelf(request: Request) -> Response:
    """All builds; straight to the build when there is only one."""
    on: Shelf = request.app.state.shelf
    if on.single:
        return RedirectResponse(f"/car/{on.names()[0]}/home", 303)
    return page(
        request,
        "shelf.html",
        cars=_cars(on),
        examples=examples(),
        here="home",
        asked=questions(),
    )


@router.get("/api/cars")
def cars(request: Request) -> dict[str, Any]:
    """Every build on the shelf, and the examples a new one can begin with."""
    shown = [{"name": name, "title": title} for name, title in examples()]
    return {"cars": _cars(request.app.state.shelf), "examples": shown}


@router.post("/api/cars", status_code=201)
def new_car(request: Request, form: NewCar) -> dict[str, Any]:
    """Begin a build: a copy of an example, or a few answers over stated assumptions."""
    on: Shelf = request.app.state.shelf
    place = on.place_for(form.name)
    if form.example is not None:
        new(place, form.example)
    else:
        blank(place, form.answers)
    return {"name": form.name, "address": f"/car/{form.name}/home"}


@router.get("/car/{name}/home", include_in_schema=False)
def home(request: Request, name: str) -> Response:
    """The build at a glance; its answer follows when it has been worked out."""
    car: Car = request.app.state.shelf.car(name)
    title, invented = _title(car)
    return page(request, "home.html", car=car, here="home", title=title,
                invented=phrases.INVENTED if invented else "")  # fmt: skip


@router.get("/car/{name}/glance", include_in_schema=False)
def home_answer(request: Request, name: str) -> Response:
    """The part of the page that needs the answer."""
    car: Car = request.app.state.shelf.car(name)
    try:
        build, result = _judged(request, car)
        read = _readings(car)
    except KeyturnError as fault:
        rows = plain(fault) if isinstance(fault, BuildError) else [described(fault)]
        return page(request, "home_answer.html", car=car, here="home", faults=rows, result=None)
    return page(
        request, "home_answer.html", car=car, here="home", faults=[], result=result,
        glance=glance(build, result, written(car.folder)),
        headline=phrases.headline(result, stamped=True),
        limits=phrases.limits(result), readings=len(read), cautions=cautions(build),
        figures={"wide": headroom_bars(result, WIDE, inline=True),
                 "narrow": headroom_bars(result, NARROW, inline=True)},
        revision=car.revision(),
    )  # fmt: skip


@router.get("/api/car/{name}/home")
def home_twin(request: Request, name: str) -> dict[str, Any]:
    """The build at a glance: verdict in one sentence, what stands in the way, what to do next."""
    car: Car = request.app.state.shelf.car(name)
    build, result = _judged(request, car)
    return {**_short(car, result), **_glanced(glance(build, result, written(car.folder))),
            "cautions": list(cautions(build))}  # fmt: skip


@router.get("/api/car/{name}/verdict")
def verdict(request: Request, name: str) -> dict[str, Any]:
    """The verdict in one sentence, for the shelf."""
    car: Car = request.app.state.shelf.car(name)
    return _short(car, _judged(request, car)[1])


def _judged(request: Request, car: Car) -> tuple[Build, CheckResult]:
    answers: Answers = request.app.state.answers
    text = read_text(car.file)
    return answers.build(text, {}), answers.whole(text, {}, SAMPLES, SEED)


def _short(car: Car, result: CheckResult) -> dict[str, Any]:
    row = result.limiting
    return {
        "schema": "keyturn.home.v1", "revision": car.revision(), "name": result.name,
        "invented": result.invented, "verdict": result.verdict,
        "sentence": phrases.headline(result, stamped=True), "limiting": row.part,
        "chance": probability(row.p_holds, result.samples),
    }  # fmt: skip


def _glanced(seen: Glance) -> dict[str, Any]:
    barriers = [
        {"what": b.what, "words": b.words, "page": b.page, "base": b.base, "caution": b.caution}
        for b in seen.barriers
    ]
    return {"hold_point": seen.hold_point, "stands_between": barriers, "next": list(seen.steps),
            "overridden": list(seen.overridden)}  # fmt: skip


def _readings(car: Car) -> tuple[Reading, ...]:
    with opened(car.folder) as book:
        return readings(book)


def _title(car: Car) -> tuple[str, bool]:
    """What the file calls the car; its folder's name when the file cannot be read."""
    try:
        document: Mapping[str, Any] = parse_document(read_text(car.file), car.file.name)
    except BuildError:
        return car.name, False
    return str(document.get("name") or car.name), document.get("invented") is True


def _cars(on: Shelf) -> list[dict[str, Any]]:
    rows = []
    for name in on.names():
        title, invented = _title(on.car(name))
        rows.append({"name": name, "title": title, "invented": invented,
                     "address": f"/car/{name}/home"})  # fmt: skip
    return rows
