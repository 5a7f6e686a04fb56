"""The match against a scalar root finder on equations written out again here (SciPy)."""

from __future__ import annotations

import numpy as np
import pytest

from keyturn.system import breathing

optimize = pytest.importorskip("scipy.optimize")

R, CP = 287.055, 287.055 * 3.5


def _manifold_pressure(case: dict[str, float], rev: float) -> tuple[float, float, float]:
    """Unknown here: manifold pressure; the drop is found by an inner fixed point."""
    p1 = case["ambient"] * (1.0 - case["loss"])
    t1, v = case["t1"], case["built_in"]
    blower_rev = rev * case["ratio"]

    def delivered(p2: float) -> tuple[float, float]:
        inside = 14.7 * (p2 / p1 - 1.0) * t1 / (528.0 / 1.8)
        slip = np.sign(inside) * case["slip"] * np.sqrt(abs(inside))
        flow = p1 / (R * t1) * case["blower"] * (blower_rev - slip)
        port = p1 * v**1.4
        work = 3.5 * (port / v - p1) + (p2 - port) / v  # J per m3 displaced
        return flow, t1 + work * case["blower"] * blower_rev / (flow * CP)

    def state(pm: float) -> tuple[float, float]:
        p2 = pm
        for _ in range(200):
            flow, t2 = delivered(p2)
            p2 = pm + case["drop"] * (flow / 0.25) ** 2 * 1.2 / (p2 / (R * t2))
        tm = t2 - case["cooling"] * (t2 - 310.0)
        return flow - case["filling"] * case["engine"] * rev / 2.0 * pm / (R * tm), tm

    pm = optimize.brentq(lambda p: state(p)[0], 0.5 * p1, case["highest"] * p1, xtol=1e-6)
    flow, _ = delivered(pm)
    return pm, state(pm)[1], flow


KEYS = (
    *("engine", "filling", "blower", "ratio", "slip", "built_in"),
    *("cooling", "drop", "ambient", "loss", "t1", "highest"),
)
# invented cars
CASES = {
    name: dict(zip(KEYS, row, strict=True))
    for name, row in {
        "roots, cooled": (2.5e-3, 0.85, 1.4e-3, 2.0, 8.0, 1.0, 0.7, 8e3, 1e5, 0.02, 298.0, 3.5),
        "screw, hot": (3e-3, 0.90, 1.2e-3, 2.1, 6.0, 1.3, 0.0, 0.0, 0.9e5, 0.0, 305.0, 3.0),
        "ratio near one": (4e-3, 0.85, 1e-3, 1.7, 5.0, 1.0, 0.5, 4e3, 1e5, 0.01, 293.0, 2.0),
    }.items()
}


@pytest.mark.parametrize("name", CASES)
@pytest.mark.parametrize("rpm", [1000.0, 2500.0, 4500.0, 6500.0])
def test_match_is_where_brentq_finds_it(name: str, rpm: float) -> None:
    """1e-6: the inner fixed point and the stop of brentq."""
    case = CASES[name]
    pressure, temperature, _ = _manifold_pressure(case, rpm / 60.0)
    line = breathing.match(
        breathing.BreathingInput(
            engine_speed=np.array([rpm / 60.0]),
            displacement_engine=case["engine"],
            filling=case["filling"],
            ambient_pressure=case["ambient"],
            ambient_temperature=case["t1"],
            source=breathing.BlowerSource(
                case["blower"], case["ratio"], case["slip"], case["built_in"], 0.9
            ),
            cooler=breathing.ChargeCooler(case["cooling"], 310.0, case["drop"], 0.25, 1.2),
            inlet_loss=case["loss"],
        )
    )
    assert line.manifold_pressure[0] == pytest.approx(pressure, rel=1e-6)
    assert line.inlet_temperature[0] == pytest.approx(temperature, rel=1e-6)
