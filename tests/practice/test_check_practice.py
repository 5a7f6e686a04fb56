"""Facts of the trade, common practice, no source: what a builder would say of these cars."""

from __future__ import annotations

from pathlib import Path

import pytest

import keyturn
from keyturn.system.result import CheckResult

PSI = 6894.757
LPH = 1.0 / 3.6e6
BUILD = Path(__file__).parents[1] / "builds" / "v8-5400.toml"
WANTED = 65.0  # psi, "mid-60s"


def answer(**changes: object) -> CheckResult:
    named = {key.replace("__", "."): value for key, value in changes.items()}
    return keyturn.check(keyturn.load(BUILD, changes=named), samples=200)


@pytest.fixture(scope="module")
def low() -> CheckResult:
    return answer()


def row(result: CheckResult, part: str):  # type: ignore[no-untyped-def]
    return next(item for item in result.headroom if item.part == part)


def state(result: CheckResult, name: str):  # type: ignore[no-untyped-def]
    return next(item for item in result.states if item.name == name)


def injector_capacity() -> float:
    """Eight injectors of 550 cm3/min held open, moved from 43.5 to 65 psi by the root law."""
    return 8 * 550.0e-6 / 60.0 * (WANTED / 43.5) ** 0.5


def test_380_litres_an_hour_is_just_enough_and_the_mid_400s_are_comfortable() -> None:
    """Common practice, no source. "Just enough" is above what the injectors can pass wide open but
    below the margin of 125 % that 14 CFR 23.955 asks of pump-fed engines; "comfortable" is above.
    """
    capacity = injector_capacity()
    ratios = []
    for at_pressure in (380.0, 450.0):
        scale = at_pressure / 380.0
        table = [
            [f"{psi} psi", f"{flow * scale} L/h"]
            for psi, flow in ((0, 470), (40, 420), (65, 380), (90, 310))
        ]
        result = answer(
            pump__flow={"value": table, "grade": "datasheet"},
            regulator__set={"value": "65 psi", "grade": "measured"},
        )
        point = state(result, "full load, power speed")
        # at the rated 13.5 V the pump passes its table; the car gives it a little less
        ratios.append(point.pump_flow.p50 / capacity)
        assert row(result, "pump").verdict == "holds"
    assert 1.0 < ratios[0] < 1.25
    assert ratios[1] > 1.25


def test_fixed_regulator_ten_psi_low_is_ten_short_in_every_state(low: CheckResult) -> None:
    """Common practice, no source: steady at key-on, idle and raised speed, with fuel back."""
    for name in ("key-on", "idle", "2500 rev/min no load", "full load, power speed"):
        point = state(low, name)
        assert WANTED - point.rail_gauge.p50 / PSI == pytest.approx(10.0, abs=1.5)
        assert point.return_flow.p50 > 20.0 * LPH


def test_that_pattern_points_at_the_set_point_before_the_pump(low: CheckResult) -> None:
    """Common practice, no source: the pump holds, the pressure against the calibration does not."""
    assert row(low, "pump").verdict == "holds"
    assert row(low, "calibration").p_holds < 0.05
    assert low.limiting.part == "calibration"


def test_a_weak_pump_shows_another_pattern() -> None:
    """The case that must differ: supply trouble falls with flow instead of staying level."""
    weak = answer(pump__age={"value": "20 %", "spread": "3 %", "grade": "measured"})
    fall = (
        state(weak, "key-on").rail_gauge.p50 - state(weak, "full load, power speed").rail_gauge.p50
    )
    assert fall > 8.0 * PSI
    assert row(weak, "pump").verdict == "short"
