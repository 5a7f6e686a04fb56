"""Live in a real browser: begun, alarm, held, stale, lost line, reload, two devices, recorded."""

from __future__ import annotations

import re
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from browser import DESK, PHONE, free_port, narrow_targets, picture, shelf, violations
from live_bench import Hand, LineBench, begin, logs, post, record, state, until

from conftest import tabs
from keyturn.errors import CannotAnswer
from keyturn.journal.store import opened as book_of
from keyturn.logs.witness import Worst
from keyturn.tasks import ladder as ladder_task
from keyturn.tasks.steps_book import climbs

Tab = Callable[..., Any]
PAGE = "/car/pickup-screw/drive/live"
ALL = ("light", "dark", "sun")
CHIEF = ".fig[data-name=across_injector]"


@pytest.fixture(scope="module")
def bench(workers: None, tmp_path_factory: pytest.TempPathFactory) -> Iterator[LineBench]:
    made = LineBench(shelf(tmp_path_factory.mktemp("live") / "builds", "pickup-screw"), free_port())
    made.start()
    yield made
    made.stop()


@pytest.fixture
def hand(bench: LineBench, monkeypatch: pytest.MonkeyPatch) -> Iterator[Hand]:
    """The simulated car; no watch is left behind for the next test."""
    yield Hand(monkeypatch)
    bench.line.flows.set()
    bench.line.mend()
    running = state(bench)["watch"]
    if running:
        post(bench, "stop", watch=running["id"])


@pytest.fixture
def live_tab(chromium: Any, bench: LineBench) -> Iterator[Tab]:
    yield from tabs(chromium, bench)


def opened(tab: Tab, size: dict[str, int], **more: Any) -> Any:
    page = tab(size, **more)
    page.add_init_script(
        "window.shaken = []; navigator.vibrate = (how) => Boolean(window.shaken.push(how));"
    )
    page.goto(PAGE)
    page.locator("#rung").wait_for()
    return page


def started(page: Any, step: str = "L9") -> None:
    page.locator("#rung").select_option(step)
    page.locator("#told h2", has_text=step).wait_for()
    page.locator("#start").click()
    page.locator(f"{CHIEF}[data-state=ok]").wait_for()


def hold(page: Any, button: str, until_seen: Any) -> None:
    """Press and keep pressed until what it does is seen."""
    page.locator(button).hover()
    page.mouse.down()
    until_seen.wait_for(state="attached")
    page.mouse.up()


def tone(page: Any, hertz: int) -> Any:
    found = page.locator(f'#sound[data-tone="{hertz}"]')
    found.wait_for(state="attached")
    return found


def fit(page: Any, name: str, looks: tuple[str, ...] = ("light",)) -> None:
    """Nothing wrong for axe-core in these looks, nothing too narrow; a picture of each."""
    for look in looks:
        page.evaluate("look => { document.documentElement.dataset.look = look; }", look)
        assert violations(page) == [], look
        picture(page, f"{name}-{look}", whole=False)
    page.evaluate("() => { document.documentElement.dataset.look = 'auto'; }")
    assert narrow_targets(page) == []
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    # at the end of the page the buttons that stay in place lie on nothing
    assert page.evaluate(
        """() => { scrollTo(0, document.documentElement.scrollHeight);
             const box = document.querySelector('.foot a').getBoundingClientRect();
             const all = document.elementsFromPoint(box.x + box.width / 2, box.y + box.height - 2);
             scrollTo(0, 0);
             return all.find(row => !row.closest('.says')).closest('.foot') !== null; }"""
    )


def pattern(page: Any, where: str) -> str:
    """What is drawn at the edge of something, colour left out."""
    found = page.evaluate(
        "where => getComputedStyle(document.querySelector(where), '::before').backgroundImage",
        where,
    )
    return str(found)


