"""The frame of every page in a real browser: at both sizes, with axe-core."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from browser import DESK, PHONE, Bench, narrow_targets, violations

from conftest import tabs

Tab = Callable[..., Any]


@pytest.mark.parametrize("size", [DESK, PHONE], ids=["desk", "phone"])
def test_the_first_page_opens_without_fault(one_tab: Tab, size: dict[str, int]) -> None:
    page = one_tab(size)
    page.goto("/")
    assert page.get_by_role("link", name="van-roots").is_visible()
    assert violations(page) == []
    assert narrow_targets(page) == []


PAGES = ("home", "parts", "check", "find", "make", "drive", "choose", "papers")


def at_rest(page: Any) -> None:
    """The page has what it fetches after its first picture."""
    page.wait_for_load_state("load")
    page.wait_for_function("() => !document.querySelector('[aria-busy=true], #answer > .working')")


@pytest.mark.parametrize("size", [DESK, PHONE], ids=["desk", "phone"])
def test_at_the_end_of_a_page_nothing_is_covered(one_tab: Tab, size: dict[str, int]) -> None:
    """Bars that stay in place under the thumb leave room below what they lie on.

    Each page as it first comes; what it shows after that is looked at beside its own tests.
    """
    page = one_tab(size)
    for path in ("/", "/door", *(f"/car/pickup-screw/{word}" for word in PAGES)):
        page.goto(path)
        at_rest(page)
        covered = page.evaluate(
            """() => { scrollTo(0, document.documentElement.scrollHeight);
                 return [...document.querySelectorAll('.foot a')].filter((link) => {
                   const box = link.getBoundingClientRect();
                   return !link.contains(document.elementFromPoint(
                     box.x + box.width / 2, box.y + box.height - 2));
                 }).length + 10 * !document.querySelector('.foot a'); }"""
        )
        assert covered == 0, path
        wide = page.evaluate("document.documentElement.scrollWidth - innerWidth")
        assert wide <= 0, f"{path} is wider than the screen"
        assert violations(page) == [], path
        assert narrow_targets(page) == [], path


def test_no_page_asks_any_other_host(one_tab: Tab, one_bench: Bench) -> None:
    asked: list[str] = []
    page = one_tab(DESK)
    page.on("request", lambda request: asked.append(request.url))
    for path in ("/", "/door", *(f"/car/van-roots/{word}" for word in PAGES)):
        page.goto(path)
        at_rest(page)
    assert len(asked) > 2 * len(PAGES)
    assert [url for url in asked if not url.startswith((one_bench.url, "data:", "blob:"))] == []


def test_a_request_to_another_host_would_be_seen(chromium: Any, one_bench: Bench) -> None:
    """The control of every browser test: what leaves for elsewhere is blocked and makes it fail."""
    opening = tabs(chromium, one_bench)
    page = next(opening)(DESK, bypass_csp=True)
    page.goto("/")
    page.evaluate("fetch('https://other.example/x').catch(() => 0)")
    with pytest.raises(AssertionError, match="other hosts"):
        next(opening)
    one_bench.outside.clear()
