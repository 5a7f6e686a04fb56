"""Air against printed numbers: the standard atmosphere and the two power corrections."""

import pytest

from keyturn.physics import air

# US Standard Atmosphere 1976, table I, GEOMETRIC altitude; the rows were confirmed with two
# libraries to more digits than the table prints. Tolerance 1e-4 relative: the width of its
# printed digits in density.
ATMOSPHERE = [
    ("A1", 0.0, 288.15, 101325.0, 1.2250),
    ("A2", 1000.0, 281.651, 89876.3, 1.11166),
    ("A3", 1500.0, 278.402, 84559.7, 1.05810),
    ("A4", 2000.0, 275.154, 79501.4, 1.00655),
    ("A5", 3000.0, 268.659, 70121.2, 0.90925),
]


@pytest.mark.parametrize("row", ATMOSPHERE, ids=lambda row: row[0])
def test_standard_atmosphere(row, compare):
    _, altitude, *theirs = row
    ours = air.standard_atmosphere(altitude)
    names = ("temperature", "pressure", "density")
    for name, unit, printed, got in zip(names, ("K", "Pa", "kg/m3"), theirs, ours, strict=True):
        compare(
            source="US Standard Atmosphere 1976 / ISO 2533",
            quantity=f"{name} at {altitude:g} m geometric",
            theirs=printed,
            ours=got,
            tolerance=1e-4 * printed,
            unit=unit,
        )


def test_altitude_is_geometric(compare):
    # A6: the table by GEOPOTENTIAL height prints 268.65 K and 70108.5 Pa at 3000 m (pressure from
    # memory); that height is z = r h / (r - h) geometric.
    geometric = 6356766.0 * 3000.0 / (6356766.0 - 3000.0)
    temperature, pressure, _ = air.standard_atmosphere(geometric)
    source = "US Standard Atmosphere 1976, geopotential table"
    compare(
        source=source,
        quantity="temperature at 3000 m geopotential",
        theirs=268.65,
        ours=temperature,
        tolerance=0.005,
        unit="K",
    )
    compare(
        source=source + " (from memory)",
        quantity="pressure at 3000 m geopotential",
        theirs=70108.5,
        ours=pressure,
        tolerance=1.0,  # from memory: the last digit is not leaned on
        unit="Pa",
    )
    assert air.standard_atmosphere(3000.0)[1] - pressure > 10.0


# P1: ISO 1585 form, plain arithmetic of the printed formula. Half the last digit.
@pytest.mark.parametrize(
    ("dry", "kelvin", "factor"),
    [(99e3, 298.0, 1.0), (95e3, 308.0, 1.0718), (101.3e3, 293.0, 0.9630), (84e3, 303.0, 1.2302)],
)
def test_correction_iso(dry, kelvin, factor, compare):
    compare(
        source="ISO 1585 form, UN R85 annex 5 (formula from memory)",
        quantity=f"power correction at {dry / 1e3:g} kPa dry, {kelvin:g} K",
        theirs=factor,
        ours=air.engine_correction(dry, kelvin),
        tolerance=5e-5,
    )


# P2: SAE J1349 form, constants from memory.
@pytest.mark.parametrize(
    ("dry", "kelvin", "factor"),
    [(95e3, 308.0, 1.0701), (101.3e3, 293.0, 0.9635), (84e3, 303.0, 1.2223)],
)
def test_correction_j1349(dry, kelvin, factor, compare):
    compare(
        source="SAE J1349 (constants from memory)",
        quantity=f"power correction at {dry / 1e3:g} kPa dry, {kelvin:g} K",
        theirs=factor,
        ours=air.engine_correction_j1349(dry, kelvin),
        tolerance=5e-5,
    )


# Steam tables: IAPWS-95 saturation pressures as every steam table prints them (from memory).
@pytest.mark.parametrize(
    ("celsius", "kilopascal", "half"),
    [(0.01, 0.6117, 5e-5), (20.0, 2.3393, 5e-5), (50.0, 12.352, 5e-4), (100.0, 101.42, 5e-3)],
)
def test_saturation_pressure(celsius, kilopascal, half, compare):
    compare(
        source="IAPWS steam tables (from memory)",
        quantity=f"saturation pressure of water at {celsius:g} degC",
        theirs=kilopascal,
        ours=air.saturation_pressure_water(celsius + 273.15) / 1e3,
        # twice half a digit: at 20 degC the fit used here and IAPWS-95 differ by 5e-5 relative
        tolerance=2.5 * half,
        unit="kPa",
    )
