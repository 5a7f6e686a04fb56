"""Steps on a build folder: written down, resumed, refused, and printed everywhere after."""

from __future__ import annotations

import json
import shutil
import sqlite3
from datetime import UTC, datetime
from pathlib import Path

import pytest

import keyturn
from keyturn.errors import CannotSolve, FileRefused, ValueRefused
from keyturn.journal import store
from keyturn.journal.typed import Typed, to_reading
from keyturn.procedure.evidence import judged
from keyturn.procedure.fit import has
from keyturn.procedure.ladder import climbed, rungs
from keyturn.report import steps_words
from keyturn.tasks import open_items, steps_record
from keyturn.tasks import steps as task
from keyturn.tasks.check import check
from keyturn.tasks.read import correct, export_journal, import_journal, listed, withdraw
from keyturn.tasks.steps_book import climbs

EXAMPLES = Path(keyturn.__file__).parent / "examples"


class Clock:
    """A clock that the test turns: what the journal writes and what the tasks read."""

    def __init__(self) -> None:
        self.now = 1.8e9

    def time(self) -> float:
        return self.now

    def stamp(self) -> str:
        return datetime.fromtimestamp(self.now, UTC).isoformat(timespec="milliseconds")


@pytest.fixture
def clock(monkeypatch) -> Clock:
    own = Clock()
    monkeypatch.setattr(store, "now", own.stamp)
    monkeypatch.setattr(task.time, "time", own.time)
    return own


@pytest.fixture
def car(tmp_path: Path) -> Path:
    shutil.copytree(EXAMPLES / "pickup-screw", tmp_path / "car")
    return tmp_path / "car"


@pytest.fixture(scope="session")
def result():
    return check(keyturn.load(EXAMPLES / "pickup-screw"), samples=100)


ASSEMBLY = dict.fromkeys(("marks", "turned", "throttle", "clear", "clips", "belt-line"), "yes")
FLUIDS = dict.fromkeys(("oil-in", "oil-pressure", "coolant", "blower-oil", "charge-flow"), "yes")
STATIC = {
    "joints-dry": "yes", "no-smell": "yes", "return-joined": "yes",
    "key-on-pressure": "310 kPa", "hold-start": "300 kPa", "hold-end": "42 psi",
}  # fmt: skip
SOAK = {
    "idle-pressure": "255 kPa", "drift": "0 psi", "coolant-temperature": "92 degC",
    "fan": "yes", "volts": "13.9 V", "dry-hot": "yes", "belt-tracks": "yes",
}  # fmt: skip
FIRE = {"kill-plan": "yes", "oil-seconds": "4", "dry": "yes", "no-noise": "yes"}


def to_first_fire(car: Path, clock: Clock, result) -> None:
    """Everything before the first start, as it should be."""
    assert steps_record.record(car, "assembly", ASSEMBLY, result=result).state == "passed"
    assert steps_record.record(car, "fluids", FLUIDS, result=result).state == "passed"
    steps_record.start_timer(car, "fuel-static", "hold", result)
    clock.now += 75.0
    assert steps_record.record(car, "fuel-static", STATIC, result=result).state == "passed"
    open_items.sweep(car)


def test_the_way_to_first_fire(car: Path, clock: Clock, result) -> None:
    with pytest.raises(ValueRefused, match="cannot be begun"):
        steps_record.record(car, "first-fire", FIRE, result=result)
    to_first_fire(car, clock, result)
    assert task.path(car, "first fire", result).barriers == ()
    assert steps_record.record(car, "first-fire", FIRE, result=result).state == "passed"
    kinds = [(row.kind, row.state) for row in listed(car)]
    assert ("rail-pressure", "key-on") in kinds, "what was read at a stage is a reading too"