@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
def test_from_begin_to_alarm_to_stale_to_end(
    live_tab: Tab, bench: LineBench, hand: Hand, size: dict[str, int]
) -> None:
    name = "phone" if size is PHONE else "desk"
    page = opened(live_tab, size)
    # what a browser needs for sound, and who may look, is said before anything begins
    assert "no sound before it was tapped" in page.locator("#sound-words").inner_text()
    assert "without sound" in page.locator("#start").inner_text()
    assert "The driver operates no phone" in page.locator("#setup .caution").first.inner_text()
    fit(page, f"live-{name}-setup")
    page.locator("#sound").click()
    page.locator('#sound[data-on="true"]').wait_for()
    started(page)
    shown = int(page.locator(f"{CHIEF} .value").inner_text())
    told = state(bench)["watch"]["values"][0]
    assert told[0] == "across_injector" and shown == round(told[1] / 1e3)
    # the abort number and how far it is, worked out here from what the server says
    way = f"{told[1] / 1e3 - told[4] / 1e3:.0f} kPa above abort {told[4] / 1e3:.0f}"
    assert page.locator(f"{CHIEF} .far").inner_text() == way
    assert page.locator("#word").inner_text() == "WITHIN LIMITS"
    fit(page, f"live-{name}-ok")
    before = page.locator(CHIEF).bounding_box()
    hand.weak.set()
    alarmed(page, bench, name)
    if size is PHONE:  # under the thumb; nothing that is looked at has moved
        after = page.locator(CHIEF).bounding_box()
        assert abs(after["y"] - before["y"]) <= 3 and abs(after["height"] - before["height"]) <= 8
    hand.weak.clear()
    page.locator("#banner.ok").wait_for()
    silenced(page, hand, name)
    hold(page, "#stop", page.locator("#ended-title"))
    ended = page.locator("#ended")
    assert "alarm: FUEL PRESSURE" in ended.inner_text() and "NO SIGNAL" in ended.inner_text()
    assert "the simulated car is no evidence" in ended.inner_text()
    fit(page, f"live-{name}-ended")
    left = state(bench)["ended"]
    assert left["lines"] == len(record(bench, left["id"]))


def alarmed(page: Any, bench: LineBench, name: str) -> None:
    """By word, pattern, colour and tone; a short press does nothing, holding acknowledges."""
    page.locator("#banner.alarm").wait_for()
    assert page.locator("#word").inner_text() == "LIFT, STOP"
    assert "Foot off first" in page.locator("#first").inner_text()
    assert "repeating-linear-gradient" in pattern(page, "#banner")
    assert "repeating-linear-gradient" in pattern(page, CHIEF)
    assert "PAST" in page.locator(f"{CHIEF} .far").inner_text()
    assert "FUEL PRESSURE" in page.locator("#cry").inner_text()  # and aloud to a screen reader
    tone(page, 2000)
    assert [300, 100, 300, 100, 300] in page.evaluate("() => window.shaken")
    fit(page, f"live-{name}-alarm", ALL)
    # a short press confirms nothing
    page.locator("#seen").click()
    page.locator("#says", has_text="Hold it").wait_for()
    assert any(cry["loud"] for cry in state(bench)["watch"]["cries"])
    hold(page, "#seen", page.locator('#sound[data-tone="0"]'))
    page.locator("#cries .past", has_text="acknowledged").first.wait_for()
    assert page.locator("#word").inner_text() == "LIFT, STOP"  # quiet, and still so


def silenced(page: Any, hand: Hand, name: str) -> None:
    """Within two seconds of the last value nothing is shown as live."""
    page.evaluate(
        """tile => new MutationObserver((rows, eye) => {
             if (document.querySelector(tile).dataset.state !== 'stale') return;
             eye.disconnect();
             document.body.dataset.staleAt = Date.now() / 1000;
           }).observe(document.querySelector(tile), {attributes: true})""",
        CHIEF,
    )
    hand.silent.set()
    page.locator(f"{CHIEF}[data-state=stale]").wait_for()
    took = float(page.locator("body").get_attribute("data-stale-at")) - hand.last
    assert took <= 2.0, f"marked stale {took:.2f} s after the last value"
    assert page.locator(f"{CHIEF} .value").inner_text() == "–"
    assert "STALE" in page.locator(f"{CHIEF} .age").inner_text()
    assert "repeating-conic-gradient" in pattern(page, CHIEF)
    page.locator("#banner.lost").wait_for()
    assert page.locator("#word").inner_text() == "NO SIGNAL"
    assert page.locator(".fig[data-state=ok]").count() == 0
    tone(page, 800)
    fit(page, f"live-{name}-stale", ALL if name == "phone" else ("dark",))


