"""Nothing typed is lost: offline in the middle, a reload, a restart of the server, two tabs."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import httpx
from browser import DESK, PHONE, Bench, narrow_targets, picture, violations

Tab = Callable[..., Any]
FIND = "/car/van-roots/find"


def begin(page: Any, number: str) -> None:
    """The number of a key-on rail pressure, by the keyboard, not yet done."""
    page.get_by_role("button", name="Enter a reading").click()
    page.locator('[data-words="rail pressure, key on"]').click()
    page.get_by_role("button", name="psi", exact=True).click()
    page.locator("#value").fill(number)


def stored(bench: Bench, car: str = "van-roots") -> list[str]:
    """What the journal holds, as typed."""
    rows = httpx.get(f"{bench.url}/api/car/{car}/read", timeout=60).json()["readings"]
    return [row["typed"] for row in rows]


def test_offline_in_the_middle_of_typing_and_back(tab: Tab, bench: Bench) -> None:
    page = tab(PHONE)
    page.goto(FIND)
    begin(page, "44")
    page.reload()  # nothing was sent: the draft is offered again
    card = page.locator("#outbox")
    card.get_by_text("Unfinished reading (44)").wait_for()
    assert "on this device, not in the journal" in card.inner_text()
    card.get_by_role("button", name="Go on with it").click()
    assert page.locator("#value").input_value() == "44"
    page.context.set_offline(True)
    page.get_by_role("button", name="Done").click()
    page.locator("#outbox", has_text="44 psi").wait_for()
    assert "not in the journal" in page.locator("#outbox").inner_text()
    assert stored(bench) == []
    assert violations(page) == []
    assert narrow_targets(page) == []
    picture(page, "find-phone-offline", whole=False)
    page.context.set_offline(False)
    page.locator("#outbox .card").wait_for(state="detached")
    assert stored(bench) == ["44 psi"]
    page.locator("#readings", has_text="44 psi").wait_for()


def test_the_outbox_outlives_reload_and_restart_and_two_tabs_send_once(
    tab: Tab, bench: Bench
) -> None:
    page = tab(DESK)
    page.goto(FIND)
    bench.stop()
    begin(page, "43")
    page.get_by_role("button", name="Done").click()
    page.locator("#outbox", has_text="43 psi").wait_for()
    bench.start()
    first, second = page, tab(DESK, page.context)
    second.goto(FIND)
    first.reload()
    for each in (first, second):
        each.locator("#readings", has_text="43 psi").wait_for()
        each.locator("#outbox .card").wait_for(state="detached")
    assert stored(bench) == ["43 psi"]


def test_a_lost_answer_does_not_store_twice(tab: Tab, bench: Bench) -> None:
    page = tab(DESK)
    lost: list[int] = []

    def reach_but_lose(route: Any) -> None:
        if lost or route.request.method != "POST":
            route.continue_()
            return
        lost.append(route.fetch(timeout=60000).status)  # the server did it
        route.abort()  # and nobody heard of it

    page.route(re.compile(r"/api/car/van-roots/read$"), reach_but_lose)
    page.goto(FIND)
    begin(page, "42")
    page.get_by_role("button", name="Done").click()
    page.locator("#readings", has_text="42 psi").wait_for()
    page.locator("#outbox .card").wait_for(state="detached")
    assert lost == [200]
    assert stored(bench) == ["42 psi"]


def test_what_the_server_refuses_stays_in_sight(tab: Tab, bench: Bench) -> None:
    page = tab(DESK)
    page.goto(FIND)
    page.context.set_offline(True)
    begin(page, "4a4")
    # the first try has to be over: a refusal of it would be said in the form
    with page.expect_event("requestfailed", lambda sent: sent.method == "POST"):
        page.get_by_role("button", name="Done").click()
    page.locator("#outbox", has_text="4a4 psi").wait_for()
    page.context.set_offline(False)
    # tries grow apart up to a minute where the browser does not say that it is back
    page.locator("#outbox .fault").wait_for()
    page.locator("#outbox").get_by_role("button", name="Throw away").click()
    page.locator("#outbox .card").wait_for(state="detached")
    assert stored(bench) == []


def test_two_devices_see_one_journal(tab: Tab, bench: Bench) -> None:
    desk, phone = tab(DESK), tab(PHONE)
    desk.goto(FIND)
    phone.goto(FIND)
    begin(phone, "45")
    phone.get_by_role("button", name="Done").click()
    desk.locator("#readings", has_text="45 psi").wait_for()
    desk.locator("#age", has_text="from 1 reading,").wait_for()


def test_only_what_the_kind_needs_is_asked_and_each_tab_keeps_its_draft(
    tab: Tab, bench: Bench
) -> None:
    page = tab(PHONE)
    page.goto("/car/pickup-screw/find")
    begin(page, "40")
    assert page.locator("#entry-asks input, #entry-asks button").count() == 0
    page.get_by_role("button", name="Close").click()
    other = tab(PHONE, page.context)
    other.goto("/car/pickup-screw/find")
    other.get_by_role("button", name="Go on with it").wait_for()  # offered, not taken
    page.reload()
    page.get_by_role("button", name="Go on with it").click()
    assert page.locator("#value").input_value() == "40"
    page.get_by_role("button", name="Back").click()
    page.locator('[data-words="rail pressure, idle"]').click()
    page.locator("#value").fill("36")
    page.get_by_role("button", name="Done").click()
    page.locator("#entry-fault", has_text="hose").wait_for()  # the pickup's regulator has one
    page.get_by_role("button", name="Hose on").click()
    assert page.locator("#value").input_value() == "36"
    page.get_by_role("button", name="Done").click()
    page.locator("#readings", has_text="hose on").wait_for()
    assert stored(bench, "pickup-screw") == ["36 psi"]
