"""`choose` on invented cars: what it shows is compared with `check`, and with what is known."""

from __future__ import annotations

import itertools
import json
import math
import tomllib
from concurrent.futures import Executor, ProcessPoolExecutor, ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import keyturn
import keyturn.evidence.choose as searching
from keyturn.build.model import Option
from keyturn.build.read import load
from keyturn.errors import BuildError, CannotAnswer, ValueRefused
from keyturn.evidence import observe
from keyturn.evidence.choose import ENOUGH, ChooseResult, _sentence
from keyturn.evidence.choose_judge import Keyed, Task, judge_sets, renewed_by
from keyturn.evidence.choose_sets import clash, frontier, offered, sensible
from keyturn.report.choose_figure import choose_figure
from keyturn.report.choose_words import choice_words, text, to_json
from keyturn.system import headroom, verdict
from keyturn.system.check import load_up
from keyturn.tasks.choose import choose

EXAMPLES = Path(keyturn.__file__).parent / "examples"
PICKUP = EXAMPLES / "pickup-screw" / "build.toml"
SAMPLES = 100


def option(name: str, price: float, changes: str) -> str:
    return (
        f"\n[[option]]\nname = {json.dumps(name)}\nprice = {price}\n"
        f'time = "1 h"\nchanges = {{{changes}}}\n'
    )


def car(folder: Path, *options: str) -> Path:
    """The pickup with these options in place of its own."""
    bare = PICKUP.read_text("utf-8").split("[[option]]")[0]
    (folder / "build.toml").write_text(bare + "".join(options), encoding="utf-8")
    return folder


def same(one: ChooseResult, other: ChooseResult) -> bool:
    first, second = to_json(one), to_json(other)
    first.pop("seconds")
    second.pop("seconds")
    return first == second


COOL = option("cold tank", 20, '"fuel.temperature" = "10 degC"')
BADGE = option("badge", 500, '"fuel.density" = "745 kg/m3"')


@pytest.mark.parametrize("name", ["van-roots", "pickup-screw", "kitcar-boost"])
def test_every_example_is_answered(name: str) -> None:
    result = choose(EXAMPLES / name, samples=SAMPLES)
    assert len(text(result).splitlines()) <= 40
    assert json.loads(json.dumps(to_json(result), allow_nan=False))["schema"] == "keyturn.choose.v1"
    assert choose_figure(result).count("<svg") == 1
    price = [row.price for row in result.frontier]
    p = [row.p for row in result.frontier]
    assert price == sorted(price)
    assert p == sorted(set(p)), "what costs more has to be likelier, or it is not on the frontier"


def test_the_car_as_it_is_agrees_with_check() -> None:
    """The same samples through `check`'s own way of loading the car, all parts at once."""
    build = load(PICKUP)
    draws = Keyed(SAMPLES, 0, {})
    holds = np.ones(SAMPLES, dtype=bool)
    for need in headroom.needs(load_up(build, draws)):
        wide = np.broadcast_to(need.ratio, (SAMPLES + 1, need.engine_speed.size))
        holds &= wide[1:].min(axis=1) >= 1.0
    assert choose(PICKUP, samples=SAMPLES).as_it_is.p == holds.mean()


def test_the_frontier_is_that_of_brute_force(tmp_path: Path) -> None:
    """Every set judged alone at all speeds, by editing a car that corrects for pressure itself."""
    rows = {
        "cold tank": (20.0, ("fuel.temperature", "10 degC")),
        "wire": (35.0, ("wiring.contacts", "4 mohm")),
        "one pump": (10.0, ("pump.count", "1")),
        "ceiling": (5.0, ("control.duty_ceiling", "92 %")),
    }
    bare = (EXAMPLES / "kitcar-boost" / "build.toml").read_text("utf-8").split("[[option]]")[0]
    made = [
        option(name, price, f'"{key}" = {json.dumps(new)}') if key != "pump.count"
        else option(name, price, '"pump.count" = 1, "pump.arrangement" = "single"')
        for name, (price, (key, new)) in rows.items()
    ]  # fmt: skip
    (tmp_path / "build.toml").write_text(bare + "".join(made), encoding="utf-8")
    alone = {}
    for size in range(len(rows) + 1):
        for names in itertools.combinations(rows, size):
            edits = dict(rows[name][1] for name in names)
            if "one pump" in names:
                edits["pump.arrangement"] = "single"
            found = choose(tmp_path, samples=SAMPLES, changes=edits).as_it_is
            alone[names] = (sum(rows[name][0] for name in names), found.p)
    unbeaten = {
        pair for pair in alone.values()
        if not any(c <= pair[0] and p >= pair[1] and (c, p) != pair for c, p in alone.values())
    }  # fmt: skip
    result = choose(tmp_path, samples=SAMPLES)
    assert result.corrected is None
    assert {(row.price, row.p) for row in result.frontier} == unbeaten
    assert len(unbeaten) > 1


