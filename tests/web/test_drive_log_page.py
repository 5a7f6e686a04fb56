"""Logs in a real browser: sent by thumb, columns, spikes found in the canvas, readings."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from browser import DESK, PHONE, Bench, narrow_targets, picture, violations
from drives import RATE, ROWS, drive_csv, long_log

from conftest import tabs
from keyturn.tasks.log import import_log
from keyturn.web.log_work import judge

Tab = Callable[..., Any]
CAR = "pickup-screw"
LOGS = f"/car/{CAR}/drive/logs"
SPIKE, LAST = 654_321, ROWS - 1
TOP, BOTTOM = 712.3, 12.3  # kPa of the two, beside 300 to 400 of all others
# the exact traces are drawn, and not those that were drawn before
DRAWN = """was => { const { drawn } = document.getElementById('plot')?.dataset ?? {};
  return drawn && drawn !== 'coarse' && drawn !== was; }"""


@pytest.fixture(scope="module")
def drives(one_bench: Bench, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two drives to send; in the build lie one that is confirmed and a long one with spikes."""
    folder = tmp_path_factory.mktemp("drives")
    drive_csv(folder / "first drive.csv")
    drive_csv(folder / "second.csv", "lean excursion", minutes=3.0, seed=7)
    # judged too, so that no lane comes while a test looks at pixels
    car = one_bench.root / CAR
    for log in (
        long_log(folder / "long.parquet", {SPIKE: TOP, LAST: BOTTOM}),
        long_log(folder / "gap.parquet", {}, rows=60_000, gap=True),
    ):
        import_log(car, log, confirm=True)
        judge(lambda *_: None, str(car), log.name)
    return folder


@pytest.fixture
def open_tab(chromium: Any, one_bench: Bench, drives: Path) -> Iterator[Tab]:
    """A tab that waits long: a job begins a process of its own, on a machine that may be busy."""
    for opened in tabs(chromium, one_bench):

        def patient(*given: Any, opened: Tab = opened, **said: Any) -> Any:
            page = opened(*given, **said)
            page.set_default_timeout(90000)
            return page

        yield patient


def drawn(page: Any, before: str = "") -> dict[str, Any]:
    """Where the traces stand once exact ones, other than ``before``, are drawn."""
    page.wait_for_function(DRAWN, arg=before)
    found = page.evaluate(
        """() => { const { drawn, box } = document.getElementById('plot').dataset;
             return [drawn, box]; }"""
    )
    start, end = (float(word) for word in found[0].split())
    return {"drawn": found[0], "start": start, "end": end, **json.loads(found[1])}


def judged(page: Any) -> None:
    page.locator("#judged:not([aria-busy]) #answer").wait_for()


def looks_right(page: Any) -> None:
    """Every look without a violation, no small target, nothing wider than the screen."""
    for look in ("light", "dark", "sun"):
        page.evaluate("look => { document.documentElement.dataset.look = look; }", look)
        assert violations(page) == [], look
    page.evaluate("document.documentElement.dataset.look = 'light'")
    assert narrow_targets(page) == []
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    wide = """() => [...document.querySelectorAll('canvas, svg, table')].filter(e =>
        e.checkVisibility() && e.getBoundingClientRect().right > innerWidth + 0.5).length"""
    assert page.evaluate(wide) == 0


