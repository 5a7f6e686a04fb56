"""Helpers of the browser tests: a server on a folder of invented builds, pictures, axe-core."""

from __future__ import annotations

import shutil
import socket
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import keyturn

EXAMPLES = Path(keyturn.__file__).parent / "examples"
ARTEFACTS = Path(__file__).parents[2] / "artefacts" / "browser"
DESK, PHONE = {"width": 1440, "height": 900}, {"width": 390, "height": 844}
CHROMIUM = next((p for n in ("chromium", "chromium-browser") if (p := shutil.which(n))), None)


@dataclass
class Bench:
    """One server of its own on ``root``; `stop` and `start` keep the port."""

    root: Path
    port: int
    outside: list[str] = field(default_factory=list)  # requests that left for another host
    lan: bool = False
    _server: Any = None
    _thread: threading.Thread | None = None

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def start(self) -> None:
        from keyturn.web.config import Config
        from keyturn.web.run import server

        self._server = server(Config(self.root, port=self.port, lan=self.lan))
        self._thread = threading.Thread(target=self._server.run, daemon=True)
        self._thread.start()
        deadline = time.monotonic() + 20
        while not self._server.started:
            assert time.monotonic() < deadline, "the server did not start"
            time.sleep(0.02)

    def stop(self) -> None:
        if self._server is not None and self._thread is not None:
            self._server.should_exit = True
            self._thread.join(10)


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def shelf(folder: Path, *examples: str) -> Path:
    """A folder of builds, each a copy of an example."""
    for name in examples:
        shutil.copytree(EXAMPLES / name, folder / name)
    return folder


READY = "body[data-ready=yes]"


def go(page: Any, address: str) -> Any:
    """The page, once its script has taken hold of it."""
    page.goto(address)
    page.wait_for_selector(READY)
    return page


def reloaded(page: Any) -> None:
    page.reload()
    page.wait_for_selector(READY)


def downloaded(page: Any, link: str) -> bytes:
    """What a link of that name hands out."""
    with page.expect_download() as coming:
        page.get_by_role("link", name=link).click()
    return Path(coming.value.path()).read_bytes()


def picture(page: Any, name: str, *, whole: bool = True) -> Path:
    """A screenshot kept as an artefact of the tests."""
    ARTEFACTS.mkdir(parents=True, exist_ok=True)
    target = ARTEFACTS / f"{name}.png"
    page.screenshot(path=target, full_page=whole)
    return target


def violations(page: Any) -> list[str]:
    """What axe-core (Deque, MPL-2.0) finds wrong on the page as it stands."""
    import axe_playwright_python

    script = Path(axe_playwright_python.__file__).parent / "axe.min.js"
    page.evaluate(script.read_text(encoding="utf-8"))
    found = page.evaluate("async () => (await axe.run()).violations")
    return [f"{row['id']}: {node['target']}" for row in found for node in row["nodes"]]


def narrow_targets(page: Any, least: float = 44.0) -> list[str]:
    """Controls that are smaller than a finger: lower or narrower than ``least`` px."""
    return list(
        page.evaluate(
            """least => [...document.querySelectorAll(
                 'button, .button, nav a, .foot a, select, summary, ' +
                 'input:not([type=checkbox], [type=radio])')]
               .filter(e => e.checkVisibility())
               .filter(e => { const b = e.getBoundingClientRect();
                 return b.height < least - 0.5 || b.width < least - 0.5; })
               .map(e => e.outerHTML.slice(0, 90))""",
            least,
        )
    )