def test_the_first_look_never_hides_a_set() -> None:
    """Holding at fewer points is never less likely: the first look bounds the second from above."""
    document = tomllib.loads((EXAMPLES / "van-roots" / "build.toml").read_text("utf-8"))
    options = offered(load(EXAMPLES / "van-roots").options, correctable=True)
    document.pop("option")
    sets, _ = sensible(options)
    task = Task(
        document, "", tuple(o.changes for o in options), tuple(sets), SAMPLES, 0,
        power=None, learnt=(), posterior=None, exact=False,
    )  # fmt: skip
    first, second = judge_sets(task), judge_sets(replace(task, exact=True))
    assert len(sets) == 8
    assert all(one.p >= other.p > 0.0 for one, other in zip(first, second, strict=True))


def test_a_useless_option_is_named(tmp_path: Path) -> None:
    hot = {"fuel.temperature": "60 degC"}
    result = choose(car(tmp_path, COOL, BADGE), samples=SAMPLES, changes=hot)
    gains = {row.option: row for row in result.gains}
    assert gains["badge"].useless
    assert not gains["cold tank"].useless
    assert all("badge" not in row.options for row in result.frontier)
    assert "badge (500)" in text(result)


def test_a_pair_that_only_together_is_enough(tmp_path: Path) -> None:
    """Two faults in series: the tank is hot and the wire is bad; one cure alone leaves the other.

    A series of two conditions holds when both do, whatever the physics.
    """
    bare = PICKUP.read_text("utf-8").split("[[option]]")[0]
    (tmp_path / "build.toml").write_text(
        bare + COOL + option("good wire", 30, '"wiring.contacts" = "5 mohm"'), encoding="utf-8"
    )
    broken = {"fuel.temperature": "60 degC", "wiring.contacts": "120 mohm"}
    result = choose(tmp_path, samples=SAMPLES, changes=broken)
    assert result.as_it_is.p < 0.05
    assert result.cheapest is not None
    assert set(result.cheapest.options) >= {"cold tank", "good wire"}
    assert result.cheapest.p >= ENOUGH
    assert not any(row.useless for row in result.gains if not row.free)


def test_correcting_the_calibration_is_free_and_helps_a_wrong_one(tmp_path: Path) -> None:
    wrong = {"regulator.set": "30 psi"}  # well below what the pickup is calibrated for
    result = choose(car(tmp_path, COOL), samples=SAMPLES, changes=wrong)
    assert result.corrected is not None
    assert result.corrected.price == 0.0
    assert result.corrected.p > result.as_it_is.p


@pytest.fixture
def cut(monkeypatch: pytest.MonkeyPatch) -> None:
    """Pieces so small that even a few sets are shared out."""
    monkeypatch.setattr(searching, "CHUNK", 3)
    monkeypatch.setattr(searching, "EXACT_CHUNK", 1)


class Counted(ThreadPoolExecutor):
    """Counts what it is given to do."""

    given = 0

    def submit(self, *args: Any, **named: Any) -> Any:
        self.given += 1
        return super().submit(*args, **named)


@pytest.mark.parametrize("pool", [ThreadPoolExecutor, ProcessPoolExecutor])
def test_any_executor_gives_the_serial_answer(
    pool: type[Executor], tmp_path: Path, cut: None
) -> None:
    path = car(tmp_path, COOL, BADGE)
    seen: list[tuple[int, int]] = []
    with pool(2) as executor:  # type: ignore[call-arg]
        shared = choose(path, executor, lambda *at: seen.append(at), samples=SAMPLES)
    assert same(shared, choose(path, samples=SAMPLES))
    assert seen[0][0] < seen[0][1] == shared.considered


def test_work_is_shared_out_when_there_is_more_than_one_piece(tmp_path: Path, cut: None) -> None:
    with Counted(2) as executor:
        choose(car(tmp_path, COOL, BADGE), executor, samples=SAMPLES)
    assert executor.given >= 3


def test_a_single_piece_starts_nothing(tmp_path: Path) -> None:
    with Counted(2) as executor:
        choose(car(tmp_path, COOL), executor, samples=SAMPLES)
    assert executor.given == 0