def test_a_line_that_is_cut_or_held_back_shows_nothing_as_live(
    live_tab: Tab, bench: LineBench, hand: Hand
) -> None:
    page = opened(live_tab, PHONE)
    started(page)
    for broken, mended in (
        (bench.line.flows.clear, bench.line.flows.set),
        (bench.line.cut, bench.line.mend),
    ):
        broken()
        page.locator("#banner.lost", has_text="No connection to the watch").wait_for()
        assert page.locator(".fig[data-state=ok]").count() == 0
        assert page.locator(f"{CHIEF} .value").inner_text() == "–"
        tone(page, 800)
        hold(page, "#seen", page.locator('#sound[data-tone="0"]'))  # on this device only
        mended()
        page.locator(f"{CHIEF}[data-state=ok]").wait_for()
        page.locator("#banner.ok").wait_for()
    lines = state(bench)["watch"]["lines"]
    until(lambda: state(bench)["watch"]["lines"] > lines)  # it never stopped watching


def test_ages_by_the_clock_of_the_device(live_tab: Tab) -> None:
    """Held back and released, asleep, set forward, set back, a slow answer: never too young."""
    page = opened(live_tab, DESK)
    found = page.evaluate(
        """async () => {
          const at = document.querySelector('script[src*="watch.js"]').src;
          const { Ages, makeClock } = await import(at.replace('watch.js', 'watch_clock.js'));
          let steady = 0, wall = 1e12;
          const go = (a, b = a) => { steady += a; wall += b; };
          const made = () => new Ages(makeClock(() => steady, () => wall));
          const seen = {};
          let ages = made();           // the server's clock stands at 5000 when ours begins
          go(30); ages.came(5020);     // asked at 0, true at 20, here at 30
          seen.first = ages.silence();
          go(1000); ages.came(6025);
          seen.flows = ages.silence();
          go(4000); ages.came(6100);   // held back for four seconds
          seen.heldBack = ages.silence();
          ages = made(); go(10); ages.came(5005); go(0, 60000);  // asleep: one clock stood still
          seen.asleep = ages.silence();
          ages = made(); go(10); ages.came(5005); go(10, -3600000); go(990); // set back an hour
          seen.setBack = ages.silence();
          ages = made(); go(3000); ages.came(5005);  // the first answer took three seconds
          seen.slowFirst = ages.silence();
          const sent = ages.clock(); go(4); ages.said(sent, 8002); ages.came(8003);
          seen.compared = ages.silence();  // the next question was answered in 4 ms
          return seen; }"""
    )
    assert 10 <= found["first"] <= 30
    assert found["flows"] <= 30
    # true at 6100 of the server, which is at least 1100 of ours; now it is 5030
    assert 3900 <= found["heldBack"] <= 3950
    assert found["asleep"] >= 60000
    assert 1000 <= found["setBack"] <= 1010
    assert found["slowFirst"] >= 2995  # perhaps it is that old: nobody knows
    assert 1 <= found["compared"] <= 4


def test_a_tab_that_slept_shows_nothing_as_live(
    live_tab: Tab, bench: LineBench, hand: Hand
) -> None:
    page = opened(live_tab, PHONE)
    started(page)
    # nothing of the page runs for two seconds; then it is looked at again, before anything came
    woke = page.evaluate(
        """tile => { const until = Date.now() + 2000;
             while (Date.now() < until) { /* asleep */ }
             dispatchEvent(new Event('pageshow'));
             return ['.fig[data-state=ok]', '.fig[data-state=stale]', '#banner.lost'].map(
               what => document.querySelectorAll(what).length); }""",
        CHIEF,
    )
    assert woke[0] == 0 and woke[1] >= 5 and woke[2] == 1
    page.locator(f"{CHIEF}[data-state=ok]").wait_for()


