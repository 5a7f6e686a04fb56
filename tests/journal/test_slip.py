"""Slips of unit and of zero are suspected, readings that a fault could make are not.

Expected bands come from the model for an invented example; the readings are made from them with
the definitions of the units: 1 bar = 14.5038 psi, 1 psi = 6.8948 kPa (NIST SP 811, 2008).
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from keyturn.build.model import Build
from keyturn.build.read import load
from keyturn.evidence.reading import kinds
from keyturn.journal.slip import Suspicion, expected, suspect
from keyturn.journal.typed import Typed, to_reading
from keyturn.system.check import run
from keyturn.system.result import CheckResult

EXAMPLES = Path(__file__).resolve().parents[2] / "src/keyturn/examples"


@pytest.fixture(scope="module")
def build() -> Build:
    return load(EXAMPLES / "pickup-screw")


@pytest.fixture(scope="module")
def result(build: Build) -> CheckResult:
    return run(build, samples=100, seed=0)


def judged(build: Build, result: CheckResult, typed: Typed) -> Suspicion | None:
    found = to_reading(typed, build)
    band = expected(found, result)
    ratio = build.fuel.stoichiometric.si
    return suspect(found, band, build.site.barometer.si, ratio)


def key_on(result: CheckResult) -> float:
    return result.states[0].rail_gauge.p50


@pytest.mark.parametrize(
    ("said", "meant", "in_pascal"),
    [
        ("bar", "psi", 6894.757),  # 14.5 times
        ("psi", "bar", 1.0e5),
        ("psi", "kPa", 1.0e3),  # 6.9 times
        ("kPa", "psi", 6894.757),
        ("kPa", "bar", 1.0e5),
        ("bar", "kPa", 1.0e3),
    ],
)
def test_a_wrong_unit_is_suspected(
    said: str, meant: str, in_pascal: float, build: Build, result: CheckResult
) -> None:
    number = key_on(result) / in_pascal
    found = judged(build, result, Typed("rail-pressure", f"{number:.4g} {said}", "key-on"))
    assert found is not None
    assert found.meant.split()[1] == meant
    assert judged(build, result, Typed("rail-pressure", found.meant, "key-on")) is None


@pytest.mark.parametrize("factor", [10.0, 0.1])
def test_a_slipped_point_is_suspected(factor: float, build: Build, result: CheckResult) -> None:
    typed = f"{key_on(result) / 6894.757 * factor:.4g} psi"
    found = judged(build, result, Typed("rail-pressure", typed, "key-on"))
    assert found is not None
    assert "point" in found.words


def test_an_absolute_gauge_is_suspected(build: Build, result: CheckResult) -> None:
    """Common practice, no source: one make of display shows 14.7 psi with the pump off."""
    high = (key_on(result) + build.site.barometer.si) / 6894.757
    found = judged(build, result, Typed("rail-pressure", f"{high:.1f} psi", "key-on"))
    assert found is not None
    assert found.meant.endswith("absolute")
    assert judged(build, result, Typed("rail-pressure", found.meant, "key-on")) is None
    assert judged(build, result, Typed("gauge-zero", "14.7 psi")) is not None
    assert judged(build, result, Typed("gauge-zero", "2 psi")) is None


def test_boost_said_to_be_absolute_is_suspected(build: Build, result: CheckResult) -> None:
    line = result.full_load
    number = len(line.engine_speed) // 2
    above = line.manifold_pressure[1, number] - build.site.barometer.si
    typed = Typed(
        "manifold-pressure", f"{above / 6894.757:.2f} psi abs", "full-load",
        rpm=f"{line.engine_speed[number] * 60:.0f}",
    )  # fmt: skip
    found = judged(build, result, typed)
    assert found is not None
    assert found.meant.endswith("gauge")
    assert judged(build, result, replace(typed, value=found.meant)) is None


def test_an_air_fuel_ratio_is_no_lambda(build: Build, result: CheckResult) -> None:
    found = judged(build, result, Typed("lambda", "11.5", "full-load", rpm="4000"))
    assert found is not None
    assert "air-fuel" in found.words


@pytest.mark.parametrize("share", [0.97, 0.8, 0.6, 0.5, 0.0])
def test_what_a_fault_makes_is_not_suspected(
    share: float, build: Build, result: CheckResult
) -> None:
    """A worn pump or a wrong set point is for the search of causes, not for the unit."""
    typed = f"{key_on(result) * share / 6894.757:.3g} psi"
    assert judged(build, result, Typed("rail-pressure", typed, "key-on")) is None


def test_a_reading_as_expected_is_not_suspected(build: Build, result: CheckResult) -> None:
    """Every kind at every state, at the edges of its band."""
    seen = 0
    for kind in kinds().values():
        for state in kind.states:
            if kind.quantity == "yes_no":
                continue
            text = {"pressure": "50 kPa abs", "air_fuel_equivalence": "1"}.get(kind.quantity)
            unit = {"pressure_gauge": "kPa", "voltage": "V", "current": "A", "volume": "L",
                    "temperature": "K"}.get(kind.quantity)  # fmt: skip
            typed = Typed(
                kind.name, text or f"1 {unit}", state, reference="on", rpm="3000",
                pressure="310 kPa", seconds="30",
            )  # fmt: skip
            found = to_reading(typed, build)
            band = expected(found, result)
            for edge in band or ():
                exact = replace(found, value=edge)
                assert suspect(exact, band, build.site.barometer.si, 14.7) is None
                seen += 1
    assert seen > 60


def test_clamps_and_meters(build: Build, result: CheckResult) -> None:
    amps = result.states[0].pump_current.p50
    assert judged(build, result, Typed("pump-current", f"{amps * 10:.3g} A", "key-on")) is not None
    assert judged(build, result, Typed("pump-current", f"{amps * 1.4:.3g} A", "key-on")) is None
    found = judged(build, result, Typed("ground-drop", "250 V", "key-on"))
    assert found is not None
    assert found.meant == "250 mV"
    assert judged(build, result, Typed("fuel-temperature", "95 degC", "idle")) is not None
    assert judged(build, result, Typed("fuel-temperature", "45 degC", "idle")) is None
