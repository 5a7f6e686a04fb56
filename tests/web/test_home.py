"""Home: what stands in the way, and the page that follows the build and the journal."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from pathlib import Path
from typing import Any

from browser import EXAMPLES, Bench

from keyturn.build.edit import set_value
from keyturn.build.read import load
from keyturn.evidence.reading import Reading
from keyturn.tasks.check import check
from keyturn.tasks.home import glance

Tab = Callable[..., Any]


def a_reading(state: str, **more: Any) -> Reading:
    return Reading("rail-pressure", state, 300e3, 14e3, "300 kPa", **more)


def test_a_hold_point_is_passed_by_its_reading_only() -> None:
    build = load(EXAMPLES / "van-roots")
    result = check(build, samples=50)
    first = glance(build, result, ())
    assert first.hold_point == "first fire"
    assert "not read yet" in first.barriers[0].what and first.barriers[0].caution
    after = glance(build, result, (a_reading("key-on"),))
    assert after.hold_point == "first run above idle"
    for past in ("replaced", "withdrawn", "suspected"):
        taken = glance(build, result, (a_reading("key-on", status=past),))
        assert taken.hold_point == "first fire", past


def test_no_part_that_does_not_hold_is_passed_over() -> None:
    for name in ("van-roots", "pickup-screw", "kitcar-boost"):
        build = load(EXAMPLES / name)
        result = check(build, samples=100)
        doubtful = [row for row in result.headroom if row.verdict != "holds"]
        for readings in ((), tuple(map(a_reading, ("key-on", "idle", "held-speed")))):
            said = " ".join(f"{b.what} {b.words}" for b in glance(build, result, readings).barriers)
            missing = [row.part for row in doubtful if row.part.lower() not in said.lower()]
            assert not missing, (name, missing)


def test_a_short_part_stands_between_although_all_was_read() -> None:
    build = load(EXAMPLES / "pickup-screw")
    result = check(build, samples=50)
    rows = tuple(
        dataclasses.replace(row, verdict="short") if row.part == "pump" else row
        for row in result.headroom
    )
    every = tuple(map(a_reading, ("key-on", "idle", "held-speed", "full-load")))
    found = glance(build, dataclasses.replace(result, headroom=rows), every)
    assert [b.base for b in found.barriers if "short" in b.what] == ["pump"]


def test_home_follows_an_edit_from_elsewhere(tab: Tab, bench: Bench) -> None:
    page = tab()
    page.goto("/car/pickup-screw/home")
    page.wait_for_selector("#answer .stamp.holds", timeout=30_000)
    set_value(Path(bench.root) / "pickup-screw", "pump.flow", "60 L/h")
    page.wait_for_selector("#answer .stamp:not(.holds)", timeout=30_000)


def test_a_build_with_a_fault_says_where(tab: Tab, bench: Bench) -> None:
    file = bench.root / "pickup-screw" / "build.toml"
    text = file.read_text(encoding="utf-8").replace('place = "rail"', 'place = "roof"')
    file.write_text(text, encoding="utf-8")
    page = tab()
    page.goto("/car/pickup-screw/home")
    page.locator("#answer").get_by_role("link", name="regulator.place").click()
    page.wait_for_selector("body[data-ready=yes]")
    box = page.locator("[id='v-regulator.place']")
    assert box.is_visible()
    box.select_option("rail")
    page.wait_for_function("() => document.getElementById('broken').hidden")
    assert load(file.parent).regulator.place == "rail"
