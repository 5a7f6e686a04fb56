"""Belt slip and leak of charge; faults that no key states, in the verdicts and in `choose`."""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
import pytest

import garage
from keyturn.build.read import load
from keyturn.evidence import after, forward, observe
from keyturn.evidence.choose_judge import Task, judge_sets, mended_by
from keyturn.evidence.find import find
from keyturn.evidence.infer import Model
from keyturn.evidence.pooled import Values
from keyturn.evidence.reading import Conditions, Reading
from keyturn.evidence.result import FindResult
from keyturn.system.draws import TANK_LEAK
from keyturn.system.operating import full_load

PICKUP = garage.EXAMPLES / "pickup-screw"
HIGH, LOW = 4500.0 / 60.0, 1800.0 / 60.0


def sound(model: Model) -> Values:
    """Every unknown in the middle of its healthy spread."""
    return {row.name: np.atleast_2d(row.healthy.value(np.zeros((1, 1)))) for row in model.unknowns}


def boost(model: Model, speeds: tuple[float, ...], **fault: float) -> list[float]:
    """Manifold pressure at full load [Pa] with a fault of a known size."""
    wanted = tuple(
        observe.imagined("manifold-pressure", "full-load", Conditions(engine_speed=speed))
        for speed in speeds
    )
    base = forward.base(model.build, observe.plan(model.build, wanted, model.car[2]), model.car)
    values = sound(model) | {name: np.array([[size]]) for name, size in fault.items()}
    return [float(value) for value in forward.predict(base, values)[0]]


def asked(model: Model, speeds: tuple[float, ...], **fault: float) -> FindResult:
    made = tuple(
        garage.reading("manifold-pressure", "full-load", value, engine_speed=speed)
        for speed, value in zip(speeds, boost(model, speeds, **fault), strict=True)
    )
    return find(model.build, made, seed=0)


def test_a_slip_is_a_larger_pulley_and_a_leak_a_smaller_blower() -> None:
    """At the redline a slip s turns the blower as a pulley 1 / (1 - s) times as large does; at half
    the redline a leak leaves what a blower smaller by that share delivers. Tolerance 0.2 %: the
    grid of losses is read between its points, and healthy cars leak 0.01 %."""
    model = garage.model_of("pickup-screw")
    build, size = model.build, 0.12
    assert build.blower is not None
    redline = build.engine.redline.si
    pulley, volume = build.blower.blower_pulley.si, build.blower.displacement.si
    for speed, fault, key, typed in (
        (redline, "belt_slip", "blower.blower_pulley", f"{pulley / (1.0 - size):.9f} m"),
        (redline / 2, "charge_leak", "blower.displacement", f"{volume * (1.0 - size):.12f} m3"),
    ):
        other = load(PICKUP, {key: typed.replace(" m3", "e3 L")})
        draws, liquid, _ = forward.nominal(other)
        line = full_load(other, draws, liquid)
        right = np.interp(speed, line.engine_speed, line.air.manifold_pressure[0])
        assert boost(model, (speed,), **{fault: size})[0] == pytest.approx(right, rel=2e-3)


def test_boost_at_one_speed_leaves_slip_and_leak_tied_and_says_so() -> None:
    model = garage.model_of("pickup-screw")
    result = asked(model, (HIGH,), belt_slip=0.2)
    share = {row.name: row.p for row in result.causes}
    assert 0.5 < share["belt slip"] / share["charge leak"] < 2.0
    assert any("second speed" in words for words in result.notes)


@pytest.mark.parametrize(
    ("fault", "cause"), [("belt_slip", "belt slip"), ("charge_leak", "charge leak")]
)
def test_boost_at_two_speeds_tells_slip_from_leak(fault: str, cause: str) -> None:
    model = garage.model_of("pickup-screw")
    result = asked(model, (HIGH, LOW), **{fault: 0.2})
    assert result.answer == cause
    assert result.notes == ()


def test_a_car_without_a_belt_has_no_belt_to_slip() -> None:
    model = garage.model_of("kitcar-boost")
    names = [row.name for row in asked(model, (HIGH, LOW), charge_leak=0.15).causes]
    assert names[0] == "charge leak"
    assert "belt slip" not in names


