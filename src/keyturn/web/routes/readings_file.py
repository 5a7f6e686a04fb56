"""Readings of a whole file from a page: good rows are stored, bad ones refused with their line."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from fastapi import APIRouter, HTTPException, Query, Request
from starlette.concurrency import run_in_threadpool

from keyturn.journal.table import MOST_BYTES
from keyturn.report.readings import to_json
from keyturn.tasks import read as task
from keyturn.web.faults import described
from keyturn.web.live import last_entry
from keyturn.web.shelf import Car

router = APIRouter()


@router.post(
    "/api/car/{name}/read/upload",
    openapi_extra={
        "requestBody": {
            "required": True,
            "content": {
                kind: {"schema": {"type": "string"}} for kind in ("text/csv", "application/toml")
            },
        }
    },
)
async def upload(
    request: Request, name: str, form: Annotated[Literal["csv", "toml"], Query()]
) -> dict[str, Any]:
    """Store the rows of a CSV or TOML file; sent again, each row is stored once."""
    car: Car = request.app.state.shelf.car(name)
    data = bytearray()
    async for chunk in request.stream():  # bounded by `security` too, for larger kinds of file
        data += chunk
        if len(data) > MOST_BYTES:
            raise HTTPException(413, f"a file of readings holds at most {MOST_BYTES} bytes")
    return await run_in_threadpool(_stored, request, car, bytes(data), f"readings.{form}")


def _stored(request: Request, car: Car, data: bytes, file: str) -> dict[str, Any]:
    with car.writing:
        done = task.read_sent(car.folder, data, file)
    last = last_entry(car)
    request.app.state.live.tell(car.name, "journal", {"last": last})
    return {
        "stored": to_json([item.reading for item in done.stored])["readings"],
        "again": done.again,
        "refused": [described(fault) for fault in done.refused],
        "last": last,
    }
