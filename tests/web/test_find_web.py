"""From a reading to a cause to the next test, in a real browser."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import httpx
from browser import DESK, PHONE, Bench, narrow_targets, picture, violations

Tab = Callable[..., Any]
FIND = "/car/van-roots/find"
LOW = "31 psi"  # about 8 psi below what the van expects with the key on


def store(bench: Bench, value: str, token: str, **said: str) -> httpx.Response:
    """One reading through the JSON twin."""
    body = {"kind": "rail-pressure", "state": "key-on", "value": value, "token": token, **said}
    return httpx.post(f"{bench.url}/api/car/van-roots/read", json=body,
                      headers={"origin": bench.url}, timeout=60)  # fmt: skip


def taps(page: Any, number: str) -> None:
    """A number by the pad."""
    for digit in number:
        page.locator("#pad").get_by_role("button", name=digit, exact=True).tap()


def settled(page: Any) -> None:
    """The answer is about what was read."""
    page.wait_for_selector('#found[data-current="yes"]')
    page.wait_for_selector('#answer[aria-busy="false"]')


def test_a_reading_to_a_cause_to_the_next_test_on_the_phone(tab: Tab, bench: Bench) -> None:
    for number, (value, state) in enumerate((("30 psi", "idle"), ("31 psi", "cranking"))):
        said = {"reference": "off"} if state == "idle" else {}
        assert store(bench, value, f"token-00{number}", state=state, **said).status_code == 200
    page = tab(PHONE)
    page.goto(FIND)
    page.get_by_role("button", name="Enter a reading").tap()
    picture(page, "find-phone-pick", whole=False)
    page.locator('[data-words="rail pressure, key on"]').tap()
    page.get_by_role("button", name="psi", exact=True).tap()
    page.locator("#entry-should", has_text="psi").wait_for()
    picture(page, "find-phone-pad", whole=False)
    assert violations(page) == []
    assert narrow_targets(page) == []
    taps(page, "31.5")
    page.get_by_role("button", name="Done").tap()
    page.wait_for_selector("dialog", state="hidden")
    page.get_by_text("31.5 psi").first.wait_for()
    settled(page)
    assert page.locator(".causes > li").count() >= 1
    twin = httpx.get(f"{bench.url}/api/car/van-roots/find", timeout=60).json()
    assert twin["schema"] == "keyturn.find.v1"
    assert abs(sum(row["p"] for row in twin["causes"]) - 1.0) < 0.01
    assert "from 3 readings" in page.locator("#age").inner_text()
    test = page.locator("[data-test]").first
    name = test.get_attribute("data-test")
    picture(page, "find-phone")
    assert violations(page) == []
    assert narrow_targets(page) == []
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    test.tap()
    sheet = json.loads(page.locator("#sheet").inner_text())
    words = next(row["words"] for row in sheet["buttons"] if row["test"] == name)
    assert page.locator("#entry-title").inner_text() == words


def test_a_slip_is_asked_aloud_and_all_goes_by_the_keyboard(tab: Tab, bench: Bench) -> None:
    page = tab(DESK)
    page.goto(FIND)
    page.locator("#enter").focus()
    page.keyboard.press("Enter")
    page.locator('[data-words="rail pressure, key on"]').focus()
    page.keyboard.press("Enter")
    page.get_by_role("button", name="psi", exact=True).focus()
    page.keyboard.press("Enter")
    page.keyboard.type("3.4")  # the number has the focus already; 3.4 bar is about 49 psi
    page.keyboard.press("Enter")
    other = page.get_by_role("button", name="It was 3.4 bar").first
    other.wait_for()
    assert "kept apart" in page.locator("#asked-words").inner_text()
    assert violations(page) == []
    page.keyboard.press("Escape")  # not decided now: the list asks it again
    page.wait_for_function("document.activeElement.id === 'enter'")
    page.locator("#readings").get_by_role("button", name="It was 3.4 bar").focus()
    # the list is drawn anew: the focus stays on that answer and does not go to the other one
    page.evaluate("document.getElementById('listed').dataset.drawn = 'before'")
    page.evaluate("document.dispatchEvent(new Event('stored'))")
    page.wait_for_selector("#listed:not([data-drawn])")
    assert page.evaluate("document.activeElement.textContent") == "It was 3.4 bar"
    page.keyboard.press("Enter")
    page.locator("#readings", has_text="in place of 1").wait_for()
    for number, state in enumerate(("cranking", "idle")):
        said = {"reference": "off"} if state == "idle" else {}
        assert store(bench, "30 psi", f"keys-000{number}", state=state, **said).status_code == 200
    page.locator("#age", has_text="from 3 readings").wait_for()
    settled(page)
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    for look in ("light", "dark", "sun"):
        page.evaluate("look => { document.documentElement.dataset.look = look; }", look)
        picture(page, f"find-desk-{look}")
        assert violations(page) == []
    assert narrow_targets(page) == []


def test_an_older_answer_is_marked_and_never_painted_over_a_newer_one(
    tab: Tab, bench: Bench
) -> None:
    assert store(bench, "40 psi", "older-0001").status_code == 200
    page = tab(DESK)
    page.goto(FIND)
    settled(page)
    turn = page.locator("#found").get_attribute("data-turn")
    old = httpx.get(f"{bench.url}{FIND}/answer", timeout=60).text
    page.route("**/find/answer", lambda route: route.abort())
    assert store(bench, "39 psi", "older-0002", state="cranking").status_code == 200
    page.locator("#age", has_text="older, being worked out anew").wait_for()
    page.unroute("**/find/answer")
    page.evaluate("document.dispatchEvent(new Event('linked'))")
    page.locator("#age", has_text="from 2 readings").wait_for()
    assert page.locator("#found").get_attribute("data-turn") > turn
    # an answer that was under way too long comes last: it is not taken
    page.route("**/find/answer", lambda route: route.fulfill(body=old, content_type="text/html"))
    page.evaluate("document.dispatchEvent(new Event('stored'))")
    page.wait_for_timeout(800)
    assert "from 2 readings" in page.locator("#age").inner_text()


def test_the_json_twin_refuses_what_is_not_asked(bench: Bench) -> None:
    assert store(bench, "40 psi", "twin-00001").status_code == 200
    assert store(bench, "40 psi", "twin-00002", colour="red").status_code == 422
    assert store(bench, "40 psi", "short").status_code == 422
    again = store(bench, "41 psi", "twin-00001")  # another reading under a token that is taken
    assert again.status_code == 422
    same = store(bench, "40 psi", "twin-00001")
    assert same.json()["reading"]["id"] == 1
    rows = httpx.get(f"{bench.url}/api/car/van-roots/read", timeout=60).json()["readings"]
    assert len(rows) == 1
