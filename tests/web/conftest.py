"""A running server on a folder of invented builds, and Debian's chromium that can reach only it."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).parent))
from browser import CHROMIUM, DESK, PHONE, Bench, free_port, shelf

# [ms] for a page to come or to show something: other tests share the machine, and what is wrong
# does not come later either
PATIENCE = 75_000


@pytest.fixture(scope="session")
def workers() -> Iterator[None]:
    """Held for the session: else each server that ends would take them along."""
    from keyturn.web.answers import cool, warm

    warm()
    yield
    cool()


@pytest.fixture
def bench(workers: None, tmp_path: Path) -> Iterator[Bench]:
    """A server on a shelf with the van and the pickup."""
    made = Bench(shelf(tmp_path / "builds", "van-roots", "pickup-screw"), free_port())
    made.start()
    yield made
    made.stop()


@pytest.fixture(scope="module")
def one_bench(workers: None, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    """The same for a whole file of tests that do not get into each other's way."""
    folder = tmp_path_factory.mktemp("one")
    made = Bench(shelf(folder / "builds", "van-roots", "pickup-screw"), free_port())
    made.start()
    yield made
    made.stop()


@pytest.fixture
def one_tab(chromium: Any, one_bench: Bench) -> Iterator[Callable[..., Any]]:
    yield from tabs(chromium, one_bench)


@pytest.fixture
def empty_bench(workers: None, tmp_path: Path) -> Iterator[Bench]:
    """A server on a folder with nothing in it."""
    (tmp_path / "builds").mkdir()
    made = Bench(tmp_path / "builds", free_port())
    made.start()
    yield made
    made.stop()


@pytest.fixture(scope="session")
def chromium() -> Iterator[Any]:
    """One browser process for the session."""
    if CHROMIUM is None:
        pytest.fail("chromium is not installed: the browser tests need it (see CONTRIBUTING.md)")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as machine:
        made = machine.chromium.launch(
            executable_path=CHROMIUM,
            args=["--no-sandbox", "--disable-gpu", "--disable-background-networking",
                  "--disable-component-update", "--disable-sync", "--disable-dev-shm-usage"],
        )  # fmt: skip
        yield made
        made.close()


@pytest.fixture
def tab(chromium: Any, bench: Bench) -> Iterator[Callable[..., Any]]:
    """``tab(size=PHONE)`` opens a page in a context of its own; faults in scripts fail the test."""
    yield from tabs(chromium, bench)


@pytest.fixture
def empty_tab(chromium: Any, empty_bench: Bench) -> Iterator[Callable[..., Any]]:
    yield from tabs(chromium, empty_bench)


def tabs(chromium: Any, on: Bench) -> Iterator[Callable[..., Any]]:
    contexts: list[Any] = []
    faults: list[str] = []

    def opened(size: dict[str, int] = DESK, context: Any = None, **said: Any) -> Any:
        if context is None:
            touch = {"has_touch": True, "is_mobile": True} if size is PHONE else {}
            context = chromium.new_context(
                viewport=size, base_url=on.url, reduced_motion="reduce", **touch, **said
            )
            context.route("**/*", lambda route: _let(route, on))
            context.set_default_timeout(PATIENCE)
            contexts.append(context)
        page = context.new_page()
        page.on("pageerror", lambda fault: faults.append(str(fault)))
        page.on(
            "console",
            lambda line: faults.append(line.text) if "Content Security" in line.text else None,
        )
        return page

    yield opened
    for context in contexts:
        context.close()
    assert not faults, faults
    assert not on.outside, f"requests to other hosts: {on.outside}"


def _let(route: Any, on: Bench) -> None:
    if route.request.url.startswith((on.url, "data:", "blob:")):
        route.continue_()
    else:
        on.outside.append(route.request.url)
        route.abort()
