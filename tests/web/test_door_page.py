"""The door in a real browser: a phone pairs by typing or by the QR code, and is turned out."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from browser import DESK, PHONE, Bench, free_port, narrow_targets, picture, shelf, violations

from conftest import tabs


@pytest.fixture(scope="module")
def lan_bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    """A server that lets others in; what passes on for others counts as one of them."""
    root = shelf(tmp_path_factory.mktemp("door") / "builds", "van-roots")
    made = Bench(root, free_port(), lan=True)
    made.start()
    yield made
    made.stop()


@pytest.fixture
def lan_tab(chromium: Any, lan_bench: Bench) -> Iterator[Callable[..., Any]]:
    yield from tabs(chromium, lan_bench)


ELSEWHERE = {"extra_http_headers": {"x-forwarded-for": "192.0.2.99"}}


def clean(page: Any, name: str) -> None:
    for look in ("light", "dark", "sun"):
        page.evaluate("look => { document.documentElement.dataset.look = look }", look)
        assert violations(page) == []
    page.evaluate("document.documentElement.dataset.look = 'light'")
    assert narrow_targets(page) == []
    picture(page, name)


@pytest.mark.parametrize("size", [DESK, PHONE], ids=["desk", "phone"])
def test_the_owner_sees_code_and_drawing(lan_tab: Any, size: dict[str, int]) -> None:
    page = lan_tab(size)
    page.goto("/door")
    first = page.locator(".code").inner_text()
    box = page.locator(".qr svg").bounding_box()
    assert box["width"] >= 200 and abs(box["width"] - box["height"]) < 2
    clean(page, f"door-owner-{size['width']}")
    page.get_by_role("button", name="Make a new code").click()
    page.wait_for_function("old => document.querySelector('.code').innerText !== old", arg=first)


def test_a_phone_types_the_code_and_comes_where_it_wanted(lan_tab: Any, lan_bench: Bench) -> None:
    app: Any = lan_bench._server.config.app
    page = lan_tab(PHONE, **ELSEWHERE)
    page.goto("/car/van-roots/home")
    assert page.url.endswith("/door?then=/car/van-roots/home")
    page.get_by_label("Code").fill("0000 0000")
    clean(page, "door-phone")
    page.keyboard.press("Enter")
    page.get_by_role("alert").get_by_text("that is not the code").wait_for()
    code = app.state.pairing.show()
    page.keyboard.type(str(code))  # what was wrong is marked: typing replaces it
    page.keyboard.press("Enter")
    page.wait_for_url(f"{lan_bench.url}/car/van-roots/home")
    (cookie,) = [row for row in page.context.cookies() if row["name"].startswith("keyturn-")]
    assert cookie["httpOnly"] and cookie["sameSite"] == "Strict"
    assert cookie["value"] not in page.evaluate("document.cookie")
    owner = lan_tab(DESK)
    owner.goto("/door")
    assert owner.locator("li", has_text="127.0.0.1").is_visible()
    picture(owner, "door-owner-with-device")
    owner.get_by_role("button", name="Turn them all out").click()
    owner.get_by_text("None.").wait_for()
    page.goto("/car/van-roots/home")
    assert "/door?then=" in page.url


def test_the_drawing_pairs_by_itself_and_leaves_no_code_behind(
    lan_tab: Any, lan_bench: Bench
) -> None:
    app: Any = lan_bench._server.config.app
    code = app.state.pairing.show()
    page = lan_tab(PHONE, **ELSEWHERE)
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url.partition("#")[0]))
    page.goto(f"/door#{code.digits}")
    page.wait_for_url(f"{lan_bench.url}/")
    assert not [address for address in asked if code.digits in address]
    assert app.state.pairing.show().digits != code.digits


@pytest.mark.parametrize("then", ["//evil.example/", "https://evil.example/", "/\\evil.example",
                                  "javascript:alert(1)"])  # fmt: skip
def test_the_door_leads_to_our_own_pages_only(
    lan_tab: Any, lan_bench: Bench, then: str, tmp_path: Path
) -> None:
    app: Any = lan_bench._server.config.app
    page = lan_tab(PHONE, **ELSEWHERE)
    page.goto(f"/door?then={then}#{app.state.pairing.show().digits}")
    page.wait_for_url(f"{lan_bench.url}/")
