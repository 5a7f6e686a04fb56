"""Papers: the report, its PDF and figures, the journal, the whole build as one file."""

from __future__ import annotations

import base64
import hashlib
import re
from typing import Any

from fastapi import APIRouter, HTTPException, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from keyturn.build.read import read_text
from keyturn.errors import FileRefused, KeyturnError
from keyturn.journal.exchange import export_text, import_text
from keyturn.journal.store import opened
from keyturn.report import phrases
from keyturn.report import readings as reading_words
from keyturn.report.figures import FIGURES
from keyturn.report.page import CAPTIONS
from keyturn.report.page import page as report_page
from keyturn.report.pdf import pdf
from keyturn.system.result import CheckResult
from keyturn.system.thresholds import SAMPLES, SEED
from keyturn.tasks import read as task
from keyturn.web.answers import Answers
from keyturn.web.faults import described
from keyturn.web.live import last_entry
from keyturn.web.render import page
from keyturn.web.shelf import Car

router = APIRouter()

STYLE = re.compile(r"<style>(.*?)</style>", re.S)


def _car(request: Request, name: str) -> Car:
    found: Car = request.app.state.shelf.car(name)
    return found


def _result(request: Request, car: Car) -> CheckResult:
    answers: Answers = request.app.state.answers
    return answers.whole(read_text(car.file), {}, SAMPLES, SEED)


@router.get("/car/{name}/papers", include_in_schema=False)
def papers(request: Request, name: str) -> Response:
    """What can be printed, taken away or brought back."""
    car = _car(request, name)
    result, fault = None, None
    try:
        result = _result(request, car)
    except KeyturnError as refusal:  # a car without a report still has a journal
        fault = described(refusal)
    headline = phrases.headline(result, stamped=True) if result else ""
    return page(
        request, "papers.html", car=car, here="papers", result=result, fault=fault,
        headline=headline, figures={key: CAPTIONS[key][0] for key in FIGURES},
        readings=reading_words.rows(task.listed(car.folder)), entries=last_entry(car),
    )  # fmt: skip


@router.get("/api/car/{name}/papers")
def papers_json(request: Request, name: str) -> dict[str, Any]:
    """The journal as data, and which papers there are."""
    car = _car(request, name)
    place = f"/car/{car.name}/papers"
    given = task.listed(car.folder)
    return {
        "report": f"{place}/report.html", "pdf": f"{place}/report.pdf",
        "figures": {key: f"{place}/{key}.svg" for key in FIGURES},
        "journal": f"{place}/journal.jsonl", "entries": last_entry(car),
        "readings": reading_words.to_json(given)["readings"],
    }  # fmt: skip


@router.get("/car/{name}/papers/report.html", include_in_schema=False)
def report(request: Request, name: str) -> Response:
    """The report page, which carries its own style: only that very style is allowed in it."""
    text = report_page(_result(request, _car(request, name)))
    sums = " ".join(f"'sha256-{_sum(style)}'" for style in STYLE.findall(text))
    policy = (
        f"default-src 'none'; style-src {sums}; img-src data:; form-action 'none'; "
        "frame-ancestors 'none'; base-uri 'none'"
    )
    return Response(text, media_type="text/html", headers={"content-security-policy": policy})


def _sum(text: str) -> str:
    return base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()


@router.get("/car/{name}/papers/report.pdf", include_in_schema=False)
def report_pdf(request: Request, name: str) -> Response:
    car = _car(request, name)
    return _file(pdf(_result(request, car)), "application/pdf", f"{car.name}-report.pdf")


@router.get("/car/{name}/papers/journal.jsonl", include_in_schema=False)
def journal(request: Request, name: str) -> Response:
    """Every entry on its own line; reading it back gives the same journal."""
    car = _car(request, name)
    with opened(car.folder) as book:
        text = export_text(book, task.name_of(car.folder))
    return _file(text.encode(), "application/x-ndjson", f"{car.name}-journal.jsonl")


@router.get("/car/{name}/papers/{figure}.svg", include_in_schema=False)
def figure(request: Request, name: str, figure: str) -> Response:
    car = _car(request, name)
    if figure not in FIGURES:
        raise HTTPException(404)
    drawn = FIGURES[figure](_result(request, car))
    return _file(drawn.encode(), "image/svg+xml", f"{car.name}-{figure}.svg")


def _file(data: bytes, kind: str, file: str) -> Response:
    # the name of a build holds small letters, digits and hyphens only
    return Response(data, media_type=kind,
                    headers={"content-disposition": f'attachment; filename="{file}"'})  # fmt: skip


@router.post("/api/car/{name}/papers/import")
async def bring(request: Request, name: str) -> dict[str, Any]:
    """Bring the journal up to an export of it; the body is the file."""
    car = _car(request, name)
    data = await request.body()  # counted and bounded by `security` while it is read
    return await run_in_threadpool(_bring, request, car, data)


def _bring(request: Request, car: Car, data: bytes) -> dict[str, Any]:
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise FileRefused("the file is not UTF-8 text", accepted="an export of this journal",
                          advice="nothing was changed") from None  # fmt: skip
    with car.writing, opened(car.folder, write=True) as book:
        added = import_text(book, text, "the file", task.name_of(car.folder))
    last = last_entry(car)
    request.app.state.live.tell(car.name, "journal", {"last": last})
    return {"added": added, "last": last}
