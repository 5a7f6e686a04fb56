"""Errors as a page or as JSON: what is wrong, where, what is accepted, what to do. No trace."""

from __future__ import annotations

import json
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from pydantic import BaseModel
from starlette.exceptions import HTTPException
from starlette.responses import Response

from keyturn.errors import BuildError, BuildErrors, CannotAnswer, KeyturnError
from keyturn.web.missing import NoSuchCar, NoSuchJob
from keyturn.web.render import page
from keyturn.web.words import on_a_page


class Stale(Exception):
    """Somebody else changed what was being edited."""

    def __init__(self, key: str, now: str | None, revision: str) -> None:
        super().__init__(key)
        self.key, self.now, self.revision = key, now, revision


class Where(BaseModel):
    """The line or the key of what is wrong."""

    line: int | None = None
    key: str | None = None


class Row(BaseModel):
    """One fault: what is wrong, where, what would be taken, what to do."""

    kind: str
    problem: str
    where: Where | None = None
    typed: str | None = None
    accepted: str | None = None
    do: str | None = None
    faults: list[Row] | None = None
    missing: list[str] | None = None
    now: str | None = None
    revision: str | None = None


class Refusal(BaseModel):
    """Every answer that is not the one that was asked for."""

    error: Row


# what any address may answer beside its own; as the schema says it
RESPONSES: dict[int | str, dict[str, Any]] = {
    status: {"model": Refusal, "description": words}
    for status, words in {
        400: "cannot be read", 401: "this device is not paired", 403: "not from here",
        404: "no such thing", 405: "not done here", 408: "too slow", 409: "changed meanwhile",
        413: "too large", 415: "not of the kind that is taken", 422: "refused, with the reason",
        429: "too many at once", 500: "a fault of keyturn",
    }.items()
}  # fmt: skip


class Plain(JSONResponse):
    """JSON in ASCII: whatever was typed comes back, also half a character."""

    def render(self, content: Any) -> bytes:
        return json.dumps(content, allow_nan=False, separators=(",", ":")).encode("ascii")


AS_TYPED = ("typed", "now", "revision")  # never put in other words


def described(fault: Exception) -> dict[str, Any]:
    """One fault as plain data, the same fields for every kind."""
    row: dict[str, Any] = {"kind": "refused", "problem": str(fault)}
    if isinstance(fault, BuildErrors):
        row["faults"] = [described(item) for item in fault.faults]
    if isinstance(fault, BuildError):
        where = {"line": fault.place.line, "key": fault.place.key}
        row.update(
            problem=fault.problem, where={k: v for k, v in where.items() if v is not None},
            typed=fault.typed, accepted=fault.accepted, do=fault.advice,
        )  # fmt: skip
    if isinstance(fault, CannotAnswer):
        row.update(kind="cannot-answer", problem=str(fault).split("\n")[0],
                   missing=list(fault.missing))  # fmt: skip
    return {
        key: value if key in AS_TYPED else _worded(value)
        for key, value in row.items()
        if value not in (None, {}, [])
    }


def _worded(value: Any) -> Any:
    if isinstance(value, list):
        return [_worded(item) for item in value]
    if isinstance(value, dict):
        return {key: _worded(item) for key, item in value.items()}
    return on_a_page(value) if isinstance(value, str) else value


def wants_json(request: Request) -> bool:
    return request.url.path.startswith("/api/")


def answer(request: Request, row: dict[str, Any], status: int) -> Response:
    """The fault as the asker can read it."""
    if wants_json(request):
        return Plain({"error": row}, status)
    return page(request, "fault.html", status=status, fault=row)


def install(app: FastAPI) -> None:
    """Every way in which a request can fail ends in `answer`."""

    @app.exception_handler(KeyturnError)
    def refused(request: Request, fault: KeyturnError) -> Response:
        return answer(request, described(fault), 422)

    @app.exception_handler(Stale)
    def stale(request: Request, fault: Stale) -> Response:
        row = {
            "kind": "stale", "problem": f"{fault.key} was changed meanwhile",
            "where": {"key": fault.key}, "now": fault.now, "revision": fault.revision,
            "do": "look at both and choose one; nothing was written",
        }  # fmt: skip
        return answer(request, row, 409)

    @app.exception_handler(NoSuchCar)
    def no_car(request: Request, fault: NoSuchCar) -> Response:
        row = {"kind": "missing", "problem": f"there is no build called {fault}",
               "do": "go to Home and choose one"}  # fmt: skip
        return answer(request, row, 404)

    @app.exception_handler(NoSuchJob)
    def no_job(request: Request, fault: NoSuchJob) -> Response:
        row = {"kind": "missing", "problem": "no such work is going on or remembered",
               "do": "start it again"}  # fmt: skip
        return answer(request, row, 404)

    @app.exception_handler(RequestValidationError)
    def malformed(request: Request, fault: RequestValidationError) -> Response:
        faults = [
            {"kind": "refused", "problem": item["msg"],
             "where": {"key": ".".join(str(part) for part in item["loc"][1:])}}
            for item in fault.errors()
        ]  # fmt: skip
        row = {"kind": "refused", "problem": "the request cannot be read", "faults": faults}
        return answer(request, row, 422)

    @app.exception_handler(HTTPException)
    def http(request: Request, fault: HTTPException) -> Response:
        words = {"Not Found": "there is no such page",
                 "Method Not Allowed": "that cannot be done here"}  # fmt: skip
        said = str(fault.detail)
        row = {"kind": "refused", "problem": words.get(said, said)}
        made = answer(request, row, fault.status_code)
        made.headers.update(fault.headers or {})
        return made

    @app.exception_handler(Exception)
    def broken(request: Request, fault: Exception) -> Response:
        # the trace goes to the terminal of whoever started the server, never into a page
        row = {"kind": "fault", "problem": "keyturn itself failed; nothing was written",
               "do": "look at the terminal in which it was started"}  # fmt: skip
        return answer(request, row, 500)
