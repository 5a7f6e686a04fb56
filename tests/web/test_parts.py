"""Parts in a real browser: typing, faults at the field, the drawing, undo, two tabs, no server."""

from __future__ import annotations

import re
import time
from collections.abc import Callable
from typing import Any

import pytest
from browser import DESK, PHONE, Bench, go, narrow_targets, picture, reloaded, violations

from keyturn.build.read import load

Tab = Callable[..., Any]
EXPECT = 5000  # ms


def opened(page: Any, *tables: str, car: str = "pickup-screw") -> Any:
    go(page, f"/car/{car}/parts")
    for base in tables:
        page.locator(f"[id='t-{base}']").evaluate("box => { box.open = true; }")
    return page


def field(page: Any, key: str) -> Any:
    return page.locator(f"[id='v-{key}']")


def fault(page: Any, key: str) -> Any:
    return page.locator(f"[id='e-{key}']")


def chip(page: Any, key: str, words: str) -> None:
    page.wait_for_function(
        "([id, words]) => document.getElementById(id).textContent.includes(words)",
        arg=[f"s-{key}", words], timeout=EXPECT,
    )  # fmt: skip


def text_of(bench: Bench, car: str = "pickup-screw") -> str:
    return (bench.root / car / "build.toml").read_text(encoding="utf-8")


def test_a_wrong_unit_is_said_at_its_field_while_typing(one_tab: Tab, one_bench: Bench) -> None:
    page = opened(one_tab(), "wiring")
    before = text_of(one_bench)
    field(page, "wiring.length").fill("8 bar")
    fault(page, "wiring.length").wait_for(state="visible")
    words = fault(page, "wiring.length").inner_text()
    assert "unit" in words and "m, ft" in words
    assert field(page, "wiring.length").get_attribute("aria-invalid") == "true"
    described = field(page, "wiring.length").get_attribute("aria-describedby")
    assert "e-wiring.length" in described
    field(page, "wiring.length").press("Enter")
    page.wait_for_timeout(300)
    assert text_of(one_bench) == before


def test_an_edit_is_drawn_while_typing_and_keeps_the_comments(tab: Tab, bench: Bench) -> None:
    page = opened(tab(), "feed.4")
    before = text_of(bench).splitlines()
    assert "3.4 m" in page.locator("#drawing-wide").inner_html()
    field(page, "feed.4.length").fill("2.5 m")
    page.wait_for_function(
        "() => document.getElementById('drawing-wide').textContent.includes('2.5 m')"
    )
    assert text_of(bench).splitlines() == before, "nothing is written while typing"
    field(page, "feed.4.length").press("Tab")
    chip(page, "feed.4.length", "in the build")
    after = text_of(bench).splitlines()
    changed = [(a, b) for a, b in zip(before, after, strict=True) if a != b]
    assert changed == [('length = "3.4 m"', 'length = "2.5 m"')]
    line = load(bench.root / "pickup-screw").feed[1].length
    assert line is not None and line.si == pytest.approx(2.5)


def test_grade_spread_and_source_make_the_long_form(tab: Tab, bench: Bench) -> None:
    page = opened(tab(), "wiring")
    box = page.locator(".field[data-key='wiring.contacts']")
    box.locator("summary").click()
    box.locator(".grade").select_option("hearsay")
    box.locator(".spread").fill("4 mohm")
    box.locator(".source").fill("neighbour's meter")
    box.locator(".source").press("Tab")
    page.get_by_role("button", name="Undo: wiring.contacts set").wait_for()
    until = time.monotonic() + 5
    while "neighbour" not in text_of(bench) and time.monotonic() < until:
        page.wait_for_timeout(50)
    found = re.search(r"^contacts = .*$", text_of(bench), re.M)
    assert found is not None
    assert found[0] == (
        'contacts = {value = "10 mohm", grade = "hearsay", spread = "4 mohm",'
        ' source = "neighbour\'s meter"}'
    )


def test_undo_survives_a_reload_and_a_restart(tab: Tab, bench: Bench) -> None:
    page = opened(tab(), "wiring")
    before = text_of(bench)
    field(page, "wiring.length").fill("6 m")
    field(page, "wiring.length").press("Enter")
    chip(page, "wiring.length", "in the build")
    bench.stop()
    bench.start()
    reloaded(page)
    page.get_by_role("button", name="Undo: wiring.length set").click()
    page.get_by_role("button", name="Redo: wiring.length set").wait_for()
    assert text_of(bench) == before
    assert field(page, "wiring.length").input_value() == "9.5 m"
    page.get_by_role("button", name="Redo: wiring.length set").click()
    page.get_by_role("button", name="Undo: wiring.length set").wait_for()
    assert 'length = "6 m"' in text_of(bench)