def test_a_cluster_gives_the_serial_answer(tmp_path: Path, cut: None) -> None:
    """The optional extra `cluster`; not in the lock, so that it is skipped where it is missing."""
    distributed = pytest.importorskip("distributed")
    path = car(tmp_path, COOL, BADGE)
    with (
        distributed.LocalCluster(processes=False, n_workers=1, dashboard_address=None) as cluster,
        distributed.Client(cluster) as client,
    ):
        executor = client.get_executor()
        shared = choose(path, executor, samples=SAMPLES)
        assert client.run(lambda: True), "no worker was there to do it"
    assert same(shared, choose(path, samples=SAMPLES))


def told(learnt: tuple[str, ...], width: float) -> Keyed:
    """The van's pump scale as readings might leave it, with what the rules hear of it."""
    build = load(EXAMPLES / "van-roots")
    draws = Keyed(SAMPLES, 0, {})
    z = np.random.default_rng(1).standard_normal((SAMPLES + 1, 1))
    draws.values = {build.pump.age.key: build.pump.age.si * np.exp(width * z)}
    draws.scales = {build.pump.curve.key: np.ones((SAMPLES + 1, 1))}
    draws.tell(build, learnt)
    return draws


def test_an_unknown_that_readings_pinned_counts_as_measured() -> None:
    grade = {item.key: item.grade for item in told(("pump",), 0.02).known}
    assert grade["pump.age"] == "measured"
    assert "pump.flow" not in grade, "one unknown, one origin"


def test_an_unknown_that_readings_left_open_keeps_its_worst_grade() -> None:
    """The spread is that of the samples, so that a guess cannot pass for a certainty."""
    draws = told((), 0.3)
    grade = {item.key: item.grade for item in draws.known}
    assert grade["pump.age"] in ("hearsay", "assumed")
    telling = verdict.shares(draws.values["pump.age"][:, 0], draws)
    assert telling[0][1].key == "pump.age"
    assert telling[0][0] > 0.9


def test_the_frontier_of_an_example_is_complete() -> None:
    """An example shows what a whole answer looks like: not enough as it is, enough for money."""
    for name in ("pickup-screw", "kitcar-boost"):
        result = choose(EXAMPLES / name)
        assert result.as_it_is.p < ENOUGH
        assert result.cheapest is not None
        assert result.cheapest.verdict == "holds"
        assert any(row.useless for row in result.gains)


def test_same_seed_same_answer_other_seed_other_samples() -> None:
    assert same(choose(PICKUP, samples=SAMPLES), choose(PICKUP, samples=SAMPLES))
    other = choose(PICKUP, samples=SAMPLES, seed=1)
    assert not same(choose(PICKUP, samples=SAMPLES), other)


def test_a_power_goal_counts_in(tmp_path: Path) -> None:
    path = car(tmp_path, COOL)
    low, high = (choose(path, samples=SAMPLES, power=goal) for goal in ("1 kW", "5000 kW"))
    assert low.as_it_is.p_power == 1.0
    assert low.as_it_is.p == low.as_it_is.p_holds == choose(path, samples=SAMPLES).as_it_is.p
    assert high.as_it_is.p == high.as_it_is.p_power == 0.0
    with pytest.raises(BuildError):
        choose(path, power="three")


def test_readings_of_a_worn_pump_make_a_new_one_worth_its_money(tmp_path: Path) -> None:
    """Rail pressure right at key-on and far too low at full load, filter cleared: the pump."""
    new = option("new pump", 200, '"pump.age" = {value = "100 %", grade = "measured"}')
    path = car(tmp_path, new)
    made = tuple(
        replace(observe.imagined(kind, state), value=value, id=n)
        for n, (kind, state, value) in enumerate(
            (
                ("rail-pressure", "key-on", 2.9e5),
                ("rail-pressure", "full-load", 2.2e5),
                ("before-filter", "full-load", 2.3e5),
                ("pump-voltage", "full-load", 13.4),
            )
        )
    )
    told = choose(path, readings=made, samples=SAMPLES)
    untold = choose(path, readings=(), samples=SAMPLES)
    assert told.as_it_is.p < 0.2 < untold.as_it_is.p
    gain = {row.option: row.most for row in told.gains}
    before = {row.option: row.most for row in untold.gains}
    assert gain["new pump"] > before["new pump"] + 0.2


def test_what_is_renewed_forgets_its_readings() -> None:
    keys = ("pump.flow", "pump.current", "feed.1.drop", "feed.10.drop", "wiring.contacts")
    forgotten = renewed_by({"pump.flow": 1, "feed.1.drop": 1})
    assert [key for key in keys if not key.startswith(forgotten)] == [
        "feed.10.drop",
        "wiring.contacts",
    ]
    assert not any(key.startswith(renewed_by({})) for key in keys)