def test_the_whole_way_to_load_can_be_gone(car: Path, clock: Clock, result) -> None:
    to_first_fire(car, clock, result)
    steps_record.record(car, "first-fire", FIRE, result=result)
    steps_record.start_timer(car, "idle-soak", "idle", result)
    clock.now += 16 * 60.0
    steps_record.start_timer(car, "idle-soak", "soak", result)
    clock.now += 11 * 60.0
    stages = {
        "idle-soak": SOAK,
        "pressure": {
            "zero": "0 psi", "key-on-pressure": "310 kPa", "held-speed-pressure": "255 kPa",
            "hose-off-rise": "9 psi", "hose-dry": "yes", "pump-volts": "13.6 V",
        },
        "flow": {"working-pressure": "54 psi", "return-flow": "190 L/h", "flow-volts": "12.6 V"},
        "boost-tight": {"boost-fall": "0.5 psi", "soaped": "yes"},
        "roadworthy": {
            **dict.fromkeys(("brakes", "tyres", "wheel-nuts", "steering", "lights"), "yes"),
            **dict.fromkeys(("exhaust", "papers", "carried"), "yes"), "rest-volts": "12.6",
        },
    }  # fmt: skip
    for name, typed in stages.items():
        found = steps_record.record(car, name, typed, result=result)
        assert found.state == "passed", (name, found.why)
    # the return was opened to time the pump: the joint has to be dry again before a start
    barriers = task.path(car, "first drive", result).barriers
    assert [row.name for row in barriers] == ["fuel-static"]
    assert "for flow" in barriers[0].why
    steps_record.start_timer(car, "fuel-static", "hold", result)
    clock.now += 61.0
    steps_record.record(car, "fuel-static", STATIC, result=result)
    open_items.sweep(car)
    roll = {"dry-below": "yes", "brakes-even": "yes", "roll-coolant": "90 degC"}
    assert steps_record.record(car, "first-roll", roll, result=result).state == "passed"
    assert task.path(car, "load", result).barriers == ()
    # the ladder says of itself whether it was climbed; nothing typed does
    found = steps_record.record(car, "load", {"plugs": "yes"}, result=result)
    assert found.state == "failed" and "ladder" in found.why


def test_no_start_without_a_sweep_or_with_yesterdays(car: Path, clock: Clock, result) -> None:
    to_first_fire(car, clock, result)
    clock.now += 13 * 3600.0
    with pytest.raises(ValueRefused, match="sweep"):
        steps_record.record(car, "first-fire", FIRE, result=result)
    open_items.sweep(car)
    assert steps_record.record(car, "first-fire", FIRE, result=result).state == "passed"


def test_an_open_fuel_joint_stands_before_every_start(car: Path, clock: Clock, result) -> None:
    to_first_fire(car, clock, result)
    item = open_items.open_item(car, "filter loosened", "fuel", stands_before="nothing")
    open_items.sweep(car)
    with pytest.raises(ValueRefused, match="filter loosened"):
        steps_record.record(car, "first-fire", FIRE, result=result)
    open_items.close_item(car, item.at, "tightened to 18 N m, marked")
    open_items.sweep(car)
    # the joint was opened: that it was dry before says nothing now
    with pytest.raises(ValueRefused, match="outdated"):
        steps_record.record(car, "first-fire", FIRE, result=result)
    steps_record.start_timer(car, "fuel-static", "hold", result)
    clock.now += 70.0
    steps_record.record(car, "fuel-static", STATIC, result=result)
    assert steps_record.record(car, "first-fire", FIRE, result=result).state == "passed"


def test_a_wait_goes_on_through_an_interruption(car: Path, clock: Clock, result) -> None:
    to_first_fire(car, clock, result)
    steps_record.record(car, "first-fire", FIRE, result=result)
    steps_record.start_timer(car, "idle-soak", "idle", result)
    clock.now += 7 * 60.0
    (running,) = task.steps(car, result, clock.now).running
    assert running.left(clock.now) == pytest.approx(8 * 60.0, abs=0.01)
    clock.now += 10 * 60.0
    steps_record.start_timer(car, "idle-soak", "soak", result)
    clock.now += 11 * 60.0
    found = steps_record.record(car, "idle-soak", SOAK, result=result)
    assert found.state == "passed", found.why
    assert found.record.values["idle"] == pytest.approx(17 * 60.0, abs=0.01)
    assert found.record.values["soak"] == pytest.approx(11 * 60.0, abs=0.01)


