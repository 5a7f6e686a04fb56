"""What else is done on page Drive, in a real browser: a climb, a closing, an override withdrawn."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from browser import DESK, PHONE, Bench, free_port, picture, shelf, violations

from conftest import tabs
from keyturn.journal.store import opened as book_of
from keyturn.tasks import ladder as ladder_task
from keyturn.tasks.steps_book import climbs

Tab = Callable[..., Any]
STEPS = "/api/car/pickup-screw/steps"
REASON = "seen on the stand last week, dry"


@pytest.fixture(scope="module")
def bench(workers: None, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    made = Bench(shelf(tmp_path_factory.mktemp("more") / "builds", "pickup-screw"), free_port())
    made.start()
    yield made
    made.stop()


@pytest.fixture
def drive_tab(chromium: Any, bench: Bench) -> Iterator[Tab]:
    yield from tabs(chromium, bench)


def on_drive(tab: Tab, size: dict[str, int]) -> Any:
    page = tab(size)
    page.set_default_timeout(60000)
    page.goto("/car/pickup-screw/drive")
    page.locator("#steps:not([aria-busy])").wait_for()
    page.locator("#ladder[aria-busy=false] #rungs").wait_for()
    return page


def sent(bench: Bench, path: str, **body: Any) -> None:
    answer = httpx.post(f"{bench.url}{STEPS}/{path}", json=body, timeout=60,
                        headers={"origin": bench.url})  # fmt: skip
    assert answer.status_code == 200, answer.text


def job(bench: Bench) -> Any:
    return httpx.get(f"{bench.url}{STEPS}", timeout=60).json()


def test_an_open_item_is_closed_by_thumb(drive_tab: Tab, bench: Bench) -> None:
    sent(bench, "items", token="item-of-ours", what="return hose loose", area="fuel")
    page = on_drive(drive_tab, PHONE)
    row = page.locator(".items li", has_text="return hose loose")
    row.get_by_role("button", name=re.compile("^Close item")).tap()
    row.locator("[data-fault]", has_text="How was it closed").wait_for()  # not without a word
    row.locator("[data-how]").fill("tightened to 18 N m and marked")
    row.get_by_role("button", name=re.compile("^Close item")).tap()
    page.locator("#closed summary", has_text="Closed: 1").wait_for()
    row.wait_for(state="detached")
    page.locator("#closed summary").tap()
    page.locator("#closed li", has_text="tightened to 18 N m and marked").wait_for()
    assert [(row["closed"], row["how"]) for row in job(bench)["open_items"]] == [
        (True, "tightened to 18 N m and marked")
    ]


def test_an_override_is_taken_back_and_stays_in_the_journal(drive_tab: Tab, bench: Bench) -> None:
    sent(bench, "override", token="override-of-ours", stage="fluids", reason=REASON)
    page = on_drive(drive_tab, DESK)
    page.locator(".always", has_text=REASON).wait_for()
    stage = page.locator("#s-fluids")
    if stage.evaluate("row => row.tagName") == "DETAILS":
        stage.locator("summary").first.click()
    stage.get_by_role("button", name="Take it back").click()
    page.locator("#says", has_text="stays in the journal").wait_for()
    # it is not hidden: the reason stays, with the word that it was taken back
    page.locator(".always", has_text=f"{REASON} (taken back later)").wait_for()
    assert [row["state"] for row in job(bench)["stages"] if row["name"] == "fluids"] != [
        "overridden"
    ]
    with book_of(bench.root / "pickup-screw") as book:
        assert any(REASON in str(entry.body) for entry in book.entries())


def driven(bench: Bench) -> Any:
    with book_of(Path(bench.root) / "pickup-screw") as book:
        return climbs(book)


def test_a_step_that_was_driven_is_recorded_clean_and_not(
    drive_tab: Tab, bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(ladder_task, "_barred", lambda plan, row: ())
    page = on_drive(drive_tab, PHONE)
    form = page.locator("form[data-climb=L0]")
    form.get_by_role("button", name="Record: L0").tap()
    form.locator("[data-fault]", has_text="Nothing is typed").wait_for()
    form.locator("#k-L0-rail-pressure").fill("313 kPa")
    form.locator("[data-field=nothing-new][value=yes]").check()
    assert form.locator("[data-chip]").is_visible()  # on this device, not recorded
    form.get_by_role("button", name="Record: L0").tap()
    page.locator("#l-L0 > summary .tag", has_text="clean").wait_for()
    page.locator(".climbs li", has_text="L0").first.wait_for()
    # the next one is open now, and what is wrong there is said and recorded
    form = page.locator("form[data-climb=L1]")
    form.locator("#k-L1-rail-pressure").fill("270 kPa")
    form.locator("#k-L1-pump-voltage").fill("13.4 V")
    form.locator("[data-field=nothing-new][value=no]").check()
    form.get_by_role("button", name="Record: L1").tap()
    page.locator("#says, #outbox", has_text="L1").first.wait_for()
    if page.get_by_role("button", name="It is right as typed").is_visible():
        page.get_by_role("button", name="It is right as typed").tap()
    page.locator(".climbs li", has_text="not so: no smell").wait_for()
    assert [(row.step, row.clean) for row in driven(bench)] == [("L0", True), ("L1", False)]
    assert violations(page) == []
    picture(page, "drive-phone-ladder")
