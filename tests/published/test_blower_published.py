"""Blower and compressor against printed examples (read from volunteers' copies)."""

from __future__ import annotations

import numpy as np
import pytest

from keyturn.physics import blower

NAG = "P. K. Nag, Basic and Applied Thermodynamics"
GUPTA = "H. N. Gupta, Fundamentals of IC Engines"
MATHUR = "Mathur & Sharma, Internal Combustion Engines"
RAJPUT = "Rajput, Internal Combustion Engines"


def test_roots_work_per_revolution() -> None:
    """NAG ex. 19.14: 0.03 m3/rev, 1.013 bar, ratio 1.5: 1.52 kJ/rev (half last digit)."""
    work = 0.03 * 1.013e5 * blower.cycle_work(1.5, 1.0)
    assert work == pytest.approx(1520.0, abs=5.0)


def test_vane_work_per_revolution() -> None:
    """NAG ex. 19.14: internal compression to the mean of the pressures: 1.348 kJ/rev."""
    volume_ratio = 1.25 ** (1.0 / 1.4)
    work = 0.03 * 1.013e5 * blower.cycle_work(1.5, volume_ratio)
    assert work == pytest.approx(1348.0, abs=0.5)


def test_limit_efficiencies_of_both_machines() -> None:
    """NAG ex. 19.14: 0.860 without and 0.969 with internal compression (half last digit)."""
    isentropic = 3.5 * (1.5 ** (0.4 / 1.4) - 1.0)
    assert isentropic / blower.cycle_work(1.5, 1.0) == pytest.approx(0.860, abs=5e-4)
    vane = blower.cycle_work(1.5, 1.25 ** (1.0 / 1.4))
    assert isentropic / vane == pytest.approx(0.969, abs=5e-4)


@pytest.mark.parametrize(("built_in", "kilowatt"), [(1.0, 99.47), (1.0 / 0.7, 77.92)])
def test_power_with_and_without_internal_compression(built_in: float, kilowatt: float) -> None:
    """NAG ex. 19.15: 1 kg/s at 70 degC, 1 bar, ratio 2, R 0.29; 1e-3, the book takes 343 K."""
    displaced = 290.0 * 343.0 / 1.0e5
    power = blower.compression_power(displaced, 1.0, 1.0e5, 2.0, built_in)
    assert power == pytest.approx(kilowatt * 1e3, rel=1e-3)


# id, inlet [K], ratio, isentropic efficiency, outlet [K], tolerance [K], source
OUTLETS = [
    ("gupta-15.1", 288.0, 1.6, 0.74, 343.93, 0.05, GUPTA),
    ("gupta-15.5", 290.0, 1.8, 0.90, 348.92, 0.05, GUPTA),
    ("gupta-15.6", 290.0, 1.8 / 0.98, 0.80, 86.0 + 273.15, 0.5, GUPTA),  # prints 86 degC
    ("mathur-17.1", 300.0, 1.7, 0.75, 365.5, 0.1, MATHUR),
    ("rajput-16.1", 325.0, 1.6, 0.70, 391.7, 0.1, RAJPUT),
]


@pytest.mark.parametrize("row", OUTLETS, ids=[row[0] for row in OUTLETS])
def test_compressor_outlet(row: tuple[str, float, float, float, float, float, str]) -> None:
    """Tolerance: the last digit the sources carry through their steps."""
    _, inlet, ratio, efficiency, outlet, tolerance, _ = row
    ours = blower.compressor_outlet_temperature(inlet, ratio, efficiency)
    assert ours == pytest.approx(outlet, abs=tolerance)


# id, mass flow [kg/s], inlet [K], ratio, efficiency, mechanical, power [kW], tolerance
POWERS = [
    ("gupta-15.1", 0.11494, 288.0, 1.6, 0.74, 1.0, 6.461, 1e-3),
    ("gupta-15.1-mechanical", 0.11494, 288.0, 1.6, 0.74, 0.78, 8.284, 1e-3),
    ("gupta-15.5", 0.27034, 290.0, 1.8, 0.90, 0.85, 18.83, 1e-3),
    ("mathur-17.1", 0.1437, 300.0, 1.7, 0.75, 0.80, 11.82, 2e-3),
    ("rajput-16.1", 0.9147 * 1.6 * 325.0 / 391.7, 325.0, 1.6, 0.70, 0.90, 90.47, 1e-3),
]


@pytest.mark.parametrize("row", POWERS, ids=[row[0] for row in POWERS])
def test_compressor_power(
    row: tuple[str, float, float, float, float, float, float, float],
) -> None:
    """Tolerance: books use c_p 1.005, ours 1.0047 (3e-4), and round temperatures."""
    _, flow, inlet, ratio, efficiency, mechanical, kilowatt, tolerance = row
    outlet = blower.compressor_outlet_temperature(inlet, ratio, efficiency)
    power = blower.drive_power(blower.heating_power(flow, outlet - inlet), mechanical)
    assert power == pytest.approx(kilowatt * 1e3, rel=tolerance)


def test_slip_law_of_the_trade() -> None:
    """Industrial roots slip law (form from memory): rise x 4 doubles, 0.8 atm gives x 1.118."""
    base = blower.slip_at_duty(8.0, 6894.757, 14.7 * 6894.757, 528.0 / 1.8)
    assert base == pytest.approx(8.0, rel=1e-12)
    assert blower.slip_at_duty(8.0, 4 * 6894.757, 14.7 * 6894.757, 528.0 / 1.8) == pytest.approx(
        16.0, rel=1e-12
    )
    thin = blower.slip_at_duty(8.0, 6894.757, 0.8 * 14.7 * 6894.757, 528.0 / 1.8)
    assert thin / base == pytest.approx(1.118, abs=5e-4)


def test_displaced_mass_of_the_naca_machine() -> None:
    """NACA TR-230 (Ware 1926): 0.51 ft3 per rotor turn, 1.5 x crank; 14.44 L by the foot.

    Displaced mass at 2000 rev/min of the crank, no slip: 0.51 ft3 x 50 1/s x rho (rho of the
    international standard atmosphere at sea level, 1.225 kg/m3). Tolerance 1e-4: that rho.
    """
    speed = blower.blower_speed(2000.0 / 60.0, 1.5)
    flow = blower.delivered_mass_flow(0.51 * 0.3048**3, speed, 1.0, 101325.0, 288.15)
    assert flow == pytest.approx(0.51 * 0.028316847 * 50.0 * 1.225, rel=1e-4)


RATIOS = np.array([1.2, 1.4, 1.5, 1.6, 1.8, 2.0, 2.5, 3.0])
ISENTROPIC = np.array([314.09, 328.24, 334.77, 341.00, 352.67, 363.45, 387.38, 408.09])


def test_isentropic_table() -> None:
    """Perfect-gas relation from 298.15 K, gamma 1.4 (table computed apart); half last digit."""
    ours = blower.compressor_outlet_temperature(298.15, RATIOS, 1.0)
    np.testing.assert_allclose(ours, ISENTROPIC, atol=0.0051)


def test_roots_limit_efficiency_table() -> None:
    """Isentropic work over v (p2 - p1), table computed apart.

    1e-3: half the last digit, and the table takes c_p 1.005 where 3.5 R is 1.0047 (3e-4).
    """
    isentropic = 3.5 * (RATIOS ** (0.4 / 1.4) - 1.0)
    table = [0.936, 0.883, 0.860, 0.839, 0.800, 0.767, 0.698, 0.645]
    np.testing.assert_allclose(isentropic / blower.cycle_work(RATIOS, 1.0), table, rtol=1e-3)