def test_two_devices_one_watch_and_a_reload(live_tab: Tab, bench: LineBench, hand: Hand) -> None:
    phone, desk = opened(live_tab, PHONE), opened(live_tab, DESK)
    started(phone)
    desk.locator(f"{CHIEF}[data-state=ok]").wait_for()  # it follows by itself
    desk.locator("#mute").wait_for()  # and says that it is mute here
    hand.weak.set()
    for page in (phone, desk):
        page.locator("#banner.alarm").wait_for()
    hold(desk, "#seen", desk.locator('#sound[data-tone="0"]'))
    tone(phone, 0)  # seen by one is seen for all
    phone.reload()
    phone.locator("#banner.alarm").wait_for()
    assert phone.locator("#live-title").inner_text().startswith("L9 ")
    hold(desk, "#stop", desk.locator("#ended-title"))
    phone.locator("#ended-title").wait_for()


def test_by_keyboard_alone(live_tab: Tab, bench: LineBench, hand: Hand) -> None:
    page = opened(live_tab, DESK)
    page.locator("#rung").focus()
    while page.locator("#rung").input_value() != "L9":
        page.keyboard.press("ArrowDown")
    page.locator("#told h2", has_text="L9").wait_for()
    page.locator("#sound").focus()
    page.keyboard.press("Enter")
    page.locator('#sound[data-on="true"]').wait_for()
    page.locator("#start").focus()
    page.keyboard.press("Enter")
    page.locator(f"{CHIEF}[data-state=ok]").wait_for()
    page.locator("#live-title:focus").wait_for()
    hand.weak.set()
    page.locator("#banner.alarm").wait_for()
    page.locator("#seen:enabled").focus()
    page.keyboard.down("Space")
    tone(page, 0)
    page.keyboard.up("Space")
    page.locator("#stop").focus()
    page.keyboard.down("Enter")
    page.locator("#ended-title").wait_for()
    page.keyboard.up("Enter")
    page.locator("#ended-title:focus").wait_for()


# --- recorded as the step of the ladder -----------------------------------------------------------
HEAD = "Time (s);RPM;MAP (kPa abs);Fuel Pressure (kPa gauge)\n"
SAID = """rail_gauge=Fuel Pressure (kPa gauge) as kPa gauge
engine_speed=RPM as rpm
manifold_pressure=MAP (kPa abs) as kPa absolute"""


class Logger:
    """Writes a CSV, twenty rows a second, until it is ended."""

    def __init__(self, path: Path) -> None:
        self.path, self.rail = path, 313.5
        self._stop = threading.Event()
        path.write_text(HEAD + "".join(self._row(n) for n in range(50)))
        self.thread = threading.Thread(target=self._run, daemon=True)

    def _row(self, number: int) -> str:
        return f"{number / 20:.2f};0;99.2;{self.rail}\n".replace(".", ",")

    def _run(self) -> None:
        with self.path.open("a") as stream:
            for number in range(50, 10**6):
                if self._stop.wait(0.05):
                    return
                stream.write(self._row(number))
                stream.flush()

    def end(self) -> None:
        self._stop.set()
        self.thread.join(5)


@pytest.fixture
def logger(bench: LineBench, hand: Hand, monkeypatch: pytest.MonkeyPatch) -> Iterator[Logger]:
    """A key-on step of half a second that no hold point bars, and a log that grows."""
    asked = ladder_task.watched_of

    def shorter(*given: Any) -> Any:
        told = asked(*given)
        return replace(told, rung=replace(told.rung, seconds=0.5))

    monkeypatch.setattr(ladder_task, "watched_of", shorter)
    monkeypatch.setattr(ladder_task, "_barred", lambda plan, row: ())
    rooms = bench._server.config.app.state.watches._rooms.values()
    for room in rooms:
        room._known = None  # the ladder was asked for before its hold points were taken away
    made = Logger(logs(bench) / "drive.csv")
    yield made
    made.end()
    for room in rooms:
        room._known = None
    for kept in (bench.root / "pickup-screw").glob("journal.db*"):
        kept.unlink()  # the next test begins with a car of which nothing was read


def driven(bench: LineBench) -> Any:
    with book_of(bench.root / "pickup-screw") as book:
        return climbs(book)


