"""The stages and the ladder as data: what they name exists, and they fit the car."""

from __future__ import annotations

import pytest

from keyturn.build.schema import read_data
from keyturn.errors import ValueRefused
from keyturn.evidence.reading import kinds
from keyturn.glossary import quantities
from keyturn.procedure.fit import fitted, has
from keyturn.procedure.ladder import measures, rungs
from keyturn.procedure.limits import limits
from keyturn.procedure.stages import AREAS, NEEDS, chosen, hold_rules, stages
from keyturn.tasks.check import check

EVERYTHING = frozenset(
    ("boosted", "blower", "belt", "charge-cooler", "returns", "tank", "referenced", "fixed")
)
BOOSTED_RETURN = frozenset(("boosted", "returns", "referenced"))


@pytest.mark.parametrize("row", stages(), ids=lambda row: row.name)
def test_a_stage_names_only_what_there_is(row) -> None:
    names = [item.name for item in stages()]
    assert set(row.after) <= set(names[: names.index(row.name)]), "an order without circles"
    assert set(row.needs) <= set(NEEDS)
    assert set(row.areas) <= set(AREAS)
    assert set(row.only) <= EVERYTHING
    assert row.why and row.stop and row.forgotten and row.source and row.tools
    fields = [item.name for item in row.record]
    assert len(fields) == len(set(fields)) > 0
    for item in row.record:
        assert item.kind in ("yes-no", "number", "text", "timer", "ladder")
        assert (item.kind == "number") == bool(item.quantity)
        assert not item.quantity or item.quantity in quantities()
        assert item.timer == "" or item.timer in (row.timers or {})
        if item.reading:
            assert item.reading["state"] in kinds()[item.reading["kind"]].states
    for name in (row.hold_rule or {}).values():
        assert name in fields or name in (row.timers or {})


def test_every_limit_that_is_named_exists_for_every_example(builds) -> None:
    for build in builds.values():
        known = limits(build, check(build, samples=50))
        for row in fitted(has(build)):
            for item in row.record:
                assert not item.limit or item.limit in known, (build.name, row.name, item.name)
                if item.limit:
                    assert known[item.limit].quantity == item.quantity
                    assert known[item.limit].source


def test_a_tank_regulated_car_times_another_flow_than_one_with_a_return() -> None:
    names = {
        kind: [item.name for item in chosen(fitted(frozenset(("boosted", kind))), "flow").record]
        for kind in ("tank", "returns")
    }
    assert "tank-return-flow" in names["tank"] and "return-flow" not in names["tank"]
    assert "return-flow" in names["returns"] and "tank-return-flow" not in names["returns"]


def test_the_hose_is_asked_for_only_where_there_is_one() -> None:
    def asked(what: str) -> bool:
        rows = fitted(frozenset(("boosted", "returns", what)))
        return any(item.name == "hose-off-rise" for item in chosen(rows, "pressure").record)

    assert asked("referenced") and not asked("fixed")


def test_without_boost_there_is_no_boost_to_test() -> None:
    names = [row.name for row in fitted(frozenset(("returns", "fixed")))]
    assert "boost-tight" not in names and "flow" not in names
    rows = fitted(frozenset(("returns", "fixed")))
    assert chosen(rows, "load").after == ("first-roll", "pressure", "idle-soak")
    assert [row.name for row in rungs(frozenset())][-2:] == ["L9", "L10"]
    assert "L7" not in [row.name for row in rungs(frozenset())]


def test_what_was_not_opened_is_not_asked_again_but_fuel_and_starts_always() -> None:
    names = [row.name for row in fitted(BOOSTED_RETURN, ("belt",))]
    assert "roadworthy" not in names and "boost-tight" not in names
    assert {"fuel-static", "first-fire", "idle-soak", "flow", "first-roll", "load"} <= set(names)
    rows = fitted(BOOSTED_RETURN, ("belt",))
    assert "idle-soak" in chosen(rows, "first-roll").after, "its prerequisites stand in its place"


def test_nothing_that_comes_first_is_lost_when_a_stage_is_left_out() -> None:
    for opened in ((), ("belt",), ("brakes", "boost")):
        rows = fitted(BOOSTED_RETURN, opened)
        assert chosen(rows, "first-fire").after, opened
        assert "fuel-static" in chosen(rows, "first-fire").after


def test_the_hold_rules_are_those_of_their_sources() -> None:
    """5 psi in 1 min: service procedures, V8 5.3-6.2 L 2010 and 1.8 L 2007; 5 psi in about 5 min:
    1.5 L 1992; 2 psi in 3 min: V6 3.0 L 1988; all from memory. 1 psi = 6894.757 Pa."""
    wanted = {"1-minute": (5, 60), "5-minute": (5, 300), "3-minute": (2, 180)}
    assert set(wanted) == set(hold_rules())
    for name, (psi, seconds) in wanted.items():
        rule = hold_rules()[name]
        # three digits are written in the data file
        assert rule.fall == pytest.approx(psi * 6894.757, rel=2e-3)
        assert rule.seconds == seconds
        assert rule.source


def test_the_ladder_is_written_in_order_and_records_what_it_names() -> None:
    rows = rungs(frozenset(("boosted",)))
    assert [row.name for row in rows] == [f"L{number}" for number in range(11)]
    assert [row.seconds > 0 for row in rows] == [True] * 11
    stages_known = {row.name for row in stages()}
    for row in rows:
        assert set(row.record) <= set(measures())
        assert {*row.passed, *([row.before] if row.before else [])} <= stages_known
        assert "nothing-new" in row.record
        # from zero boost up nothing is driven before every hold point and without reading the log
        assert row.loaded == ("log-read" in row.record)
    assert [row.loaded for row in rows] == [False] * 6 + [True] * 5


def test_an_abort_number_lies_beyond_the_number_that_says_look() -> None:
    for row in measures().values():
        if row.quantity:
            worse = row.abort > row.look if row.sense == "high" else row.abort < row.look
            assert worse, row.name


def test_a_wrong_name_is_answered_with_the_right_one() -> None:
    with pytest.raises(ValueRefused, match="did you mean fuel-static"):
        chosen(stages(), "fuel-statik")
    with pytest.raises(ValueRefused, match="did you mean joints-dry"):
        chosen(stages(), "fuel-static").field("joint-dry")


def test_every_row_has_its_source() -> None:
    for name in ("stages.toml", "ladder.toml"):
        for table in read_data(name).values():
            assert all(row["source"].strip() for row in table)


def test_a_lamp_at_the_fuel_is_no_flame_and_no_bare_hand_is_at_a_joint() -> None:
    """A torch is a flame to half of the readers; fuel under pressure can pierce skin."""
    for stage in stages():
        assert "torch" not in stage.tools
        if "fuel" in (*stage.areas, *stage.opens):
            said = " ".join(stage.cautions)
            assert "eyes protected" in said and "extinguisher" in said and "flame" in said
