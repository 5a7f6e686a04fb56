"""Schemathesis (MIT) against the JSON twins: what the schema says is what is answered, and nothing
that is sent makes the server fail.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import schemathesis
from asking import HERE, app_on
from fastapi import FastAPI
from hypothesis import HealthCheck, Phase, given, settings
from pydantic import BaseModel
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
)
from starlette.responses import JSONResponse, PlainTextResponse

from keyturn.web.jobs import Job, Jobs

CHECKS = [not_a_server_error, status_code_conformance, content_type_conformance,
          response_schema_conformance]  # fmt: skip
schemathesis.serializer.alias("application/zip", "application/octet-stream")
EXAMPLES = 6  # for each address and method


class Idle(Jobs):
    """Takes every job and runs none: what long work does is tested where it is written."""

    def _run(self, job: Job, target: str, arguments: dict[str, Any]) -> None:
        job.state = "stopped"


def schema_of(app: FastAPI) -> Any:
    """The addresses of an application, asked as a page of its own on this computer asks it."""

    async def from_here(scope: Any, receive: Any, send: Any) -> None:
        if scope["type"] == "http":
            kept = [row for row in scope["headers"] if row[0] not in (b"host", b"origin")]
            said = [(b"host", HERE[7:].encode()), (b"origin", HERE.encode())]
            scope = {**scope, "client": ("127.0.0.1", 50000), "headers": kept + said}
        await app(scope, receive, send)

    return schemathesis.openapi.from_asgi("/api/schema.json", from_here)


@pytest.fixture(scope="module")
def schema_of_all(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    app = app_on(tmp_path_factory.mktemp("fuzz"))
    app.state.jobs = Idle(app.state.live.tell)
    before = sorted(Path(app.state.shelf.root).parent.iterdir())
    yield schema_of(app)
    # whatever was sent, it made nothing outside of the folder that is served
    assert sorted(Path(app.state.shelf.root).parent.iterdir()) == before


@settings(
    max_examples=EXAMPLES, deadline=None, derandomize=True, database=None,
    phases=(Phase.explicit, Phase.generate), suppress_health_check=list(HealthCheck),
)  # fmt: skip
def attacked(case: Any) -> None:
    name = case.path_parameters.get("name") if case.path_parameters else None
    if name is not None:
        # half of the time a build that exists, or nothing but refusals would be seen
        case.path_parameters["name"] = "van-roots" if len(str(case.body)) % 2 else name
    case.call_and_validate(checks=CHECKS)


def wrong_answers(operations: list[Any]) -> list[str]:
    wrong = []
    for operation in operations:
        try:
            given(case=operation.as_strategy())(attacked)()
        except BaseExceptionGroup as faults:
            wrong.append(f"{operation.label}: {str(faults.exceptions[0])[:1500]}")
        except Exception as fault:  # a check that failed, or what the application let out
            wrong.append(f"{operation.label}: {str(fault)[:1500]}")
    return wrong


def test_every_address_answers_as_its_schema_says(schema_of_all: Any) -> None:
    operations = [found.ok() for found in schema_of_all.get_all_operations()]
    assert len(operations) >= 8
    wrong = wrong_answers(operations)
    assert wrong == [], "\n\n".join(wrong)


class Promised(BaseModel):
    """What the addresses below say that they answer."""

    words: str


BROKEN = {
    "shape": lambda size: JSONResponse({"words": size}),
    "status": lambda size: JSONResponse({"words": "x"}, 299),
    "kind": lambda size: PlainTextResponse("x"),
    "fault": lambda size: 1 // 0,
}


@pytest.mark.parametrize("broken", BROKEN)
def test_an_address_that_breaks_its_schema_is_caught(tmp_path: Path, broken: str) -> None:
    """The control: without it, a fuzz that looks at nothing would be green too."""
    app = app_on(tmp_path)

    @app.get("/api/wrong", response_model=Promised)
    def wrong(size: int) -> Any:
        return BROKEN[broken](size)

    @app.get("/api/right", response_model=Promised)
    def right(size: int) -> Promised:
        return Promised(words=str(size))

    chosen = schema_of(app).include(path_regex="^/api/(wrong|right)$")
    found = wrong_answers([row.ok() for row in chosen.get_all_operations()])
    assert [row.split(":")[0] for row in found] == ["GET /api/wrong"]