def watched_log(page: Any, logger: Logger) -> None:
    page.locator("[name=kind][value=file]").check()
    page.locator("#log").select_option("drive.csv")
    page.locator("#mapping").fill(SAID)
    page.locator("#start").click()
    page.locator("#running").wait_for()
    logger.thread.start()
    page.locator(f"{CHIEF}[data-state=ok]").wait_for()


def test_a_watch_becomes_the_record_of_its_step(
    live_tab: Tab, bench: LineBench, logger: Logger
) -> None:
    page = opened(live_tab, PHONE)
    watched_log(page, logger)
    until(lambda: state(bench)["watch"]["lines"] > 40)
    hold(page, "#stop", page.locator("#ended-title"))
    assert "No alarm, no gap, nothing stale" in page.locator("#ended").inner_text()
    assert violations(page) == []
    assert narrow_targets(page) == []
    picture(page, "live-phone-record")
    page.get_by_role("button", name=re.compile("nothing new smelt")).click()
    page.locator("#recorded", has_text="L0 recorded clean").wait_for()
    assert [row.clean for row in driven(bench)] == [True]


def test_the_record_of_a_step_outlives_the_server(
    live_tab: Tab, bench: LineBench, logger: Logger
) -> None:
    page = opened(live_tab, PHONE)
    watched_log(page, logger)
    until(lambda: state(bench)["watch"]["lines"] > 40)
    hold(page, "#stop", page.locator("#ended-title"))
    # all that a server knows of a watch besides what is on the disk
    bench._server.config.app.state.watches._rooms.clear()
    page.reload()
    page.locator("#ended-title", has_text="The watch of L0 has ended").wait_for()
    page.get_by_role("button", name=re.compile("nothing new smelt")).click()
    page.locator("#recorded", has_text="L0 recorded clean").wait_for()
    assert [row.clean for row in driven(bench)] == [True]
    bench._server.config.app.state.watches._rooms.clear()
    page.reload()
    page.locator("#recorded", has_text="L0 recorded clean").wait_for()
    assert page.locator("#climb").count() == 0  # once


def test_where_the_voltage_was_taken_is_asked(
    live_tab: Tab, bench: LineBench, logger: Logger, monkeypatch: pytest.MonkeyPatch
) -> None:
    page = opened(live_tab, PHONE)
    watched_log(page, logger)
    until(lambda: state(bench)["watch"]["lines"] > 40)
    hold(page, "#stop", page.locator("#ended-title"))
    assert page.locator("#at-pump").count() == 0  # this step records no voltage
    room = bench._server.config.app.state.watches._rooms["pickup-screw"]
    volts = Worst(13.5, 0.7, None, None)
    room.ended = replace(room.ended, record=(*room.ended.record, "pump-voltage"),
                         worst={**room.ended.worst, "pump-voltage": volts})  # fmt: skip
    heard: list[Any] = []

    def climb_of(_: Any, __: Any, said: Any, *more: Any) -> Any:
        heard.append(dict(said))
        raise CannotAnswer("heard")

    monkeypatch.setattr("keyturn.web.routes.drive_live.climb_of", climb_of)
    page.reload()
    page.locator("#at-pump").select_option("yes")
    assert violations(page) == []
    page.get_by_role("button", name=re.compile("nothing new smelt")).click()
    page.locator("#climb-fault", has_text="heard").wait_for()
    page.locator("#at-pump").select_option("")
    page.locator("#pump-volts").fill("13.4 V")
    page.get_by_role("button", name=re.compile("nothing new smelt")).click()
    until(lambda: len(heard) == 2)
    assert heard == [{"nothing-new": "yes", "voltage-at-pump": "yes"},
                     {"nothing-new": "yes", "pump-voltage": "13.4 V"}]  # fmt: skip
    # diagnostics measure nothing at the pump
    room.ended = replace(room.ended, source="obd:socketcan:can0")
    page.reload()
    page.locator("#at-pump").wait_for()
    assert page.locator("#at-pump option[value=yes]").count() == 0


