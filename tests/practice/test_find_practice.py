"""The fault tree that fuel-pressure procedures share, fed as readings into two invented cars.

Common practice and judgement, consistent with published service procedures (V6 1988, V6 1990, V8
1992): each row of symptoms ranks its cause first or second.
"""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import pytest

spec = importlib.util.spec_from_file_location(
    "garage", Path(__file__).parents[1] / "evidence" / "garage.py"
)
assert spec is not None
assert spec.loader is not None
garage = importlib.util.module_from_spec(spec)
sys.modules["garage"] = garage
spec.loader.exec_module(garage)

FIXED, REFERENCED = "v8-5400", "pickup-screw"
PSI = garage.PSI
NAMED = 0.6  # what an answer needs to be named at all
BEFORE_REGULATOR = {"strainer", "filter", "feed line", "pump", "leak in the tank"}


def levels(name: str) -> tuple[object, dict[str, float]]:
    """The car, and what it shows as described [psi]."""
    model = garage.model_of(name)
    states = ("key-on", "idle", "held-speed", "full-load")
    return model, {state: garage.normal(model, "rail-pressure", state) / PSI for state in states}


def first_two(found: object, wanted: set[str]) -> bool:
    return bool(set(garage.names(found)[:2]) & wanted)


@pytest.mark.parametrize("name", [FIXED, REFERENCED])
def test_low_and_steady_with_fuel_back_is_set_point_or_gauge(name: str) -> None:
    """About 10 psi low at key-on, idle and raised speed, with fuel coming back."""
    model, ok = levels(name)
    found = garage.ask(
        model,
        *(garage.psi(state, ok[state] - 10.0) for state in ("key-on", "idle", "held-speed")),
        garage.seen("key-on", True),
        garage.volts("idle", garage.normal(model, "pump-voltage", "idle")),
    )
    assert set(garage.names(found)[:2]) == {"set point", "gauge"}
    assert garage.share(found, "set point", "gauge") > 0.8
    assert garage.share(found, *BEFORE_REGULATOR, "wiring") < 0.1


@pytest.mark.parametrize("name", [FIXED, REFERENCED])
def test_falling_with_flow_is_supply(name: str) -> None:
    """Right at key-on and idle, falls as the engine takes more; volts steady."""
    model, ok = levels(name)
    found = garage.ask(
        model,
        garage.psi("key-on", ok["key-on"]),
        garage.psi("idle", ok["idle"]),
        garage.psi("full-load", ok["full-load"] - 12.0),
        garage.volts("full-load", garage.normal(model, "pump-voltage", "full-load")),
    )
    assert first_two(found, BEFORE_REGULATOR)
    assert garage.share(found, *BEFORE_REGULATOR) > 0.6
    assert garage.share(found, "set point", "gauge") < 0.1


@pytest.mark.parametrize("name", [FIXED, REFERENCED])
def test_low_without_return_and_low_volts_is_wiring(name: str) -> None:
    """Both pumps are ample: only a few volts at the terminals leave no fuel for the return."""
    model, ok = levels(name)
    found = garage.ask(
        model,
        garage.psi("key-on", ok["key-on"] - 10.0),
        garage.psi("idle", ok["idle"] - 2.0),
        garage.psi("full-load", ok["full-load"] - 24.0),
        garage.seen("key-on", False),
        garage.volts("idle", 3.0),
    )
    assert "wiring" in garage.names(found)[:2]


@pytest.mark.parametrize("name", [FIXED, REFERENCED])
def test_low_without_return_and_good_volts_is_before_the_regulator(name: str) -> None:
    model, ok = levels(name)
    found = garage.ask(
        model,
        garage.psi("key-on", ok["key-on"] - 20.0),
        garage.psi("idle", ok["idle"] - 12.0),
        garage.psi("full-load", ok["full-load"] - 31.0),
        garage.seen("key-on", False),
        garage.volts("idle", garage.normal(model, "pump-voltage", "idle")),
    )
    assert first_two(found, BEFORE_REGULATOR)
    assert garage.share(found, *BEFORE_REGULATOR) > 0.6


