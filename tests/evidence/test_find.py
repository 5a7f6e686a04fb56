"""`find` on planted causes, healthy cars, slips and readings from outside the model."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

import garage
from keyturn.errors import CannotAnswer, ValueRefused
from keyturn.evidence import next_test, observe
from keyturn.evidence.causes import Space, causes, possible
from keyturn.evidence.find import NOT_ENOUGH, find
from keyturn.evidence.reading import Conditions, kinds
from keyturn.evidence.simulate import case_of
from keyturn.report.find_figure import find_figure
from keyturn.report.find_words import text, to_json

CARS = ("pickup-screw", "v8-5400")
SET = Conditions(pressure_gauge=3.0e5, duration=30.0)
HOLD = Conditions(pressure_gauge=3.0e5, duration=300.0)
SHUT = replace(HOLD, isolated="feed")
# a rich set of readings: what a careful builder has after an afternoon
RICH = (
    observe.imagined("rail-pressure", "key-on"),
    observe.imagined("rail-pressure", "idle"),
    observe.imagined("rail-pressure", "full-load"),
    observe.imagined("gauge-zero", "vented"),
    observe.imagined("before-filter", "full-load"),
    observe.imagined("pump-voltage", "idle"),
    observe.imagined("timed-volume", "key-on", SET),
    observe.imagined("pressure-held", "shut-off", HOLD),
    observe.imagined("pressure-held", "shut-off", SHUT),
    observe.imagined("manifold-pressure", "full-load"),
    observe.imagined("manifold-pressure", "full-load", Conditions(engine_speed=30.0)),
    observe.imagined("needle-steady", "idle"),
    observe.imagined("needle-steady", "held-speed"),
)


def healthy(name: str) -> tuple[object, tuple[object, ...]]:
    """The car, and all of RICH as it shows them as described."""
    model = garage.model_of(name)
    made = []
    for item in RICH:
        said = {key: value for key, value in vars(item.conditions).items() if value is not None}
        value = garage.normal(model, item.kind, item.state, **said)
        made.append(replace(item, value=value))
    return model, tuple(made)


@pytest.mark.parametrize("name", CARS)
def test_healthy_readings_show_no_fault(name: str) -> None:
    model, readings = healthy(name)
    found = garage.ask(model, *readings)
    assert garage.names(found)[0] == "as described"
    assert garage.share(found, "as described") > 0.6
    few = garage.ask(model, *readings[:3])
    assert garage.names(few)[0] == "as described"


@pytest.mark.validate  # a minute for each car: long evidence
@pytest.mark.parametrize("name", CARS)
def test_planted_causes_are_found(name: str) -> None:
    """With rich readings most planted faults come first or second; the truth is drawn, with noise.

    A fault drawn small is no fault to find, so three of four is asked, not all.
    """
    model = garage.model_of(name)
    rng = np.random.default_rng(5)
    hits, tries = 0, 0
    for cause in causes(model.build):
        if cause.name in ("none of these", "several"):
            continue
        true = case_of(model, RICH, cause, rng)
        found = garage.ask(model, *true.readings, full=512)
        hits += cause.name in garage.names(found)[:2]
        tries += 1
    assert hits >= 0.75 * tries, (hits, tries)


@pytest.mark.parametrize("name", CARS)
def test_one_reading_in_another_unit_is_named_and_does_not_decide(name: str) -> None:
    model, readings = healthy(name)
    slipped = replace(readings[1], value=readings[1].value / 6.894757)  # kPa taken for psi
    result = find(model.build, (readings[0], slipped, *readings[2:]), seed=0)
    assert [(row.kind, row.state) for row in result.trust.contradictions] == [
        ("rail-pressure", "idle")
    ]
    assert result.causes[0].name == "as described"


@pytest.mark.parametrize("name", CARS)
def test_readings_from_outside_the_model_fit_none_of_these(name: str) -> None:
    model = garage.model_of(name)
    found = find(
        model.build,
        (
            garage.psi("key-on", 3.0),
            garage.psi("idle", 118.0),
            garage.psi("held-speed", 9.0),
            garage.psi("full-load", 112.0),
            garage.volts("idle", 1.0),
            garage.volts("key-on", 13.0),
            garage.psi("vented", 0.0, "gauge-zero"),
        ),
        seed=0,
    )
    assert found.answer == "none of these"


def test_two_weak_readings_are_not_enough() -> None:
    model, readings = healthy("pickup-screw")
    low = tuple(replace(item, value=item.value - 60e3) for item in readings[:2])
    found = find(model.build, low, seed=0)
    assert found.answer == NOT_ENOUGH
    assert found.causes[0].p < found.threshold


def test_no_reading_is_refused() -> None:
    model = garage.model_of("pickup-screw")
    with pytest.raises(CannotAnswer):
        find(model.build, (), seed=0)
    suspected = replace(garage.psi("key-on", 40.0), status="suspected")
    with pytest.raises(CannotAnswer):
        find(model.build, (suspected,), seed=0)


def test_answer_is_whole_and_the_same_for_the_same_seed() -> None:
    model, readings = healthy("pickup-screw")
    first = find(model.build, readings[:3], seed=3)
    again = find(model.build, readings[:3], seed=3)
    assert to_json(first) == to_json(again)
    answer = json.loads(json.dumps(to_json(first), allow_nan=False))
    assert answer["schema"] == "keyturn.find.v1"
    assert sum(row["p"] for row in answer["causes"]) == pytest.approx(1.0, abs=1e-4)
    assert {"effective_samples", "converged", "contradictions"} <= set(answer["trust"])
    assert answer["trust"]["converged"] is True
    for row in answer["quantities"]:
        assert row["p05"] <= row["p50"] <= row["p95"]
    assert answer["verdict_before"]["parts"]
    assert text(first, full=True)
    for width in (720.0, 358.0):
        assert find_figure(first, width).startswith("<svg")


def test_priors_can_be_moved_and_are_looked_at() -> None:
    model, readings = healthy("pickup-screw")
    low = tuple(replace(item, value=item.value - 60e3) for item in readings[:2])
    plain = garage.share(garage.ask(model, *low), "gauge")
    found = find(model.build, low, seed=0, moved={"gauge": 0.7})
    assert next(row.p for row in found.causes if row.name == "gauge") > plain + 0.1
    total = sum(row.prior for row in causes(model.build, {"gauge": 0.7}))
    assert total == pytest.approx(1.0)
    for wrong in ({"gauge": 1.2}, {"no such cause": 0.1}, {"gauge": 0.6, "filter": 0.5}):
        with pytest.raises(ValueRefused):
            causes(model.build, wrong)


def test_causes_that_the_car_cannot_have_are_left_out() -> None:
    fixed = {row.name for row in causes(garage.model_of("v8-5400").build)}
    assert "reference hose" not in fixed
    assert "return line" not in fixed
    assert {"filter", "strainer", "as described", "several", "none of these"} <= fixed


def test_several_draws_two_faults_or_more() -> None:
    model = garage.model_of("pickup-screw")
    cause = next(row for row in causes(model.build) if row.name == "several")
    space = Space(cause, model.unknowns, tuple(range(len(model.unknowns))))
    z = space.draw(500, np.random.default_rng(0))
    assert space.allowed(z).all()
    none = np.zeros((1, z.shape[1])) - 1.0
    assert not space.allowed(none).any()


def test_one_reading_that_feels_few_unknowns_is_answered() -> None:
    model = garage.model_of("pickup-screw")
    found = garage.ask(model, garage.psi("vented", 0.0, "gauge-zero"))
    assert sum(item.probability for item in found.suspects) == pytest.approx(1.0)
    assert garage.share(found, "gauge") < 0.12  # below its prior


def test_gauge_or_set_point_is_settled_by_the_gauge_not_by_danger() -> None:
    """Key-on and full load both low and level: the vented gauge or a second one comes first."""
    model, readings = healthy("v8-5400")
    low = tuple(replace(item, value=item.value - 60e3) for item in readings[:3])
    found = find(model.build, low, seed=0)
    assert found.next[0].name in ("gauge zero", "second gauge")
    assert found.next[0].risk < 4
    assert found.next[0].saves > 0.0
    for row in found.next:
        assert row.bits <= np.log2(len(found.causes))
        assert sum(item.chance for item in row.outcomes) <= 1.0 + 1e-9
        if row.risk >= 4:
            assert row.cautions
    done = find(model.build, (*low, garage.psi("vented", -8.0, "gauge-zero")), seed=0)
    assert "gauge zero" not in [row.name for row in done.next]


def test_a_dangerous_test_does_not_lead_by_a_hair() -> None:
    rows = []
    for name, net, risk in (("calm", 95.0, 2), ("danger", 100.0, 4), ("far", 20.0, 1)):
        rows.append((_row(name, net, risk), 0.0))
    assert next_test.ordered(rows)[0].name == "calm"
    rows[0] = (_row("calm", 50.0, 2), 0.0)
    assert next_test.ordered(rows)[0].name == "danger"
    tied = next_test.ordered([(_row("a", 100.0, 1), 0.0), (_row("b", 97.0, 1), 0.0)])
    assert tied[1].tied


def _row(name: str, net: float, risk: int) -> next_test.NextTest:
    return next_test.NextTest(
        name, name, "pressure_gauge", "", 1.0, 0.0, risk, (), "", (), net, net, 0.1, False, ()
    )


def test_every_test_is_a_reading_that_can_be_stored() -> None:
    from keyturn.evidence.decide import tests as table

    names = [row["name"] for row in table()["test"]]
    assert len(set(names)) == len(names)
    for row in table()["test"]:
        assert row["kind"] in kinds()
        assert row["state"] in kinds()[row["kind"]].states
        assert row["after"] in ("", *names)
        assert 1 <= row["risk"] <= 5
        assert row["cautions"] or row["risk"] < 4
        assert row["needs"] in {"", *possible(garage.model_of("pickup-screw").build)}