def test_an_alarm_makes_the_record_not_clean_and_it_says_why(
    live_tab: Tab, bench: LineBench, logger: Logger
) -> None:
    page = opened(live_tab, DESK)
    page.locator("#rung").select_option("L0")
    page.locator("#told h2", has_text="L0").wait_for()
    watched_log(page, logger)
    logger.rail = 180.5
    page.locator("#banner.alarm").wait_for()
    hold(page, "#stop", page.locator("#ended-title"))
    page.get_by_role("button", name=re.compile("nothing new smelt")).click()
    page.locator("#climb-fault, #recorded").first.wait_for()
    if page.locator("#as-read").is_visible():  # far from the model: is it right as read?
        page.locator("#as-read").click()
    page.locator("#recorded", has_text="L0 is not clean: alarm: FUEL PRESSURE").wait_for()
    kept = driven(bench)[-1]
    assert not kept.clean and "FUEL PRESSURE" in kept.why and "watch-" in kept.note


def test_what_is_missing_is_said(
    live_tab: Tab, bench: LineBench, hand: Hand, monkeypatch: pytest.MonkeyPatch
) -> None:
    import sys

    log = logs(bench) / "other.csv"
    log.write_text(HEAD + "".join(f"{n / 20:.2f};0;99,2;313,5\n" for n in range(50)))
    monkeypatch.setitem(sys.modules, "can", None)
    page = opened(live_tab, DESK)
    assert page.locator("[name=kind][value=obd]").is_disabled()
    assert "keyturn[can]" in page.locator("#no-bus").inner_text()
    page.locator("[name=kind][value=file]").check()
    page.locator("#log").select_option("other.csv")
    page.locator("#start").click()
    page.locator("#start-fault", has_text="not confirmed").wait_for()
    assert "on Logs" in page.locator("#start-fault").inner_text()
    # nothing typed is lost by a reload
    page.locator("#mapping").fill("rail_gauge=Something as kPa gauge")
    page.reload()
    page.locator("#rung").wait_for()
    assert page.locator("#mapping").input_value() == "rail_gauge=Something as kPa gauge"
    assert page.locator("#log").input_value() == "other.csv"


def test_diagnostics_through_the_page(live_tab: Tab, bench: LineBench, hand: Hand) -> None:
    pytest.importorskip("can")
    import sys

    sys.path.insert(0, str(Path(__file__).parents[1] / "logs"))
    from ecu_simulator import Ecu

    unit = Ecu("page", {0x0A: 390.0, 0x0B: 140.0, 0x0C: 3000.0, 0x42: 13.6})
    page = opened(live_tab, PHONE)
    page.locator("#rung").select_option("L9")
    page.locator("#told h2", has_text="L9").wait_for()
    page.locator("[name=kind][value=obd]").check()
    page.locator("#interface").select_option("virtual")
    page.locator("#channel").fill("page")
    page.locator("#start").click()
    page.locator(f"{CHIEF}[data-state=ok]").wait_for()
    page.locator(".fig[data-name=engine_speed] .value", has_text="3000").wait_for()
    # what has no sensor is named; it is never within limits
    assert page.locator("#word").inner_text() == "NOT ALL WATCHED"
    assert "lambda" in page.locator("#why").inner_text()
    assert "radial-gradient" in pattern(page, "#banner")
    hold(page, "#stop", page.locator("#ended-title"))
    unit.close()
    assert unit.strange == []


def test_a_server_that_is_started_anew_is_no_silence(
    chromium: Any, workers: None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from browser import Bench

    Hand(monkeypatch)
    bench = Bench(shelf(tmp_path / "builds", "pickup-screw"), free_port())
    bench.start()
    opening = tabs(chromium, bench)
    page = opened(next(opening), DESK)
    name = begin(bench)
    page.locator(f"{CHIEF}[data-state=ok]").wait_for()
    began = time.monotonic()
    bench.stop()
    assert time.monotonic() - began < 5.0  # the stream did not hold it up
    kept = record(bench, name)
    assert len(kept) > 2 and all(row.count(",") >= kept[0].count(",") for row in kept)
    bench.start()
    page.locator("#banner.lost", has_text="The watch ended with the server").wait_for()
    tone(page, 800)
    hold(page, "#seen", page.locator("#setup:not([hidden])"))
    with pytest.raises(StopIteration):
        next(opening)
    bench.stop()