@pytest.mark.parametrize("name", [FIXED, REFERENCED])
def test_falling_with_volts_that_sag_is_wiring(name: str) -> None:
    model, ok = levels(name)
    found = garage.ask(
        model,
        garage.psi("key-on", ok["key-on"]),
        garage.psi("idle", ok["idle"]),
        garage.psi("full-load", ok["full-load"] - 12.0),
        garage.volts("full-load", 9.5),
    )
    assert "wiring" in garage.names(found)[:2]
    assert garage.share(found, "wiring", "several") > 0.6


def test_no_rise_with_boost_and_strong_return_is_the_reference_hose() -> None:
    model, ok = levels(REFERENCED)
    found = garage.ask(
        model,
        garage.psi("key-on", ok["key-on"]),
        garage.psi("idle", ok["key-on"]),
        garage.psi("full-load", ok["key-on"]),
        garage.seen("held-speed", True),
    )
    assert garage.names(found)[0] == "reference hose"
    assert garage.share(found, "reference hose") > 0.8


@pytest.mark.parametrize("name", [REFERENCED])
def test_high_at_idle_and_normal_at_load_is_the_return(name: str) -> None:
    model, ok = levels(name)
    found = garage.ask(
        model,
        garage.psi("key-on", ok["key-on"] + 14.0),
        garage.psi("idle", ok["idle"] + 20.0),
        garage.psi("full-load", ok["full-load"]),
        garage.seen("held-speed", True),
    )
    assert "return line" in garage.names(found)[:2]


@pytest.mark.parametrize("name", [FIXED, REFERENCED])
def test_right_and_then_bleeding_off_is_a_valve_or_an_injector(name: str) -> None:
    model, ok = levels(name)
    readings = (
        garage.psi("key-on", ok["key-on"]),
        garage.psi("idle", ok["idle"]),
        garage.held(10.0, ok["key-on"], 60.0),
    )
    found = garage.ask(model, *readings)
    assert first_two(found, {"check valve", "injector or seat"})
    assert garage.share(found, "check valve", "injector or seat", "leak in the tank") > 0.8
    # closing the feed off takes the check valve out: still falling is injector or seat
    shut = garage.ask(model, *readings, garage.held(12.0, ok["key-on"], 60.0, "feed"))
    assert garage.names(shut)[0] == "injector or seat"
    tight = garage.ask(model, *readings, garage.held(ok["key-on"] - 1, ok["key-on"], 60.0, "feed"))
    assert "check valve" in garage.names(tight)[:2]
    assert garage.share(tight, "injector or seat") < 0.1


@pytest.mark.parametrize("name", [FIXED, REFERENCED])
def test_five_psi_across_the_filter_and_more_is_the_filter(name: str) -> None:
    """Service procedure, V8 5.9 L, 1992: 5 psi higher upstream than down, replace the filter."""
    model, ok = levels(name)
    before = garage.normal(model, "before-filter", "idle") / PSI
    found = garage.ask(
        model,
        garage.psi("idle", ok["idle"]),
        garage.psi("idle", before + 25.0, "before-filter"),
        garage.psi("key-on", ok["key-on"]),
    )
    assert "filter" in garage.names(found)[:2]


@pytest.mark.parametrize("name", [FIXED, REFERENCED])
def test_second_gauge_that_disagrees_is_the_gauge(name: str) -> None:
    model, ok = levels(name)
    found = garage.ask(
        model,
        garage.psi("key-on", ok["key-on"] - 12.0),
        garage.psi(
            "key-on", ok["key-on"], "second-gauge", pressure_gauge=(ok["key-on"] - 12) * PSI
        ),
        garage.psi("vented", -11.0, "gauge-zero"),
    )
    assert garage.names(found)[0] == "gauge"
    assert garage.share(found, "gauge") > NAMED
