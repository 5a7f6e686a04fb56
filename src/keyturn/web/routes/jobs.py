"""Long work, watched and stopped: GET and DELETE /api/car/{name}/jobs/{id}."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Request
from pydantic import BaseModel

router = APIRouter(prefix="/api/car/{name}/jobs", tags=["jobs"])


class JobRow(BaseModel):
    """How far a piece of long work is."""

    id: str
    word: str
    state: str
    done: int
    of: int
    words: str
    result: Any = None
    error: dict[str, Any] | None = None


@router.get("", response_model_exclude_none=True)
def jobs(request: Request, name: str) -> list[JobRow]:
    """Everything that was started for a build and is still remembered, without the results."""
    car = request.app.state.shelf.car(name)
    rows = [JobRow(**job.row()) for job in request.app.state.jobs.of(car.name)]
    return [row.model_copy(update={"result": None}) for row in rows]


@router.get("/{number}", response_model_exclude_none=True)
def job(request: Request, name: str, number: str) -> JobRow:
    """How far one is, with its result once it is done."""
    car = request.app.state.shelf.car(name)
    return JobRow(**request.app.state.jobs.get(car.name, number).row())


@router.delete("/{number}", response_model_exclude_none=True)
def stop(request: Request, name: str, number: str) -> JobRow:
    """Stop it; what was worked out so far is lost."""
    car = request.app.state.shelf.car(name)
    return JobRow(**request.app.state.jobs.stop(car.name, number).row())