def test_minutes_of_one_wait_do_not_count_for_another(car: Path, clock: Clock, result) -> None:
    to_first_fire(car, clock, result)
    steps_record.record(car, "first-fire", FIRE, result=result)
    steps_record.start_timer(car, "idle-soak", "idle", result)
    clock.now += 5 * 60.0
    steps_record.start_timer(car, "idle-soak", "soak", result)
    clock.now += 30 * 60.0
    found = steps_record.record(car, "idle-soak", {"fan": "yes"}, result=result)
    said = {row.field.name: row.verdict for row in found.rows}
    assert said["idle"] == "fails" and said["soak"] == "passes"


def test_an_interrupted_record_is_gone_on_with_a_failed_one_is_not(
    car: Path, clock: Clock, result
) -> None:
    some = dict(list(ASSEMBLY.items())[:3])
    rest = dict(list(ASSEMBLY.items())[3:])
    assert steps_record.record(car, "assembly", some, result=result).state == "failed"
    clock.now += 3600.0
    assert steps_record.record(car, "assembly", rest, result=result).state == "passed"
    open_items.open_item(car, "tensioner off", "belt")
    open_items.close_item(car, 3, "fitted")
    assert steps_record.record(car, "assembly", some, result=result).state == "failed"
    assert steps_record.record(car, "assembly", {"clear": "no"}, result=result).state == "failed"
    found = steps_record.record(car, "assembly", rest, result=result)
    assert found.state == "failed", "after a no the whole stage is looked at again"


def test_what_was_begun_yesterday_is_begun_again(car: Path, clock: Clock, result) -> None:
    half = dict(list(ASSEMBLY.items())[:3])
    steps_record.record(car, "assembly", half, result=result)
    clock.now += 13 * 3600.0
    rest = dict(list(ASSEMBLY.items())[3:])
    assert steps_record.record(car, "assembly", rest, result=result).state == "failed"


def test_what_was_begun_before_the_clock_was_set_back_is_begun_again(
    car: Path, clock: Clock, result
) -> None:
    half = dict(list(ASSEMBLY.items())[:3])
    steps_record.record(car, "assembly", half, result=result)
    clock.now -= 3600.0
    rest = dict(list(ASSEMBLY.items())[3:])
    assert steps_record.record(car, "assembly", rest, result=result).state == "failed"


def test_a_wait_begun_before_the_clock_was_set_back_counts_for_nothing(
    car: Path, clock: Clock, result
) -> None:
    steps_record.record(car, "assembly", ASSEMBLY, result=result)
    steps_record.start_timer(car, "fuel-static", "hold", result)
    clock.now -= 3600.0
    found = steps_record.record(car, "fuel-static", STATIC, result=result)
    assert found.state == "failed" and "held for 0 s" in found.why


@pytest.mark.parametrize(
    ("stage", "name", "typed", "verdict"),
    [
        # an airlocked sensor reads cold; nobody idles 15 minutes to 20 degC
        ("idle-soak", "coolant-temperature", 293.15, "fails"),
        ("idle-soak", "coolant-temperature", 365.15, "passes"),
        # a charger on the battery flatters the pump; the supply is about 14 V
        # set to 43.5 psi: a return that is shut shows at the first key-on, not at the first fire
        ("fuel-static", "key-on-pressure", 86 * 6894.757, "fails"),
        ("fuel-static", "key-on-pressure", 45 * 6894.757, "passes"),
        # 700 L/h of a pump whose sheet begins at 430: another time, or another can
        ("flow", "return-flow", 700e-3 / 3600.0, "fails"),
        ("flow", "return-flow", 200e-3 / 3600.0, "passes"),
        ("flow", "flow-volts", 16.0, "fails"),
        ("flow", "flow-volts", 1.26, "fails"),
        ("flow", "flow-volts", 12.6, "passes"),
    ],
)
def test_a_number_that_only_looks_good_is_none(
    car: Path, result, stage: str, name: str, typed: float, verdict: str
) -> None:
    plan = task.steps(car, result).plan
    rows = judged(plan.stage(stage), {name: typed}, plan.limits)
    assert next(row.verdict for row in rows if row.field.name == name) == verdict