def known(model: Model, samples: int, **fault: float) -> Values:
    """Rows of a posterior that is sure of everything."""
    one = np.ones((samples + 1, 1))
    values = sound(model) | {name: np.array([[size]]) for name, size in fault.items()}
    return {name: value * one for name, value in values.items()}


def holding(**fault: float) -> tuple[float, float]:
    """Share that holds as the car is, and with a new pump."""
    model = garage.model_of("pickup-screw")
    document = tomllib.loads((PICKUP / "build.toml").read_text("utf-8"))
    document.pop("option", None)
    samples = 40
    new = {"pump.age": {"value": "100 %", "spread": "1 %"}}
    rows = known(model, samples, **fault)
    task = Task(
        document, "", changes=(new,), sets=((), (0,)), samples=samples, seed=0, power=None,
        learnt=(), posterior=rows, exact=False,
    )  # fmt: skip
    found = judge_sets(task)
    return found[0].p, found[1].p


def test_a_new_pump_mends_a_worn_one_and_no_leaking_hose() -> None:
    worn, renewed = holding(pump=0.35)
    assert worn < 0.1
    assert renewed > 0.5
    leaking, still = holding(leak=0.6)
    assert leaking < 0.1
    assert still < 0.1


def test_a_leak_is_as_large_behind_another_pump() -> None:
    model = garage.model_of("pickup-screw")
    rows = known(model, 3, leak=0.3)
    bigger = load(PICKUP, {"pump.count": "2", "pump.arrangement": "parallel"})
    same = after.put_in(bigger, rows, model.build)[0][TANK_LEAK]
    assert np.array_equal(same, after.put_in(model.build, rows)[0][TANK_LEAK])
    assert np.all(after.put_in(bigger, rows)[0][TANK_LEAK] > same)


def test_what_carries_a_fault_takes_it_along(tmp_path: Path) -> None:
    text = (PICKUP / "build.toml").read_text("utf-8").split("[[option]]")[0]
    mark = 'part = "pump"\n'
    assert text.count(mark) == 1
    hose = '\n[[feed]]\npart = "hose"\nsize = "-6"\nlength = "0.2 m"\n'
    (tmp_path / "build.toml").write_text(text.replace(mark, mark + hose), encoding="utf-8")
    build = load(tmp_path)
    inside = build.feed[0].key
    assert mended_by({f"{inside}.length": "0.3 m"}, build) == (TANK_LEAK,)
    assert mended_by({"pump.flow": "400 L/h", "wiring.size": "8 AWG"}, build) == ()
    assert len(mended_by({"feed.1.drop": "1 kPa", "belt.1.wrap": "190 deg"}, build)) == 2


def test_verdicts_after_the_readings_know_the_leak() -> None:
    """A rail that falls and comes to little through the return: less is left for the pump."""
    model = garage.model_of("pickup-screw")
    rng = np.random.default_rng(0)
    prior = known(model, 60)
    p = {}
    for leak in (0.0, 0.5):
        found = after.after(model.build, known(model, 60, leak=leak), prior, 60, rng)
        p[leak] = {row.part: row.p_holds for row in found.parts}["pump"]
    assert p[0.0] > 0.9
    assert p[0.5] < 0.1


def test_air_takes_flow_and_shakes_the_needle() -> None:
    """A needle that shakes and a pump that gives less: common practice, no source."""
    model = garage.model_of("pickup-screw")
    wanted: tuple[Reading, ...] = (
        observe.imagined("needle-steady", "idle"),
        observe.imagined("timed-volume", "key-on", Conditions(pressure_gauge=3.0e5, duration=30.0)),
    )
    base = forward.base(model.build, observe.plan(model.build, wanted, model.car[2]), model.car)
    right = forward.predict(base, sound(model))[0]
    assert right[0] > 0.85
    for name, size in (("air", 0.15), ("heat", 40.0)):
        found = forward.predict(base, sound(model) | {name: np.array([[size]])})[0]
        assert found[0] < 0.3
        assert found[1] < right[1]
    blocked = forward.predict(base, sound(model) | {"strainer": np.array([[120.0]])})[0]
    assert blocked[0] < right[0]
