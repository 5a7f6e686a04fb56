"""Check: the verdict, its figures, and changes tried without touching the build."""

from __future__ import annotations

from contextlib import suppress
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request
from pydantic import BaseModel, ConfigDict, Field
from starlette.background import BackgroundTask
from starlette.responses import JSONResponse, Response

from keyturn.build.change import Change
from keyturn.build.model import Build
from keyturn.build.read import BUILD_FILE, parse_document, read_text
from keyturn.errors import KeyturnError
from keyturn.report.check_view import view
from keyturn.report.compare import differences
from keyturn.report.figures import FIGURES
from keyturn.report.json_form import to_json
from keyturn.report.page import CAPTIONS
from keyturn.report.phrases import INVENTED, tidy
from keyturn.report.show import probability
from keyturn.system.cautions import cautions
from keyturn.system.thresholds import SAMPLES, SEED
from keyturn.tasks.edit import edit
from keyturn.tasks.tries import (
    as_chosen,
    option_changes,
    seen,
    standing,
    tries,
    typed_changes,
)
from keyturn.web.answers import Answers
from keyturn.web.faults import Stale, described
from keyturn.web.render import page
from keyturn.web.shelf import Car
from keyturn.web.words import unit_words

router = APIRouter()

LEAST_WIDTH, MOST_WIDTH = 320, 760
MOST_SAMPLES = 5000  # over the web: what one question may cost
Text = Annotated[str, Field(max_length=4000)]
Typed = Annotated[list[Text], Query(max_length=40)]
Options = Annotated[list[int], Query(max_length=20)]
Width = Annotated[int, Query(ge=LEAST_WIDTH, le=MOST_WIDTH)]


class Variant(BaseModel):
    """Changes that are tried: keys with their new texts, and options by number."""

    model_config = ConfigDict(extra="forbid")
    set: dict[Annotated[str, Field(max_length=120)], Text] = Field({}, max_length=40)
    options: list[int] = Field([], max_length=20)


class Pair(BaseModel):
    model_config = ConfigDict(extra="forbid")
    a: Variant
    b: Variant
    width: int = Field(358, ge=LEAST_WIDTH, le=MOST_WIDTH)


class Apply(Variant):
    """``seen`` holds what stood under each key when it was tried, as JSON text."""

    revision: str = Field(max_length=64)
    seen: dict[Annotated[str, Field(max_length=120)], Text] = Field({}, max_length=400)


def _answers(request: Request) -> Answers:
    found: Answers = request.app.state.answers
    return found


def _car(request: Request, name: str) -> Car:
    found: Car = request.app.state.shelf.car(name)
    return found


def _text(car: Car) -> str:
    """The build as it stands in the file now."""
    return read_text(car.file)


def _changes(
    answers: Answers, text: str, typed: dict[str, str], options: list[int]
) -> dict[str, Any]:
    """Options first: what is typed or slid goes over them."""
    bought = option_changes(answers.build(text, {}), options) if options else {}
    return bought | as_chosen(parse_document(text, BUILD_FILE), typed)


def _ahead(answers: Answers, text: str) -> None:
    with suppress(KeyturnError):  # said when it is asked for
        answers.middle(text, {})


@router.get("/car/{name}/check", include_in_schema=False)
def check_page(request: Request, name: str) -> Response:
    car = _car(request, name)
    revision = car.revision()
    ahead = None
    data: dict[str, Any] = {
        "fault": None,
        "rows": [],
        "options": [],
        "cautions": (),
        "invented": "",
    }
    try:
        text = _text(car)
        build = _answers(request).build(text, {})
        document = parse_document(text, BUILD_FILE)
        data |= {
            "rows": tries(build, document), "options": _options(build, document),
            "invented": INVENTED if build.invented else "",
            "cautions": [tidy(item) for item in cautions(build)], "title": build.name,
        }  # fmt: skip
        # while the browser fetches the scripts, which then find their first answer ready
        ahead = BackgroundTask(_ahead, _answers(request), text)
    except KeyturnError as fault:
        data["fault"] = described(fault)
        data["title"] = name
    made = page(request, "check.html", car=car, here="check", revision=revision,
                captions=CAPTIONS, shown=unit_words, **data)  # fmt: skip
    made.background = ahead
    return made


