"""The application: middleware outermost, then one router per page."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from fastapi import FastAPI

from keyturn.web import faults, shipped
from keyturn.web.answers import Answers, cool, warm
from keyturn.web.chosen import Chosen
from keyturn.web.config import Config
from keyturn.web.inferred import Inferred
from keyturn.web.jobs import Jobs
from keyturn.web.live import Live
from keyturn.web.live_values import Watches
from keyturn.web.log_files import Logs
from keyturn.web.pairing import Pairing
from keyturn.web.routes import (
    archive,
    check,
    choose,
    door,
    drive,
    drive_live,
    drive_log,
    find,
    home,
    jobs,
    live,
    make,
    make_out,
    papers,
    parts,
    readings_file,
    units,
)
from keyturn.web.security import Guard
from keyturn.web.sessions import Sessions
from keyturn.web.shelf import Shelf


def create_app(config: Config) -> FastAPI:
    """An application of its own: two of them share nothing."""

    @asynccontextmanager
    async def life(app: FastAPI) -> AsyncIterator[None]:
        warm()
        yield
        app.state.live.close()
        app.state.watches.close()
        app.state.jobs.close()
        cool()

    app = FastAPI(
        title="keyturn", docs_url=None, redoc_url=None, openapi_url="/api/schema.json",
        lifespan=life, responses=faults.RESPONSES,
    )  # fmt: skip
    app.state.config = config
    app.state.shelf = Shelf(config.root)
    app.state.live = Live()
    app.state.watches = Watches()
    app.state.jobs = Jobs(app.state.live.tell)
    app.state.logs = Logs(app.state.jobs)
    app.state.imports = {}
    app.state.answers = Answers()
    app.state.inferred = Inferred()
    app.state.chosen = Chosen(app.state.jobs)
    app.state.sessions = Sessions(app.state.shelf.root)
    app.state.pairing = Pairing()
    faults.install(app)
    pages = (home, parts, find, readings_file, choose, papers, check, make, make_out)
    driving = (drive, drive_log, drive_live)
    for routes in (live, jobs, door, archive, units, *pages, *driving):
        app.include_router(routes.router)
    app.mount(shipped.PLACE, shipped.serve, name="static")
    # around everything, also around the answer to an exception: add_middleware would be inside it
    app.middleware_stack = Guard(app.build_middleware_stack(), config, app.state.sessions)
    return app