def test_a_part_changed_after_the_ladder_was_climbed_takes_the_load_away(
    car: Path, clock: Clock, result, monkeypatch
) -> None:
    """Neither the record of the load stands then, nor can it be made anew from the old climb."""
    model = keyturn.load(car)
    names = [row.name for row in rungs(has(model))]
    with store.opened(car, write=True) as book, book.writing():
        for name in names:
            book.add("step", "climb", {"step": name, "clean": True, "values": {}})
        assert steps_record._climbed(book, model)
        values = {"ladder": True, "plugs": True}
        book.add("step", "record", {"stage": "load", "values": values})
    assert task.steps(car, result).plan.standings["load"].state == "passed"
    item = open_items.open_item(car, "another pump", "fuel-parts")
    open_items.close_item(car, item.at, "fitted, new clamps")
    standing = task.steps(car, result).plan.standings["load"]
    assert standing.state == "outdated" and "another pump" in standing.why
    with store.opened(car, write=True) as book, book.writing():
        assert not steps_record._climbed(book, model)


@pytest.mark.parametrize("how", ["withdraw", "correct"])
def test_a_reading_that_is_taken_out_takes_its_record_along(
    car: Path, clock: Clock, result, how: str
) -> None:
    """Also when the record was interrupted and the reading came with its first half."""
    steps_record.record(car, "assembly", ASSEMBLY, result=result)
    steps_record.start_timer(car, "fuel-static", "hold", result)
    clock.now += 75.0
    first = {"key-on-pressure": STATIC["key-on-pressure"]}
    rest = {name: text for name, text in STATIC.items() if name not in first}
    steps_record.record(car, "fuel-static", first, result=result)
    assert steps_record.record(car, "fuel-static", rest, result=result).state == "passed"
    (reading,) = listed(car)
    if how == "withdraw":
        withdraw(car, reading.id, "read on the other car")
    else:
        correct(car, reading.id, Typed("rail-pressure", "250 kPa", "key-on"))
    now = task.steps(car, result).plan.standings["fuel-static"]
    assert now.state == "outdated" and f"its reading {reading.id}" in now.why
    again = steps_record.record(car, "fuel-static", rest, result=result)
    assert again.state == "failed", "nothing of it is gone on with"


def test_a_step_whose_reading_is_taken_out_is_driven_again(car: Path) -> None:
    model = keyturn.load(car)
    names = [row.name for row in rungs(has(model))][:3]
    told = to_reading(Typed("rail-pressure", "310 kPa", "key-on"), model)
    with store.opened(car, write=True) as book, book.writing():
        for name in names:
            tells = steps_record.stored(book, [told])
            body = {"step": name, "clean": True, "values": {}, "tells": tells}
            book.add("step", "climb", body)
    with store.opened(car) as book:
        assert climbed(rungs(has(model)), climbs(book)) == 3
    withdraw(car, 3, "the gauge was off by 10 psi")
    with store.opened(car) as book:
        rows = climbs(book)
        assert climbed(rungs(has(model)), rows) == 1
        assert not rows[1].clean and "reading 3 was taken out" in rows[1].why


def test_a_hold_point_that_was_begun_is_not_scoped_away(car: Path, clock: Clock, result) -> None:
    """A failed test, an open item or an override stays, whatever is said to have been opened."""
    steps_record.record(car, "assembly", ASSEMBLY | {"belt-line": "no"}, result=result)
    open_items.open_item(car, "hose of the charge cooler off", "boost")
    steps_record.override(car, "roadworthy", "trailered to a rolling road")
    names = [row.name for row in task.scope(car, ["other"])]
    assert {"assembly", "boost-tight", "roadworthy"} <= set(names)
    assert "fluids" in names, "oil is always asked for"
    plan = task.steps(car, result).plan
    assert {"assembly", "boost-tight", "roadworthy"} <= set(plan.standings)
    assert any(row.name == "assembly" for row in plan.barriers("load"))


def test_the_pump_is_not_timed_with_a_fuel_joint_open(car: Path, clock: Clock, result) -> None:
    """The pump runs at working pressure then: a joint that is loose would spray."""
    open_items.open_item(car, "feed union loose", "fuel", stands_before="nothing")
    barriers = task.steps(car, result).plan.barriers("flow")
    assert any(row.words == "feed union loose" for row in barriers)


