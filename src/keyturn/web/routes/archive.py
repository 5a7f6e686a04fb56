"""A whole build as one file, out and in."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Annotated

from fastapi import APIRouter, Query, Request
from pydantic import BaseModel
from starlette.background import BackgroundTask
from starlette.concurrency import run_in_threadpool
from starlette.responses import FileResponse, Response

from keyturn.tasks.pack import Bounds, pack, unpack
from keyturn.web.config import Limits
from keyturn.web.shelf import Shelf
from keyturn.web.uploads import received

router = APIRouter(tags=["archive"])
KIND = "application/zip"


class Imported(BaseModel):
    """The build that was made of an archive."""

    name: str
    address: str


@router.get(
    "/api/car/{name}/archive",
    response_class=FileResponse,
    responses={200: {"content": {KIND: {}}, "description": "the build as one file"}},
)
def export(request: Request, name: str) -> Response:
    """build.toml, the journal and the recordings; what can be made again stays behind."""
    car = request.app.state.shelf.car(name)
    folder = Path(tempfile.mkdtemp(prefix="keyturn-"))
    target = folder / "whole.zip"

    def tidy() -> None:
        target.unlink(missing_ok=True)
        folder.rmdir()

    try:
        with car.writing:
            pack(car.folder, target)
    except BaseException:
        tidy()
        raise
    return FileResponse(
        target, media_type=KIND, filename=f"{car.name}.keyturn.zip", background=BackgroundTask(tidy)
    )


@router.post(
    "/api/archive",
    status_code=201,
    openapi_extra={
        "requestBody": {
            "required": True,
            "content": {KIND: {"schema": {"type": "string", "format": "binary"}}},
        }
    },
)
async def imported(
    request: Request, name: Annotated[str, Query(min_length=1, max_length=40)]
) -> Imported:
    """Make a new build called ``name`` of an archive; judged before anything is unpacked."""
    shelf: Shelf = request.app.state.shelf
    target = await run_in_threadpool(shelf.place_for, name)
    async with received(request, KIND, shelf.root) as file:
        await run_in_threadpool(unpack, file, target, bounds(request.app.state.config.limits))
    return Imported(name=name, address=f"/car/{name}/home")


def bounds(limits: Limits) -> Bounds:
    return Bounds(limits.members, limits.member, limits.unpacked, limits.ratio)
