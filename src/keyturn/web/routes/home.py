"""Home: which builds there are, and one build at a glance."""

from __future__ import annotations

from fastapi import APIRouter, Request
from starlette.responses import RedirectResponse, Response

from keyturn.web.render import page
from keyturn.web.shelf import Shelf

router = APIRouter()


@router.get("/", include_in_schema=False)
def shelf(request: Request) -> Response:
    """All builds; straight to the build when there is only one."""
    on: Shelf = request.app.state.shelf
    names = on.names()
    if on.single:
        return RedirectResponse(f"/car/{names[0]}/home", 303)
    return page(request, "shelf.html", names=names, here="home")


@router.get("/car/{name}/home", include_in_schema=False)
def home(request: Request, name: str) -> Response:
    car = request.app.state.shelf.car(name)
    return page(request, "home.html", car=car, here="home")