def test_no_option_is_said(tmp_path: Path) -> None:
    with pytest.raises(ValueRefused, match=r"no \[\[option\]\]"):
        choose(car(tmp_path))


def test_hostile_names_stay_text(tmp_path: Path) -> None:
    names = ("<script>alert(1)</script>", "a\u0007b\u202ec", "x" * 300, "]]>&\"'")
    rows = [option(name, n, COOL.split("{")[1].split("}")[0]) for n, name in enumerate(names)]
    result = choose(car(tmp_path, *rows), samples=SAMPLES)
    drawn = choose_figure(result)
    assert "<script" not in drawn
    said = text(result)
    assert len(said.splitlines()) <= 40
    assert "\u0007" not in said + json.dumps(to_json(result), ensure_ascii=False) + drawn


def test_long_names_still_fit_the_terminal(tmp_path: Path) -> None:
    keys = ("wiring.contacts", "wiring.temperature", "fuel.temperature", "control.duty_ceiling",
            "regulator.set", "pump.age", "site.humidity", "fuel.rail_temperature")  # fmt: skip
    new = ("2 mohm", "20 degC", "5 degC", "95 %", "310 kPa", "100 %", "20 %", "30 degC")
    rows = [
        option(f"{key} " + "long name " * 26, 10.0 * n, f'"{key}" = "{value}"')
        for n, (key, value) in enumerate(zip(keys, new, strict=True), start=1)
    ]
    worse = {"wiring.contacts": "90 mohm", "fuel.temperature": "45 degC", "pump.age": "60 %"}
    path = car(tmp_path, *rows)
    for power in (None, "150 kW"):
        said = text(choose(path, samples=50, changes=worse, power=power))
        assert len(said.splitlines()) <= 40
        assert max(map(len, said.splitlines())) <= 92


def test_enough_without_evidence_is_said_aloud() -> None:
    """A set at 95 % of which `check` says "not proven" must not read as a plain yes."""
    result = choose(EXAMPLES / "kitcar-boost", samples=SAMPLES)
    row = replace(result.frontier[-1], p=1.0, verdict="not proven", limiting="pump")
    assert "pump is not proven" in choice_words(row, result)
    assert "pump is not proven" in _sentence((row,), row)


def test_readings_that_fit_nothing_are_not_bought_on(tmp_path: Path) -> None:
    made = tuple(
        replace(observe.imagined("rail-pressure", state), value=value, id=n)
        for n, (state, value) in enumerate(
            (("key-on", 9.0e5), ("idle", 0.1e5), ("held-speed", 9.0e5), ("full-load", 0.1e5))
        )
    )
    with pytest.raises(CannotAnswer):
        choose(car(tmp_path, COOL), readings=made, samples=SAMPLES)


def test_options_on_one_key_are_alternatives() -> None:
    assert clash({"pump.flow": 1}, {"pump.flow": 2})
    assert clash({"feed.1": 1}, {"feed.1.length": 2})
    assert not clash({"feed.1.length": 1}, {"feed.10.length": 2})
    assert not clash({"pump.flow": 1}, {"pump.count": 2})


def test_sets_come_in_rising_price_and_stop_at_the_bound() -> None:
    """Against 2 to the power n: all subsets when nothing clashes."""
    rows = [
        Option(name=str(n), price=float(7 * n % 5), hours=0.0, changes={f"a.{n}": 1})
        for n in range(8)
    ]
    sets, bounded = sensible(rows)
    assert len(sets) == len(set(sets)) == 2**8
    assert not bounded
    price = [sum(rows[n].price for n in members) for members in sets]
    assert price == sorted(price)
    some, bounded = sensible(rows, most=100)
    assert some == sets[:100]
    assert bounded


def test_frontier_by_definition() -> None:
    """No set of the frontier is beaten by another: checked pair by pair."""
    rng = np.random.default_rng(0)
    price, hours, p = rng.integers(0, 20, (3, 200)).astype(float)
    edge = frontier(list(price), list(hours), list(p))
    for n in range(200):
        beaten = bool(
            np.any((price <= price[n]) & (p > p[n])) or np.any((price < price[n]) & (p >= p[n]))
        )
        assert (n in edge) <= (not beaten)
        if not beaten:
            assert any(price[m] == price[n] and p[m] == p[n] for m in edge)


@pytest.mark.parametrize("price", [-1.0, math.inf, math.nan])
def test_a_price_below_nothing_is_refused(price: float) -> None:
    with pytest.raises(ValueRefused):
        offered([Option(name="a", price=price, hours=0.0, changes={"a": 1})], correctable=True)