# --- by thumb -----------------------------------------------------------------------------------
def test_a_log_by_thumb_from_the_file_to_the_readings(open_tab: Tab, drives: Path) -> None:
    page = open_tab(PHONE)
    page.goto(LOGS)
    looks_right(page)
    picture(page, "drive-logs-phone", whole=False)
    with page.expect_file_chooser() as chooser:
        page.get_by_role("button", name="Choose a log").tap()
    chooser.value.set_files(drives / "first drive.csv")
    page.wait_for_url(re.compile(r"/drive/logs/first%20drive\.csv"))
    page.locator(".mapping").wait_for()
    assert page.locator("#verdict").inner_text() == "What are its columns?"
    asked = page.locator(".asked")
    assert "'IAT' as inlet temperature" in asked.inner_text()
    looks_right(page)
    picture(page, "drive-log-columns-phone")
    asked.get_by_role("button", name="°C", exact=True).tap()
    asked.wait_for(state="detached")
    assert page.locator("#said-chip").is_visible()
    page.reload()  # what was answered is kept on this device until it is confirmed
    page.locator(".mapping").wait_for()
    assert page.locator(".asked").count() == 0
    page.get_by_role("button", name="These columns are right").tap()
    judged(page)
    drawn(page)
    assert page.locator("#verdict").inner_text().startswith("Found: supply limit")
    looks_right(page)
    picture(page, "drive-log-phone", whole=False)
    picture(page, "drive-log-phone-whole")
    # a finding marks its places on the traces and its points in the corridor
    page.get_by_role("button", name=re.compile("^All .* places?$")).first.tap()
    chosen = int(page.locator("#corridor").get_attribute("data-chosen"))
    assert chosen > 3
    assert f"supply limit: {chosen} of" in page.locator("#corridor-said").inner_text()
    # its first place comes into view, with the cursor in it
    place = page.locator("#finding-1 [data-span]").first
    start, end = (float(word) for word in place.get_attribute("data-span").split())
    before = drawn(page)["drawn"]
    place.tap()
    box = drawn(page, before)
    assert box["start"] < start and end < box["end"] and box["end"] - box["start"] < 20.0
    assert start <= float(page.locator("#plot").get_attribute("aria-valuenow")) <= end


def test_readings_are_taken_and_pressed_twice_stored_once(open_tab: Tab, one_bench: Bench) -> None:
    page = open_tab(DESK)
    page.goto(f"{LOGS}/first%20drive.csv")
    judged(page)
    rows = page.locator("[name=take]")
    count = rows.count()
    assert count >= 5
    rows.nth(count - 1).uncheck()
    page.evaluate("for (let n = 0; n < 2; n++) document.getElementById('take').click()")
    page.locator("#says", has_text=f"{count - 1} readings in the journal").wait_for()
    page.locator(".state.kept", has_text="in the journal").nth(count - 2).wait_for()
    assert page.locator("[name=take]:not(:disabled)").count() == 1
    asked = page.request.get(f"{one_bench.url}/api/car/{CAR}/read").json()["readings"]
    assert len([row for row in asked if row["instrument"] == "log first drive.csv"]) == count - 1
    page.goto(LOGS)
    row = page.locator("[data-log='first drive.csv']")
    assert f"{count - 1} readings in the journal from it" in row.inner_text()


# --- what is drawn --------------------------------------------------------------------------------
DARK = """([x, y, reach]) => {
  const canvas = document.getElementById('lanes'), ratio = canvas.width / canvas.clientWidth;
  const [left, top] = [Math.round((x - reach) * ratio), Math.round((y - reach) * ratio)];
  const size = Math.max(1, Math.round(2 * reach * ratio) + 1);
  const { data } = canvas.getContext('2d').getImageData(left, top, size, size);
  let dark = 0;
  for (let n = 0; n < data.length; n += 4) if (data[n] + data[n + 1] + data[n + 2] < 420) dark++;
  return dark; }"""


def tip(box: dict[str, Any], channel: str, time: float, share: float) -> tuple[float, float]:
    """Where a value stands: ``share`` of the way from least to greatest of the whole log."""
    lane = next(n for n, names in enumerate(box["lanes"]) if channel in names)
    x = box["gutter"] + (time - box["start"]) / (box["end"] - box["start"]) * box["plotWidth"]
    # 5 % of the range are left free at either end
    y = box["top"] + lane * box["each"] + box["high"] * (1.05 - share) / 1.1
    return x, y


