"""A whole build as one file, out and in; how far an import is, by a token that its page made."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Annotated

from fastapi import APIRouter, Query, Request
from fastapi import Path as FromPath
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
    """build.toml, journal, recordings and gaskets; what can be made again stays behind."""
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
    request: Request,
    name: Annotated[str, Query(min_length=1, max_length=40)],
    token: Annotated[str, Query(max_length=64)] = "",
) -> Imported:
    """Make a new build called ``name`` of an archive; judged before anything is unpacked."""
    shelf: Shelf = request.app.state.shelf
    target = await run_in_threadpool(shelf.place_for, name)
    stand = Stand(of=_length(request), words="arrived")
    _stands(request)[token] = stand
    try:
        async with received(request, KIND, shelf.root, stand.add) as file:
            stand.done, stand.of, stand.words = 0, 0, "unpacked"
            limits = bounds(request.app.state.config.limits)
            await run_in_threadpool(unpack, file, target, limits, stand.put)
    finally:
        _stands(request).pop(token, None)
    return Imported(name=name, address=f"/car/{name}/home")


class Stand(BaseModel):
    """How far an import is; ``of`` is 0 while nobody knows."""

    done: int = 0
    of: int = 0
    words: str = ""

    def add(self, count: int) -> None:
        self.done += count

    def put(self, done: int, of: int) -> None:
        self.done, self.of = done, of


@router.get("/api/archive/{token}")
def progress(request: Request, token: Annotated[str, FromPath(max_length=64)]) -> Stand:
    """How far the import of that token is; nothing is told of one that is not going on."""
    return _stands(request).get(token, Stand())


def _stands(request: Request) -> dict[str, Stand]:
    """The imports that are going on: as many as there are requests."""
    found: dict[str, Stand] = request.app.state.imports
    return found


def _length(request: Request) -> int:
    told = request.headers.get("content-length", "")
    return int(told) if told.isdecimal() and len(told) < 16 else 0


def bounds(limits: Limits) -> Bounds:
    return Bounds(limits.members, limits.member, limits.unpacked, limits.ratio)