def _options(build: Build, document: dict[str, Any]) -> list[dict[str, Any]]:
    return [
        {"name": option.name, "price": option.price, "seen": seen(document, option.changes)}
        for option in build.options
    ]


@router.get("/api/car/{name}/check/tries")
def check_tries(request: Request, name: str) -> Response:
    """What can be tried, as the build stands now: for a page that was drawn earlier."""
    car = _car(request, name)
    revision, text = car.revision(), _text(car)
    build, document = _answers(request).build(text, {}), parse_document(text, BUILD_FILE)
    return JSONResponse({"revision": revision, "rows": tries(build, document),
                         "options": _options(build, document)})  # fmt: skip


@router.get("/api/car/{name}/check")
def check_json(
    request: Request,
    name: str,
    set: Typed = [],  # noqa: B006  the word that the command line uses as well
    option: Options = [],  # noqa: B006
    samples: Annotated[int, Query(ge=1, le=MOST_SAMPLES)] = SAMPLES,
    seed: Annotated[int, Query(ge=0, lt=2**32)] = SEED,
) -> Response:
    """The whole answer, schema keyturn.check.v1, with ``set=KEY=VALUE`` tried."""
    text, answers = _text(_car(request, name)), _answers(request)
    bought = option_changes(answers.build(text, {}), option) if option else {}
    changes = bought | typed_changes(set)
    return JSONResponse(to_json(answers.whole(text, changes, samples, seed)))


@router.get("/api/car/{name}/check/view")
def check_view(
    request: Request,
    name: str,
    bands: bool = False,
    width: Width = 720,
    figures: Annotated[str, Query(max_length=80)] = "",
    points: bool = False,
    asker: Annotated[str, Query(max_length=40)] = "",
    set: Typed = [],  # noqa: B006
    option: Options = [],  # noqa: B006
) -> Response:
    """What the page redraws; without ``bands`` from middle values, unless more is known."""
    car, answers = _car(request, name), _answers(request)
    text = _text(car)
    changes = _changes(answers, text, typed_changes(set), option)
    result = answers.kept(text, changes, SAMPLES, SEED)
    if result is None and bands:
        result = answers.whole(text, changes, SAMPLES, SEED, asker)
    if result is None:
        result = answers.middle(text, changes)
    wanted = [word for word in figures.split(",") if word in FIGURES]
    return JSONResponse(view(result, width, wanted, points=points) | {"revision": car.revision()})


@router.post("/api/car/{name}/check/compare")
def check_compare(request: Request, name: str, pair: Pair) -> Response:
    """Two variants side by side, and in words what differs."""
    text, answers = _text(_car(request, name)), _answers(request)
    results = [
        answers.whole(text, _changes(answers, text, variant.set, variant.options), SAMPLES, SEED)
        for variant in (pair.a, pair.b)
    ]
    sides = [
        view(result, pair.width, ("envelope", "headroom"), points=False)
        | {"chance": probability(result.limiting.p_holds, result.samples)}
        for result in results
    ]
    return JSONResponse({"a": sides[0], "b": sides[1], "words": differences(*results)})


@router.post("/api/car/{name}/check/apply")
def check_apply(request: Request, name: str, wanted: Apply) -> Response:
    """Write what was tried into build.toml; comments stay, and it can be undone."""
    car, answers = _car(request, name), _answers(request)
    with car.writing:
        text = _text(car)
        changes = _changes(answers, text, wanted.set, wanted.options)
        answers.build(text, changes)  # refused as it would be tried, before anything is written
        _not_stale(car, text, changes, wanted)
        if edit(car.folder, [Change("set", key, value) for key, value in changes.items()]):
            request.app.state.live.tell(car.name, "build", {"revision": car.revision()})
    return JSONResponse({"revision": car.revision(), "written": list(changes)})


def _not_stale(car: Car, text: str, changes: dict[str, Any], wanted: Apply) -> None:
    """A key that was seen must still stand so; one that was not, in the build that was seen."""
    document = parse_document(text, BUILD_FILE)
    meanwhile = car.revision() != wanted.revision
    for key in changes:
        now = standing(document, key)
        if wanted.seen.get(key, None if meanwhile else now) != now:
            raise Stale(key, now, car.revision())
