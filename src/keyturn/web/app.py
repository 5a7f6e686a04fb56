"""The application: middleware outermost, then one router per page."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from importlib.resources import files
from pathlib import Path

from fastapi import FastAPI
from starlette.staticfiles import StaticFiles

from keyturn.web import faults
from keyturn.web.config import Config
from keyturn.web.routes import home
from keyturn.web.shelf import Shelf


def create_app(config: Config) -> FastAPI:
    """An application of its own: two of them share nothing."""

    @asynccontextmanager
    async def life(app: FastAPI) -> AsyncIterator[None]:
        yield

    app = FastAPI(
        title="keyturn", docs_url=None, redoc_url=None, openapi_url="/api/schema.json",
        lifespan=life,
    )  # fmt: skip
    app.state.config = config
    app.state.shelf = Shelf(config.root)
    faults.install(app)
    app.include_router(home.router)
    folder = Path(str(files("keyturn.web") / "static"))
    app.mount("/static", StaticFiles(directory=folder), name="static")
    return app
