"""The event stream of a build: "build" {revision}, "journal" {last}, "job" {id, ...}."""

from __future__ import annotations

from fastapi import APIRouter, HTTPException, Request
from starlette.responses import Response, StreamingResponse

router = APIRouter()


@router.get("/api/car/{name}/live", include_in_schema=False)
async def live(request: Request, name: str) -> Response:
    """Stays open for as long as the page does."""
    car = request.app.state.shelf.car(name)
    if request.app.state.live.full:
        raise HTTPException(429, "too many pages listen already; close some")
    frames = request.app.state.live.listen(car)
    # a proxy that collects before it passes on would make the channel useless
    headers = {"cache-control": "no-store", "x-accel-buffering": "no"}
    return StreamingResponse(frames, media_type="text/event-stream", headers=headers)