def test_a_slip_of_unit_does_not_pass_a_hold_point(car: Path, clock: Clock, result) -> None:
    steps_record.record(car, "assembly", ASSEMBLY, result=result)
    steps_record.start_timer(car, "fuel-static", "hold", result)
    clock.now += 75.0
    low = STATIC | {"key-on-pressure": "45 kPa"}
    with pytest.raises(ValueRefused):
        steps_record.record(car, "fuel-static", low, result=result)
    with pytest.raises(ValueRefused, match="yes or no"):
        steps_record.record(car, "fuel-static", STATIC | {"joints-dry": "dunno"}, result=result)
    with pytest.raises(ValueRefused, match="no such thing"):
        steps_record.record(car, "fuel-static", {"joint-dry": "yes"}, result=result)
    with pytest.raises(ValueRefused, match="a unit"):
        steps_record.record(car, "fuel-static", {"hold-start": "300"}, result=result)


def test_nobody_types_a_wait_or_a_ladder(car: Path, clock: Clock, result) -> None:
    to_first_fire(car, clock, result)
    steps_record.record(car, "first-fire", FIRE, result=result)
    with pytest.raises(ValueRefused, match="by itself"):
        steps_record.record(car, "idle-soak", {"idle": "900"}, result=result)


def test_an_override_is_printed_everywhere_after(car: Path, clock: Clock, result) -> None:
    reason = "oil pressure was seen on the stand last week"
    steps_record.record(car, "assembly", ASSEMBLY, result=result)
    assert reason in steps_record.override(car, "fluids", reason)
    now = task.steps(car, result, clock.now)
    for words in (
        steps_words.text(now.plan),
        steps_words.path_words(now.plan.path("load"), now.plan),
        steps_words.tasks_words(now.plan.tasks(frozenset()), now.plan),
        json.dumps(steps_words.to_json(now.name, now.plan)),
    ):
        assert reason in words
    # past it to a start, not past it to load
    names = [row.name for row in now.plan.barriers("first-fire")]
    assert "fluids" not in names
    assert "fluids" in [row.name for row in now.plan.barriers("load")]
    steps_record.record(car, "fluids", FLUIDS, result=result)
    assert reason in steps_words.text(task.steps(car, result, clock.now).plan), "for ever"
    steps_record.take_back(car, "fluids")
    assert reason in steps_words.text(task.steps(car, result, clock.now).plan)


def test_a_timed_flow_is_a_volume_that_the_model_learns_from(car: Path, result) -> None:
    """150 L/h is 1.25 L in 30 s."""
    build = keyturn.load(car)
    flow = next(row for row in task.steps(car, result).plan.stages if row.name == "flow")
    typed = {"working-pressure": "52 psi", "return-flow": "150 L/h"}
    (told,) = steps_record._readings(flow, typed, build, result, True)
    assert (told.kind, told.state) == ("timed-volume", "key-on")
    assert told.value == pytest.approx(1.25e-3, rel=1e-6) and told.conditions.duration == 30.0
    # 1 psi = 6894.757 Pa
    assert told.conditions.pressure_gauge == pytest.approx(52 * 6894.757, rel=1e-6)
    with pytest.raises(ValueRefused, match="without its pressure"):
        steps_record._readings(flow, {"return-flow": "150 L/h"}, build, result, True)


@pytest.mark.parametrize("stage", ["fuel-static", "load"])
def test_some_things_no_reason_replaces(car: Path, stage: str) -> None:
    with pytest.raises(ValueRefused, match="no reason replaces"):
        steps_record.override(car, stage, "I have looked at it for an hour")


@pytest.mark.parametrize("reason", ["", "   ", "ok", "because"])
def test_an_override_needs_a_reason(car: Path, reason: str) -> None:
    with pytest.raises(ValueRefused, match="reason"):
        steps_record.override(car, "fluids", reason)


