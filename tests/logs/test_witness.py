"""What a watch witnessed, and alarms that wait to be seen; the clock is moved by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from keyturn.logs.alarm import Change, Numbers
from keyturn.logs.cries import Cries
from keyturn.logs.witness import GAP, Witness

NUMBERS = Numbers(
    "L9", "full", ("rail-pressure", "pump-voltage", "lambda"),
    {"rail-pressure": 380e3, "pump-voltage": 12.8, "lambda": 0.86}, 75.0, 60e3, 100e3, 150e3, 1.0,
    np.array([100e3, 180e3]), np.array([1.0, 0.80]), 0.04,
)  # fmt: skip
LOADED = {"rail_gauge": 400e3, "manifold_pressure": 150e3, "engine_speed": 50.0, "voltage": 13.5}


class Seen:
    """A witness with a clock by hand; the abort number of the rail moves 1:1 with the manifold."""

    def __init__(self, numbers: Numbers = NUMBERS) -> None:
        self.it, self.now = Witness(numbers), 0.0

    def see(self, seconds: float, step: float = 0.05, due: bool = True, **values: float) -> Seen:
        taken = {**LOADED, **values}
        for number in range(round(seconds / step)):
            self.now += step
            # a running engine holds nothing still; this much is in no limit here
            taken["voltage"] += 1e-6 if number % 2 else -1e-6
            fresh = {name: (value, self.now) for name, value in taken.items()}
            self.it.see(self.now, fresh, due, 230e3 + taken["manifold_pressure"])
        return self


def test_load_counts_from_its_share_of_the_boost_of_the_step() -> None:
    # the step is expected at 150 kPa, 50 above a barometer of 100: 70 % of it is 135 kPa
    seen = Seen().see(2.0, manifold_pressure=135.1e3).see(3.0, manifold_pressure=134.9e3)
    assert seen.it.load == pytest.approx(2.0, abs=0.06)  # the first value has nothing before it
    assert [words.split(" for ")[0] for words in seen.it.lacking(5.0)] == [
        "at the load of the step"
    ]
    assert list(seen.see(3.1).it.lacking(5.0)) == []


def test_load_below_the_speed_of_the_step_is_that_of_another() -> None:
    seen = Seen(replace(NUMBERS, speed_least=40.0)).see(6.0, engine_speed=39.0)
    assert seen.it.load == 0.0
    assert seen.see(6.0, engine_speed=41.0).it.load == pytest.approx(6.0, abs=0.06)


def test_a_long_drive_needs_its_time_and_some_of_it_under_load() -> None:
    seen = Seen(replace(NUMBERS, mode="part", pressure_cap=-40e3, at_manifold=60e3))
    seen.see(50.0, manifold_pressure=40e3)  # below 90 % of the 60 kPa of the step
    assert [words.split(" for ")[0] for words in seen.it.lacking(60.0)] == [
        "at the load of the step", "in the state of the step",
    ]  # fmt: skip
    assert list(seen.see(10.1, manifold_pressure=55e3).it.lacking(60.0)) == []


def test_a_manifold_that_is_seldom_read_could_hide_a_dip() -> None:
    """The limit of the rail follows the manifold: by an old one it would stand too low."""
    seen = Seen().see(6.0)
    assert list(seen.it.lacking(5.0)) == []
    for number in range(12):
        seen.now += 0.05
        fresh = {name: (value, seen.now) for name, value in LOADED.items()}
        fresh["manifold_pressure"] = (150e3, seen.now - 0.05 * (number + 1))
        seen.it.see(seen.now, fresh, True, 380e3)
    seen.see(0.1)
    (words,) = seen.it.lacking(5.0)
    # twelve turns of 50 ms with an old value, and the one that ends it
    assert words.startswith(("no manifold pressure for 0.7 s", "no manifold pressure for 0.6 s"))


@pytest.mark.parametrize("name", ["rail_gauge", "lambda", "duty", "engine_speed"])
def test_a_sensor_that_stands_still_is_no_witness(name: str) -> None:
    """40 kPa of manifold, and one thing that has to follow it did not move."""
    moving = {"rail_gauge": 40e3, "lambda": -0.1, "duty": 0.2, "engine_speed": 10.0}
    start = {**LOADED, "lambda": 0.9, "duty": 0.4, "manifold_pressure": 120e3}
    seen = Seen().see(3.0, **start)
    ends = {k: start[k] + (0.0 if k == name else by) for k, by in moving.items()}
    seen.see(6.0, **{**start, **ends, "manifold_pressure": 160e3})
    (words,) = seen.it.lacking(5.0)
    assert words.startswith(name.replace("_", " ")) and "stood at one value" in words
    # where it may stand still it is none: an unreferenced regulator keeps the gauge the same
    if name == "rail_gauge":
        seen.it.numbers = replace(NUMBERS, ratio=0.0)
        assert list(seen.it.lacking(5.0)) == []


def test_a_source_that_repeats_itself_is_no_witness() -> None:
    """A logger that lost its bus and goes on writing the last line."""
    for speed, said in ((13.0, True), (0.0, False)):
        seen = Seen(replace(NUMBERS, mode="idle" if speed else "key-on"))
        for _ in range(240):
            seen.now += 0.05
            values = {**LOADED, "manifold_pressure": 100e3, "engine_speed": speed}
            fresh = {name: (value, seen.now) for name, value in values.items()}
            seen.it.see(seen.now, fresh, True, 380e3)
        found = [words for words in seen.it.lacking(5.0) if "repeats itself" in words]
        assert bool(found) is said  # key on, engine off, everything may stand still


def test_key_on_with_a_vacuum_is_not_key_on() -> None:
    seen = Seen(replace(NUMBERS, mode="key-on"))
    seen.see(5.0, manifold_pressure=40e3, engine_speed=0.0)
    assert seen.it.seconds == 0.0


@pytest.mark.parametrize(
    ("mode", "speed", "counts"),
    [("key-on", 0.0, True), ("key-on", 6.0, False), ("idle", 13.0, True), ("idle", 0.0, False),
     ("held", 40.0, True), ("held", 20.0, False)],
)  # fmt: skip
def test_time_counts_in_the_state_of_the_step_only(mode: str, speed: float, counts: bool) -> None:
    seen = Seen(replace(NUMBERS, mode=mode))
    seen.see(10.1, engine_speed=speed, manifold_pressure=100e3)
    assert (list(seen.it.lacking(10.0)) == []) is counts


def test_silence_counts_for_nothing_and_is_said() -> None:
    seen = Seen().see(3.0)
    seen.now += 1.55
    seen.see(3.0)
    assert seen.it.gap == pytest.approx(1.6)
    assert seen.it.load <= 6.0 + GAP
    assert any("no fuel pressure for 1.6 s" in words for words in seen.it.lacking(5.0))
    # also the silence at the very end
    ended = Seen().see(6.0)
    ended.it.end(ended.now + 0.7)
    assert any("no fuel pressure for 0.7 s" in words for words in ended.it.lacking(5.0))


def test_the_worst_is_the_nearest_to_its_number_not_the_lowest() -> None:
    seen = Seen().see(0.1, manifold_pressure=40e3, rail_gauge=290e3)  # 20 kPa to spare
    seen.see(0.1, manifold_pressure=150e3, rail_gauge=392e3)  # 12 kPa to spare
    worst = seen.it.worst["rail-pressure"]
    assert (worst.value, worst.margin) == (392e3, pytest.approx(12e3))
    assert (worst.manifold_pressure, worst.engine_speed) == (150e3, 50.0)


def test_what_is_not_judged_is_not_witnessed() -> None:
    seen = Seen().see(0.1, due=False, engine_speed=0.0, voltage=11.0, rail_gauge=0.0)
    assert seen.it.worst == {}
    seen.see(0.1, manifold_pressure=60e3, **{"lambda": 1.1})  # in vacuum
    assert "lambda" not in seen.it.worst
    seen.see(0.1, manifold_pressure=140e3, **{"lambda": 0.92})  # wanted 0.90 there, by hand
    assert seen.it.worst["lambda"].margin == pytest.approx(0.02)


def test_the_rail_from_what_is_across_the_injector() -> None:
    seen = Seen()
    fresh = {"across_injector": (340e3, 1.0), "manifold_pressure": (150e3, 1.0)}
    seen.it.see(1.0, fresh, True, 380e3)
    assert seen.it.worst["rail-pressure"].value == pytest.approx(390e3)


# --- alarms that wait -----------------------------------------------------------------------------
def change(at: float, began: bool, name: str = "pressure") -> Change:
    return Change(at, name, "across_injector", began, "alarm", "FUEL PRESSURE 9 kPa below")


def test_an_alarm_that_is_over_waits_to_be_seen() -> None:
    cries = Cries()
    cries.hear([change(1.0, True)])
    assert cries.standing()[0].loud
    cries.hear([change(2.0, False)])
    assert not cries.standing()[0].loud and cries.standing()[0].ended == 2.0
    assert [row.number for row in cries.acknowledge(1, 3.0)] == [1]
    assert cries.standing() == ()


def test_seen_is_quiet_and_the_next_is_loud_again() -> None:
    cries = Cries()
    cries.hear([change(1.0, True)])
    cries.acknowledge(1, 2.0)
    assert [row.loud for row in cries.standing()] == [False]
    assert cries.acknowledge(1, 3.0) == ()  # once
    cries.hear([change(4.0, False)])
    assert cries.standing() == ()
    cries.hear([change(5.0, True)])
    assert [(row.number, row.loud) for row in cries.standing()] == [(2, True)]


def test_what_was_not_on_the_page_is_not_acknowledged() -> None:
    cries = Cries()
    cries.hear([change(1.0, True)])
    cries.hear([change(1.1, True, "knock")])
    cries.acknowledge(1, 2.0)
    assert [(row.name, row.loud) for row in cries.standing()] == [
        ("knock", True), ("pressure", False)
    ]  # fmt: skip


def test_an_alarm_that_comes_and_goes_stays_one_until_it_is_seen() -> None:
    cries = Cries()
    for second in range(0, 2000, 2):
        cries.hear([change(second, True), change(second + 1, False)])
    assert [(row.number, row.times) for row in cries.standing()] == [(1, 1000)]