@pytest.mark.parametrize("size", [DESK, PHONE], ids=["desk", "phone"])
@pytest.mark.parametrize(
    ("row", "share"), [(SPIKE, 1.0), (LAST, 0.0)], ids=["one sample", "the last sample"]
)
def test_a_spike_of_one_sample_is_in_the_picture_at_every_zoom(
    open_tab: Tab, size: dict[str, int], row: int, share: float
) -> None:
    """A million samples; the pixels at its tip are inked, those beside it are not."""
    page = open_tab(size)
    page.emulate_media(color_scheme="light")
    page.goto(f"{LOGS}/long.parquet")
    box = drawn(page)
    assert (box["start"], box["end"]) == (0.0, (ROWS - 1) / RATE)
    plot, spans = page.locator("#plot"), []
    page.mouse.move(5, 5)
    for _ in range(9):
        x, y = tip(box, "rail_gauge", row / RATE, share)
        assert page.evaluate(DARK, [x, y, 1.5]) > 0, (box, x, y)
        for beside in (-60.0, -25.0) if row == LAST else (-60.0, 60.0):
            assert page.evaluate(DARK, [x + beside, y, 1.5]) == 0, (box, x + beside, y)
        spans.append(box["end"] - box["start"])
        wheel = {"deltaY": -400, "clientX": x + plot.bounding_box()["x"], "clientY": 400,
                 "cancelable": True, "bubbles": True}  # fmt: skip
        plot.dispatch_event("wheel", wheel)
        box = drawn(page, box["drawn"])
    assert spans[0] / spans[-1] > 100.0  # from hours to seconds


def test_a_gap_is_left_empty(open_tab: Tab) -> None:
    page = open_tab(DESK)
    page.emulate_media(color_scheme="light")
    page.goto(f"{LOGS}/gap.parquet")
    box = drawn(page)
    middle = 300.0 + 60.0  # the logger was off for 120 s from 300 s on
    for share in (0.1, 0.3, 0.5, 0.7, 0.9):
        x, y = tip(box, "engine_speed", middle, share)
        assert page.evaluate(DARK, [x + 25, y, 3]) == 0
    inked = [page.evaluate(DARK, [*tip(box, "engine_speed", 150.0, n / 20), 3]) for n in range(21)]
    assert max(inked) > 0  # the same look where there is a trace
    assert "1 gap" in page.locator("#log").inner_text()


# --- keys, wheel, fingers ------------------------------------------------------------------------
def test_everything_by_keyboard_and_said_aloud(open_tab: Tab) -> None:
    page = open_tab(DESK)
    page.goto(f"{LOGS}/long.parquet")
    box = whole = drawn(page)
    plot = page.locator("#plot")
    plot.focus()
    assert plot.get_attribute("role") == "slider"
    said = re.compile("^0.00 seconds: engine speed")
    page.wait_for_function("() => document.getElementById('plot').dataset.read === '0'")
    assert said.match(plot.get_attribute("aria-valuetext"))
    for _ in range(3):
        page.keyboard.press("Shift+ArrowRight")
    step = 20 * (whole["end"] - whole["start"]) / whole["plotWidth"]
    assert float(plot.get_attribute("aria-valuenow")) == pytest.approx(3 * step, abs=0.01)
    page.wait_for_function(
        """() => Math.abs(Number(document.getElementById('plot').dataset.read)
              - Number(document.getElementById('plot').getAttribute('aria-valuenow'))) < 0.011"""
    )
    assert re.search(r"rail pressure, gauge \d+ kPa \(\d", plot.get_attribute("aria-valuetext"))
    # the table reads the same row
    row = int(re.search(r"row (\d+)", page.locator("#at-time").inner_text())[1])
    assert row == pytest.approx(3 * step * RATE, abs=1)
    speed = 850 + 4000 * max(0.0, __import__("math").sin(row / RATE / 9.0))
    shown = page.locator("#at [data-channel=engine_speed] td").first.inner_text()
    assert float(shown.split()[0]) == pytest.approx(speed, rel=0.01)
    for _ in range(3):
        page.keyboard.press("+")
        box = drawn(page, box["drawn"])
    assert box["end"] - box["start"] == pytest.approx((whole["end"] - whole["start"]) / 8, rel=1e-3)
    page.keyboard.press("PageUp")
    later = drawn(page, box["drawn"])
    assert later["start"] == pytest.approx(box["start"] + (box["end"] - box["start"]) / 2, rel=1e-3)
    # the window outlives a reload
    page.wait_for_function("start => location.hash.startsWith('#t=' + start.toFixed(3))",
                           arg=later["start"])  # fmt: skip
    page.reload()
    again = drawn(page)
    assert (again["start"], again["end"]) == pytest.approx((later["start"], later["end"]), abs=1e-3)
    plot.focus()
    page.keyboard.press("0")
    assert drawn(page, again["drawn"])["drawn"] == whole["drawn"]
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.dataset.act") == "left"


