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
from hypothesis import HealthCheck, Phase, given, settings
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from keyturn.web.jobs import Job, Jobs

CHECKS = [not_a_server_error, status_code_conformance, content_type_conformance,
          response_schema_conformance]  # fmt: skip
schemathesis.serializer.alias("application/zip", "application/octet-stream")
EXAMPLES = 6  # for each address and method


class Idle(Jobs):
    """Takes every job and runs none: what long work does is tested where it is written."""

    def _run(self, job: Job, target: str, arguments: dict[str, Any]) -> None:
        job.state = "stopped"


@pytest.fixture(scope="module")
def schema_of_all(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """The addresses of one application, asked as a page of its own on this computer asks it."""
    app = app_on(tmp_path_factory.mktemp("fuzz"))
    app.state.jobs = Idle(app.state.live.tell)

    async def from_here(scope: Any, receive: Any, send: Any) -> None:
        if scope["type"] == "http":
            kept = [row for row in scope["headers"] if row[0] not in (b"host", b"origin")]
            said = [(b"host", HERE[7:].encode()), (b"origin", HERE.encode())]
            scope = {**scope, "client": ("127.0.0.1", 50000), "headers": kept + said}
        await app(scope, receive, send)

    before = sorted(Path(app.state.shelf.root).parent.iterdir())
    yield schemathesis.openapi.from_asgi("/api/schema.json", from_here)
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


def test_every_address_answers_as_its_schema_says(schema_of_all: Any) -> None:
    operations = [found.ok() for found in schema_of_all.get_all_operations()]
    assert len(operations) >= 8
    wrong = []
    for operation in operations:
        try:
            given(case=operation.as_strategy())(attacked)()
        except AssertionError as fault:
            wrong.append(f"{operation.label}: {str(fault)[:1500]}")
        except BaseExceptionGroup as faults:
            wrong.append(f"{operation.label}: {str(faults.exceptions[0])[:1500]}")
    assert wrong == [], "\n\n".join(wrong)