def test_undo_of_what_was_overwritten_since_says_so(tab: Tab, bench: Bench) -> None:
    page = opened(tab(), "wiring")
    field(page, "wiring.length").fill("6 m")
    field(page, "wiring.length").press("Enter")
    chip(page, "wiring.length", "in the build")
    file = bench.root / "pickup-screw" / "build.toml"
    file.write_text(text_of(bench).replace('length = "6 m"', 'length = "7 m"'), encoding="utf-8")
    page.get_by_role("button", name="Undo: wiring.length set").click()
    page.locator("#says").get_by_text("was changed again since").wait_for()
    assert 'length = "7 m"' in text_of(bench)


def test_two_tabs_a_stale_edit_is_shown_and_not_written(tab: Tab, bench: Bench) -> None:
    first = opened(tab(), "wiring")
    second = opened(tab(PHONE), "wiring")
    second.route("**/live", lambda route: route.abort())  # a phone that hears nothing for a while
    reloaded(second)
    second.locator("[id='t-wiring']").evaluate("box => { box.open = true; }")
    field(second, "wiring.length").fill("5 m")
    field(first, "wiring.length").fill("6 m")
    field(first, "wiring.length").press("Enter")
    chip(first, "wiring.length", "in the build")
    field(second, "wiring.length").press("Enter")
    fault(second, "wiring.length").get_by_text("Changed meanwhile").wait_for()
    words = fault(second, "wiring.length").inner_text()
    assert "6 m" in words and "5 m" in words
    assert 'length = "6 m"' in text_of(bench)
    picture(second, "parts-phone-stale", whole=False)
    second.get_by_role("button", name="Write what I typed").click()
    chip(second, "wiring.length", "in the build")
    assert 'length = "5 m"' in text_of(bench)


def test_different_keys_of_two_tabs_are_both_kept(tab: Tab, bench: Bench) -> None:
    first, second = opened(tab(), "wiring"), opened(tab(), "engine")
    field(first, "wiring.length").fill("6 m")
    field(second, "engine.idle").fill("900 rpm")
    field(first, "wiring.length").press("Enter")
    chip(first, "wiring.length", "in the build")
    field(second, "engine.idle").press("Enter")
    chip(second, "engine.idle", "in the build")
    assert 'length = "6 m"' in text_of(bench) and 'idle = "900 rpm"' in text_of(bench)
    # and each tab comes to show what the other wrote, without a reload
    first.wait_for_function("() => document.getElementById('v-engine.idle').value === '900 rpm'")


def test_a_reload_while_typing_loses_nothing(tab: Tab, bench: Bench) -> None:
    page = opened(tab(), "wiring")
    field(page, "wiring.length").press_sequentially("x")
    field(page, "wiring.length").fill("4.5 m")
    reloaded(page)
    assert field(page, "wiring.length").input_value() == "4.5 m"
    chip(page, "wiring.length", "on this device")
    assert 'length = "9.5 m"' in text_of(bench), "a draft is not sent by itself"
    assert "wiring.length" in page.locator("#unsent").inner_text()
    page.get_by_role("button", name="Send to the build").click()
    chip(page, "wiring.length", "in the build")
    assert 'length = "4.5 m"' in text_of(bench)


def test_without_a_server_what_is_typed_stays_and_is_sent_when_the_user_says_so(
    tab: Tab, bench: Bench
) -> None:
    page = opened(tab(PHONE), "wiring")
    bench.stop()
    field(page, "wiring.length").fill("3 m")
    field(page, "wiring.length").press("Enter")
    page.locator("#unsent").wait_for(state="visible")
    chip(page, "wiring.length", "on this device")
    picture(page, "parts-phone-offline", whole=False)
    bench.start()
    page.wait_for_timeout(200)
    assert 'length = "9.5 m"' in text_of(bench)
    page.get_by_role("button", name="Send to the build").click()
    chip(page, "wiring.length", "in the build")
    assert 'length = "3 m"' in text_of(bench)


def test_a_part_of_the_line_is_added_moved_taken_out_and_brought_back(
    tab: Tab, bench: Bench
) -> None:
    page = opened(tab(), "feed.5")
    before = text_of(bench)
    with page.expect_navigation():
        page.get_by_role("button", name="Move filter earlier").click()
    kinds = [part.kind for part in load(bench.root / "pickup-screw").feed]
    assert kinds == ["check-valve", "filter", "tube", "fitting"]
    page.wait_for_selector("body[data-ready=yes]")
    page.locator("[data-add=feed]").select_option("hose")
    with page.expect_navigation():
        page.get_by_role("button", name="Add to: line from tank to rail").click()
    page.wait_for_selector("body[data-ready=yes]")
    assert load(bench.root / "pickup-screw").feed[-1].kind == "hose"
    assert "# from the tank to the rail; the pump hangs in the tank" in text_of(bench)
    for _ in range(2):
        with page.expect_navigation():
            page.locator("#undo").click()
        page.wait_for_selector("body[data-ready=yes]")
    assert [line for line in text_of(bench).splitlines() if line] == [
        line for line in before.splitlines() if line
    ]