def test_drag_and_pinch_on_the_phone(open_tab: Tab) -> None:
    page = open_tab(PHONE)
    page.goto(f"{LOGS}/long.parquet")
    before = drawn(page)
    for _ in range(2):
        page.locator("[data-act=in]").tap()
        before = drawn(page, before["drawn"])
    frame = page.locator("#plot").bounding_box()
    hands = page.context.new_cdp_session(page)
    x, y = frame["x"] + 180, max(frame["y"] + 60, 120)

    def touch(kind: str, *points: tuple[float, float]) -> None:
        rows = [{"x": px, "y": py, "id": n} for n, (px, py) in enumerate(points)]
        hands.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": rows})

    touch("touchStart", (x, y))
    for by in (10, 30, 60):
        touch("touchMove", (x - by, y))
    touch("touchEnd")
    page.wait_for_function(
        """was => { const { drawn } = document.getElementById('plot').dataset;
             return drawn !== 'coarse' && Number(drawn.split(' ')[0]) > was; }""",
        arg=before["start"] + 59.5 / before["plotWidth"] * (before["end"] - before["start"]),
    )
    moved = drawn(page)
    span = before["end"] - before["start"]
    assert moved["start"] - before["start"] == pytest.approx(
        60 / before["plotWidth"] * span, rel=0.1
    )
    touch("touchStart", (x - 30, y), (x + 30, y))
    for by in (40, 60, 90):
        touch("touchMove", (x - by, y), (x + by, y))
    touch("touchEnd")
    page.wait_for_function(
        """span => { const [a, b] = document.getElementById('plot').dataset.drawn.split(' ');
             return b - a < span; }""",
        arg=0.5 * span,
    )
    assert drawn(page)["end"] - drawn(page)["start"] == pytest.approx(span / 3, rel=0.05)


def test_the_corridor_chooses_a_stretch_and_units_are_followed(open_tab: Tab) -> None:
    page = open_tab(DESK)
    page.goto(f"{LOGS}/first%20drive.csv")
    judged(page)
    drawn(page)
    looks_right(page)
    picture(page, "drive-log-desk")
    canvas = page.locator("#corridor")
    points = json.loads(canvas.get_attribute("data-points"))
    x, y, _ = max(points, key=lambda row: row[1])  # the lowest pressure: in a pull
    canvas.scroll_into_view_if_needed()
    canvas.click(position={"x": x, "y": y})
    assert int(canvas.get_attribute("data-chosen")) > 2
    pressed = page.locator("[data-words=pull][aria-pressed=true]")
    assert pressed.count() == 1
    start, end = (float(word) for word in pressed.get_attribute("data-span").split())
    box = drawn(page)
    assert box["start"] < start and end < box["end"]
    cell = page.locator("#at [data-channel=rail_gauge] td").nth(1)
    assert "kPa" in cell.inner_text()
    page.get_by_role("button", name="Units").click()
    page.get_by_label("Pressure", exact=True).select_option("psi")
    page.get_by_role("button", name="Done").click()
    page.locator("#at [data-channel=rail_gauge] td", has_text="psi").first.wait_for()
    assert "kPa" not in cell.inner_text()
    assert "psi" in page.locator("[data-quantity=pressure_gauge]").first.inner_text()