def test_items_wait_for_each_other(car: Path) -> None:
    first = open_items.open_item(car, "hose off", "fuel", "left rear", 15.0, ("engine-cold",))
    second = open_items.open_item(car, "clip off", "fuel", after=(first.at,))
    with pytest.raises(ValueRefused, match="has to be closed first"):
        open_items.close_item(car, second.at, "fitted")
    open_items.close_item(car, first.at, "fitted, marked")
    open_items.close_item(car, second.at, "fitted")
    assert [row.closed for row in open_items.items(car)] == [3, 4]
    with pytest.raises(ValueRefused, match="no open item"):
        open_items.close_item(car, second.at, "again")
    with pytest.raises(ValueRefused, match="how was it closed"):
        open_items.close_item(car, open_items.open_item(car, "x", "belt").at, " ")
    for wrong in ({"area": "roof"}, {"needs": ("sun",)}, {"stands_before": "x"}, {"minutes": 0.0}):
        with pytest.raises(ValueRefused):
            open_items.open_item(**{"build": car, "what": "y", "area": "belt", **wrong})


def test_a_sweep_says_what_is_left(car: Path) -> None:
    open_items.open_item(car, "brake line open", "brakes", stands_before="nothing")
    open_items.open_item(car, "trim off", "other", stands_before="nothing")
    swept, left = open_items.sweep(car)
    assert swept.open == (1, 2) and [item.what for item in left] == ["brake line open"]


def test_the_same_token_is_stored_once(car: Path, clock: Clock, result) -> None:
    for _ in range(2):
        steps_record.record(car, "assembly", ASSEMBLY, token="phone-1", result=result)
    assert len(task.written(car).records) == 1


def test_all_of_it_travels_and_nothing_of_it_can_be_changed(
    car: Path, clock: Clock, result, tmp_path: Path
) -> None:
    to_first_fire(car, clock, result)
    open_items.open_item(car, "hose off", "fuel")
    steps_record.override(car, "roadworthy", "trailered to a rolling road")
    export_journal(car, tmp_path / "out.jsonl")
    shutil.copytree(EXAMPLES / "pickup-screw", tmp_path / "other")
    import_journal(tmp_path / "other", tmp_path / "out.jsonl")
    assert task.written(tmp_path / "other") == task.written(car)
    with sqlite3.connect(car / "journal.db") as book, pytest.raises(sqlite3.IntegrityError):
        book.execute("UPDATE entry SET body = '{}' WHERE id = 1")


def test_an_entry_that_is_none_is_named(car: Path) -> None:
    for topic, act, body in (
        ("override", "new", {"stage": "fluids", "reason": "  "}),
        ("open-item", "new", {"what": "x", "area": "roof"}),
        ("step", "flies", {}),
    ):
        folder = car.parent / topic
        shutil.copytree(EXAMPLES / "pickup-screw", folder)
        with store.opened(folder, write=True) as book, book.writing():
            book.add(topic, act, body)
        with pytest.raises(FileRefused, match="entry 1"):
            task.written(folder)


def test_what_was_not_opened_is_not_asked(car: Path, clock: Clock, result) -> None:
    task.scope(car, ("belt",))
    names = [row.stage.name for row in task.steps(car, result).standings]
    assert "roadworthy" not in names and "fuel-static" in names
    task.scope(car, None)
    assert "roadworthy" in [row.stage.name for row in task.steps(car, result).standings]
    with pytest.raises(ValueRefused, match="no such area"):
        task.scope(car, ("roof",))


def test_here_and_now(car: Path, result) -> None:
    with pytest.raises(ValueRefused, match="did you mean outdoors"):
        task.now_here(car, ("outdoor",), result)
    able = {row.name: row.lacks for row in task.now_here(car, (), result)}
    assert able["parts"] == () and able["assembly"] == ("engine cold",)


def test_no_journal_is_made_beside_no_build(tmp_path: Path) -> None:
    for call in (open_items.sweep, open_items.items, task.written):
        with pytest.raises(FileRefused):
            call(tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_open_items_do_not_wait_for_a_model_that_has_no_answer(
    car: Path, clock: Clock, monkeypatch
) -> None:
    def unsolved(*given, **said):
        raise CannotSolve("no balance")

    monkeypatch.setattr(task, "check", unsolved)
    assert steps_record.record(car, "assembly", ASSEMBLY).state == "passed"
    now = task.steps(car)
    assert now.result is None and "key-on-pressure" not in now.plan.limits
    steps_record.start_timer(car, "fuel-static", "hold")
    clock.now += 70.0
    found = steps_record.record(car, "fuel-static", STATIC)
    # nothing to hold the pressure against: no pass
    assert found.state == "failed" and "no limit" in found.why