def test_a_table_is_typed_row_by_row(tab: Tab, bench: Bench) -> None:
    page = opened(tab(), "pump", car="van-roots")
    page.get_by_label("pump.flow, row 1, left column").fill("300 kPa")
    page.get_by_label("pump.flow, row 1, right column").fill("170 L/h")
    fault(page, "pump.flow").get_by_text("not a table of pairs").wait_for()  # one row is no table
    page.get_by_role("button", name="Add a row to pump.flow").click()
    page.get_by_label("pump.flow, row 2, left column").fill("500 kPa")
    page.get_by_label("pump.flow, row 2, right column").fill("130 L/h")
    page.get_by_label("pump.flow, row 2, right column").press("Tab")
    # the spread of the single number was a flow; that of a table is a share, and this is said
    fault(page, "pump.flow").get_by_text("15 L/h").wait_for()
    page.locator("[id='p-pump.flow']").fill("20 %")
    page.locator("[id='p-pump.flow']").press("Enter")
    chip(page, "pump.flow", "in the build")
    curve = load(bench.root / "van-roots").pump.curve
    assert curve.y == pytest.approx((170 / 3.6e6, 130 / 3.6e6))


def test_a_row_that_is_half_typed_is_kept_and_not_refused(tab: Tab, bench: Bench) -> None:
    page = opened(tab(), "pump")
    before = text_of(bench)
    page.get_by_role("button", name="Add a row to pump.flow").click()
    rows = page.locator(".field[data-key='pump.flow'] .pair").count()
    left = page.get_by_label(f"pump.flow, row {rows}, left column")
    left.fill("900 kPa")
    left.press("Tab")
    page.get_by_text(f"Row {rows} lacks a column").wait_for()
    page.wait_for_timeout(500)  # longer than the hand rests before what is typed is tried
    assert not fault(page, "pump.flow").is_visible()
    assert text_of(bench) == before
    page.get_by_label(f"pump.flow, row {rows}, right column").fill("20 L/h")
    page.get_by_label(f"pump.flow, row {rows}, right column").press("Tab")
    chip(page, "pump.flow", "in the build")
    assert '"900 kPa", "20 L/h"' in text_of(bench)


def test_an_unusual_value_is_taken_when_it_is_really_so(tab: Tab, bench: Bench) -> None:
    page = opened(tab(), "regulator")
    field(page, "regulator.set").fill("90 kPa")
    button = page.get_by_role("button", name="It is really so")
    button.wait_for()
    button.click()
    chip(page, "regulator.set", "in the build")
    assert "confirmed = true" in text_of(bench)


def test_a_part_of_the_drawing_leads_to_its_fields(one_tab: Tab) -> None:
    page = opened(one_tab(PHONE))
    page.locator("#drawing-narrow [data-to='regulator']").click()
    assert field(page, "regulator.set").is_visible()
    assert page.evaluate("document.activeElement.closest('.table').id") == "t-regulator"


def test_by_keyboard_alone(tab: Tab, bench: Bench) -> None:
    page = opened(tab())
    page.locator(".numbers a").nth(2).focus()
    page.keyboard.press("Enter")  # number 3, the pump
    for _ in range(60):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.id") == "v-pump.at_voltage":
            break
    page.keyboard.press("Control+A")
    page.keyboard.type("13.2 V")
    page.keyboard.press("Enter")
    chip(page, "pump.at_voltage", "in the build")
    assert 'at_voltage = "13.2 V"' in text_of(bench)


@pytest.mark.parametrize(
    ("size", "name", "look"),
    [(DESK, "desk", "light"), (PHONE, "phone", "light"), (DESK, "desk-dark", "dark"),
     (PHONE, "phone-sun", "sun")],
    ids=["desk", "phone", "dark", "sun"],
)  # fmt: skip
def test_the_page_is_fit_for_hands_and_screen_readers(
    one_tab: Tab, size: dict[str, int], name: str, look: str
) -> None:
    page = one_tab(size)
    page.goto("/")
    page.evaluate("look => { document.cookie = `look=${look}; path=/`; }", look)
    opened(page, "pump", "feed.3", "priors")
    field(page, "pump.at_voltage").fill("13 bar")
    fault(page, "pump.at_voltage").wait_for(state="visible")
    assert violations(page) == []
    assert narrow_targets(page) == []
    wide = page.evaluate("document.documentElement.scrollWidth - innerWidth")
    assert wide <= 0, "the page is wider than the screen"
    page.evaluate("scrollTo(0, 0)")
    picture(page, f"parts-{name}")