def test_a_column_is_corrected_after_it_was_confirmed(open_tab: Tab, one_bench: Bench) -> None:
    page = open_tab(DESK)
    page.goto(f"{LOGS}/first%20drive.csv")
    judged(page)
    page.get_by_text("Its columns, as they were taken").click()
    row = page.locator("[data-channel=voltage]").filter(has=page.locator("[data-unit]"))
    row.wait_for()
    looks_right(page)
    assert page.locator(".asked").count() == 0
    row.locator("[data-unit]").select_option("mV")
    page.locator("#said-chip").wait_for()
    with page.expect_navigation():
        page.get_by_role("button", name="Take them so").click()
    judged(page)  # by what the columns say now
    said = page.request.post(
        f"{one_bench.url}/api/car/{CAR}/drive/logs/first%20drive.csv/columns",
        data={"said": {}}, headers={"origin": one_bench.url},
    ).json()  # fmt: skip
    assert {row["channel"]: row["unit"] for row in said["items"]}["voltage"] == "mV"
    assert said["remembered"] is True


# --- when things go wrong ---------------------------------------------------------------------
def test_a_connection_lost_while_it_is_sent(open_tab: Tab, drives: Path) -> None:
    page = open_tab(PHONE)
    page.goto(LOGS)
    page.route("**/api/car/*/drive/logs?*", lambda route: route.abort())
    page.locator("#file").set_input_files(drives / "second.csv")
    fault = page.locator("#bring-fault", has_text="nothing of it is in the build")
    fault.wait_for()
    assert "still chosen on this device" in fault.inner_text()
    assert page.evaluate("document.getElementById('file').files[0].name") == "second.csv"
    assert page.locator("[data-log='second.csv']").count() == 0
    page.unroute("**/api/car/*/drive/logs?*")
    page.get_by_role("button", name="Send it again").tap()
    page.wait_for_url(re.compile(r"/drive/logs/second\.csv"))


def test_what_is_no_log_is_said_and_two_tabs_see_one_list(open_tab: Tab, drives: Path) -> None:
    page = open_tab(DESK)
    page.goto(LOGS)
    other = open_tab(DESK, context=page.context)
    other.goto(LOGS)
    other.wait_for_function("() => document.body.dataset.linked === 'yes'")
    bad = drives / "picture.csv"
    bad.write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 40)
    page.locator("#file").set_input_files(bad)
    page.locator("#bring-fault", has_text="a picture, not a log").wait_for()
    assert violations(page) == []
    useless = drives / "door.csv"
    useless.write_text("Door,Lamp\n" + "1,0\n0,1\n" * 50, encoding="utf-8")
    page.locator("#file").set_input_files(useless)
    page.locator("#bring-fault", has_text="no column that can be its time").wait_for()
    assert "switch the logger's time stamp on" in page.locator("#bring-fault li").first.inner_text()
    third = drive_csv(drives / "third.csv", None, minutes=2.0, seed=9)
    page.locator("#file").set_input_files(third)
    page.wait_for_url(re.compile(r"/drive/logs/third\.csv"))
    other.locator("[data-log='third.csv']").wait_for()
    # thrown away there: the original is said to be here, and is read again
    row = other.locator("[data-log='third.csv']")
    row.locator("summary").click()
    row.get_by_role("button", name="Throw its table away").click()
    other.locator("[data-log='third.csv']", has_text="not read").wait_for()
    other.goto(f"{LOGS}/third.csv")
    other.locator("#columns", has_text="was not read yet").wait_for()
    other.get_by_role("button", name="Read it").click()
    other.locator(".mapping, #plot").first.wait_for()
