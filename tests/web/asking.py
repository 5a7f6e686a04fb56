"""An application without a network, asked as a browser on this computer, or on another, would."""

from __future__ import annotations

import asyncio
from collections.abc import Coroutine
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any, TypeVar

from browser import shelf
from fastapi import FastAPI
from starlette.testclient import TestClient

from keyturn.web.app import create_app
from keyturn.web.config import Config, Limits

T = TypeVar("T")
PORT = 8720
HERE = f"http://127.0.0.1:{PORT}"
OURS = {"origin": HERE}
LAN_NAME = "192.0.2.7"  # an address for documents (RFC 5737)
ON_LAN = f"http://{LAN_NAME}:{PORT}"
PHONE = "192.0.2.99"


def run(play: Coroutine[Any, Any, T]) -> T:
    """Run it in a thread of its own: the browser of other tests holds a loop in this one."""
    with ThreadPoolExecutor(1) as thread:
        return thread.submit(asyncio.run, play).result()


def app_on(tmp_path: Path, **config: Any) -> FastAPI:
    """An application on a shelf with the van."""
    root = tmp_path / "builds"
    if not root.exists():
        shelf(root, "van-roots")
    return create_app(Config(root, port=PORT, **config))


def lan_app(tmp_path: Path, limits: Limits = Limits()) -> FastAPI:  # noqa: B008
    return app_on(tmp_path, lan=True, hosts=(LAN_NAME, "bench.local"), limits=limits)


def local(app: FastAPI, **settings: Any) -> TestClient:
    """This very computer."""
    return TestClient(app, base_url=HERE, client=("127.0.0.1", 50000), **settings)


def phone(app: FastAPI, address: str = PHONE, **settings: Any) -> TestClient:
    """Another device on the network."""
    settings.setdefault("follow_redirects", False)
    return TestClient(app, base_url=ON_LAN, client=(address, 50000), **settings)


def paired(app: FastAPI) -> TestClient:
    """A phone that has typed the right code."""
    asker = phone(app)
    code = app.state.pairing.show()
    answer = asker.post("/api/door", json={"code": code.digits}, headers={"origin": ON_LAN})
    assert answer.status_code == 200
    return asker
