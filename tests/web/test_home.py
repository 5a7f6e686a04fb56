"""Home: what stands in the way, and the page that follows the build and the journal."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from pathlib import Path
from typing import Any

from browser import EXAMPLES, Bench

from keyturn.build.edit import set_value
from keyturn.build.read import load
from keyturn.procedure.evidence import History, Override, Record
from keyturn.procedure.open_items import Item
from keyturn.procedure.stages import stages
from keyturn.tasks.check import check
from keyturn.tasks.home import glance

Tab = Callable[..., Any]


def test_a_hold_point_is_passed_by_its_evidence_only() -> None:
    build = load(EXAMPLES / "van-roots")
    result = check(build, samples=50)
    first = glance(build, result)
    assert first.hold_point == "first fire"
    assert "Assembly looked over" in first.barriers[0].what
    assert any(barrier.caution for barrier in first.barriers)
    fire = next(row for row in stages() if row.name == "first-fire")
    values = {"kill-plan": True, "oil-seconds": 4.0, "dry": True, "no-noise": True}
    passed = History(records=(Record(1, fire.name, 0.0, values),))
    assert glance(build, result, passed).hold_point == "first drive"
    failed = History(records=(Record(1, fire.name, 0.0, values | {"dry": False}),))
    assert glance(build, result, failed).hold_point == "first fire"


def test_an_open_item_and_an_override_are_said_on_home() -> None:
    build = load(EXAMPLES / "van-roots")
    result = check(build, samples=50)
    item = Item(1, "return hose loose", "fuel")
    word = Override(2, "fluids", "oil pressure was seen on the stand", 0.0)
    found = glance(build, result, History(items=(item,), overrides=(word,)))
    assert "return hose loose" in found.barriers[0].what
    assert word.reason in found.overridden[0]


def test_no_part_that_does_not_hold_is_passed_over() -> None:
    for name in ("van-roots", "pickup-screw", "kitcar-boost"):
        build = load(EXAMPLES / name)
        result = check(build, samples=100)
        doubtful = [row for row in result.headroom if row.verdict != "holds"]
        said = " ".join(f"{b.what} {b.words}" for b in glance(build, result).barriers)
        missing = [row.part for row in doubtful if row.part.lower() not in said.lower()]
        assert not missing, (name, missing)


def test_a_short_part_stands_between_before_the_first_fire() -> None:
    build = load(EXAMPLES / "pickup-screw")
    result = check(build, samples=50)
    rows = tuple(
        dataclasses.replace(row, verdict="short") if row.part == "pump" else row
        for row in result.headroom
    )
    found = glance(build, dataclasses.replace(result, headroom=rows))
    assert [b.base for b in found.barriers if "short" in b.what and b.base] == ["pump"]


def test_home_follows_an_edit_from_elsewhere(tab: Tab, bench: Bench) -> None:
    page = tab()
    page.goto("/car/pickup-screw/home")
    page.wait_for_selector("#answer .stamp.holds")
    set_value(Path(bench.root) / "pickup-screw", "pump.flow", "60 L/h")
    page.wait_for_selector("#answer .stamp:not(.holds)")


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
