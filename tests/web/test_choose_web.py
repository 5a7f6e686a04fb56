"""A purchase judged: started, watched, stopped, kept and marked when out of date."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import httpx
from browser import DESK, PHONE, Bench, narrow_targets, picture, violations

Tab = Callable[..., Any]
CHOOSE = "/car/pickup-screw/choose"


def test_a_purchase_is_judged(tab: Tab, bench: Bench) -> None:
    page = tab(DESK)
    page.goto(CHOOSE)
    page.get_by_role("button", name="Work it out").click()
    page.locator("#progress").wait_for()
    page.get_by_role("button", name="Stop").click()
    page.locator("#says", has_text="Stopped").wait_for(timeout=30000)
    assert page.locator("#found h2").count() == 0

    page.locator("#power").fill("300 horses")
    page.get_by_role("button", name="Work it out").click()
    page.locator("#power-fault", has_text="300 kW").wait_for()
    assert violations(page) == []
    page.locator("#power").fill("")
    page.get_by_role("button", name="Work it out").click()
    page.locator("#found figure").wait_for(timeout=120000)
    answer = httpx.get(f"{bench.url}/api/car/pickup-screw/choose", timeout=60).json()
    assert answer["stale"] is False
    assert answer["answer"]["schema"] == "keyturn.choose.v1"
    assert page.locator("#found ol > li").count() == len(answer["answer"]["frontier"])
    assert violations(page) == []
    assert narrow_targets(page) == []
    picture(page, "choose-desk")

    body = {"kind": "rail-pressure", "state": "key-on", "value": "44 psi", "token": "choose-001"}
    done = httpx.post(
        f"{bench.url}/api/car/pickup-screw/read", json=body, timeout=60,
        headers={"origin": bench.url},
    )  # fmt: skip
    assert done.status_code == 200
    page.locator("#age", has_text="stale").wait_for(timeout=30000)
    phone = tab(PHONE)
    phone.goto(CHOOSE)
    phone.locator("#age", has_text="stale").wait_for()
    assert violations(phone) == []
    assert narrow_targets(phone) == []
    assert phone.evaluate("document.documentElement.scrollWidth <= innerWidth")
    picture(phone, "choose-phone")
