"""Fuel against printed numbers: composition, heating value, ranges of the fuel standards."""

import math
import tomllib
from importlib.resources import files

import pytest

from keyturn.physics import fuel

PSI = 6894.757
BTU_PER_POUND = 2326.0
FUELS = tomllib.loads((files("keyturn") / "data" / "fuels.toml").read_text(encoding="utf-8"))

# S1-S6, S9: real dry air, oxygen 0.2095 by mole, molar mass 28.965, arithmetic from the atomic
# masses; ethanol 9.003 is also printed in a published fuel property sheet. Tolerance 2e-3: the
# oxygen share of dry air is printed between 0.2095 and 0.20948.
RATIOS = [
    ("iso-octane", 8, 18, 0, 15.129, 2e-3),
    ("n-heptane", 7, 16, 0, 15.177, 2e-3),
    ("ethanol", 2, 6, 1, 9.003, 2e-3),
    ("methanol", 1, 4, 1, 6.472, 2e-3),
    ("toluene", 7, 8, 0, 13.505, 2e-3),
    ("petrol CH1.87", 1, 1.87, 0, 14.601, 2e-3),
    ("petrol CH1.85", 1, 1.85, 0, 14.572, 2e-3),
    ("methane", 1, 4, 0, 17.24, 5e-3),
    ("propane", 3, 8, 0, 15.68, 5e-3),
]


@pytest.mark.parametrize("row", RATIOS, ids=lambda row: row[0])
def test_ratio_from_composition(row, compare):
    name, carbon, hydrogen, oxygen, printed, tolerance = row
    compare(
        source="combustion arithmetic, real dry air (Heywood 1988, section 3.4)",
        quantity=f"stoichiometric ratio of {name}",
        theirs=printed,
        ours=fuel.stoichiometric_ratio(carbon, hydrogen, oxygen),
        tolerance=tolerance,
    )


def test_ratio_printed_range():
    # DOE/AFDC prints 9 for ethanol and 14.7 for petrol; handbooks 14.5 to 14.7 for petrol.
    assert 14.5 <= FUELS["petrol"]["stoichiometric"] <= 14.7
    assert round(FUELS["ethanol"]["stoichiometric"]) == 9


def test_excess_air_from_mass_analysis(compare):
    # S10: Mathur and Sharma, Internal Combustion Engines, ex. 8.3: petrol 84 % carbon and 16 %
    # hydrogen by mass, air supplied 16.8, excess 10.6 %. Tolerance 1 % of the ratio of the two:
    # the book takes oxygen as 20.9 % of air.
    needed = fuel.stoichiometric_ratio(0.84 / 12.011, 0.16 / 1.008, 0.0)
    compare(
        source="Mathur and Sharma, ex. 8.3",
        quantity="air supplied over air needed",
        theirs=1.106,
        ours=16.8 / needed,
        tolerance=0.011,
    )


def test_blend_of_ten_percent(compare):
    # S8: petrol CH1.87 at 745 kg/m3 with 10 % ethanol; ethanol at 789.4 there and 793.7 here,
    # which moves the mass share by 5e-4 and the ratio by 3e-3.
    blend = fuel.blend_by_volume(0.10, 745.0, 14.601, 43.0e6, 350.0e3)
    source = "E10 by arithmetic from composition"
    rows = [
        ("density of E10", 749.4, blend.density, 0.6, "kg/m3"),
        ("ethanol by mass in E10", 0.1053, blend.ethanol_mass_fraction, 6e-4, "-"),
        ("stoichiometric ratio of E10", 14.012, blend.stoichiometric_ratio, 5e-3, "-"),
    ]
    for quantity, theirs, ours, tolerance, unit in rows:
        compare(
            source=source,
            quantity=quantity,
            theirs=theirs,
            ours=ours,
            tolerance=tolerance,
            unit=unit,
        )


def test_blend_from_elements():
    # S8, other route: the elements of the blend, C/H/O 0.8282/0.1352/0.0366 by mass.
    ratio = fuel.stoichiometric_ratio(0.8282 / 12.011, 0.1352 / 1.008, 0.0366 / 15.999)
    assert ratio == pytest.approx(14.012, rel=5e-4)  # four printed digits of the shares


# LH1-LH5: enthalpies of formation of the liquids, kJ/mol (NIST chemistry data, from memory for
# the inputs). The alcohols and toluene differ between compilations by up to 1 kJ/mol, 0.03 MJ/kg.
HEATS = [
    ("ethanol", 2, 6, 1, -277.0, 26.818, 0.03),
    ("methanol", 1, 4, 1, -238.9, 19.935, 0.03),
    ("iso-octane", 8, 18, 0, -259.2, 44.347, 0.03),
    ("n-heptane", 7, 16, 0, -224.2, 44.563, 0.03),
    ("toluene", 7, 8, 0, 12.2, 40.529, 0.03),
]


@pytest.mark.parametrize("row", HEATS, ids=lambda row: row[0])
def test_heating_value_from_formation(row, compare):
    name, carbon, hydrogen, oxygen, per_mole, printed, tolerance = row
    mass = (carbon * 12.011 + hydrogen * 1.008 + oxygen * 15.999) * 1e-3
    compare(
        source="enthalpies of formation, Hess's law",
        quantity=f"lower heating value of {name}, liquid",
        theirs=printed,
        ours=fuel.lower_heating_value_from_formation(
            carbon, hydrogen, oxygen, per_mole * 1e3 / mass
        )
        / 1e6,
        tolerance=tolerance,
        unit="MJ/kg",
    )


def test_lower_from_higher(compare):
    # LH7: Mathur and Sharma ex. 8.1 takes nine masses of water a mass of hydrogen where the atomic
    # masses give 8.936: 0.064 * 0.144 * 2304.4 = 21.2 kJ/kg; one more for the cut last digit.
    compare(
        source="Mathur and Sharma, ex. 8.1",
        quantity="lower heating value from the higher",
        theirs=43.913,
        ours=fuel.lower_from_higher(46.9e6, 0.144, 2304.4e3) / 1e6,
        tolerance=0.0222,
        unit="MJ/kg",
    )


# G1, G3, G4, LH6 and the first row of each: ranges as the DOE/AFDC property table, EN 228 and
# NREL print them. Our row has to lie inside.
RANGES = [
    ("petrol", "density_15", 720.0, 780.0, "DOE/AFDC specific gravity"),
    ("petrol", "density_15", 720.0, 775.0, "EN 228 (from memory)"),
    ("petrol", "heating_value", 18000 * BTU_PER_POUND, 19000 * BTU_PER_POUND, "DOE/AFDC"),
    ("petrol", "latent_heat", 325.0e3, 375.0e3, "NREL, OSTI 1242469"),
    ("petrol", "vapour_pressure_37_8", 8 * PSI, 15 * PSI, "DOE/AFDC Reid"),
    ("petrol", "expansion", 0.95e-3, 1.2e-3, "handbook range (from memory)"),
    ("ethanol", "density_15", 791.0, 797.0, "DOE/AFDC specific gravity 0.796, +- 0.003"),
    ("ethanol", "viscosity_20", 1.185e-3, 1.195e-3, "DOE/AFDC 1.19 cP, really at 20 degC"),
    ("ethanol", "vapour_pressure_37_8", 2.25 * PSI, 2.35 * PSI, "DOE/AFDC 2.3 psi"),
    ("ethanol", "heating_value", 11450 * BTU_PER_POUND, 11550 * BTU_PER_POUND, "DOE/AFDC"),
    ("ethanol", "latent_heat", 395.5 * BTU_PER_POUND, 396.5 * BTU_PER_POUND, "DOE/AFDC 396"),
    ("methanol", "heating_value", 19.935e6, 20.09e6, "formation enthalpy to API table"),
]


@pytest.mark.parametrize("row", RANGES, ids=lambda row: f"{row[0]}-{row[1]}-{row[4]}")
def test_row_inside_printed_range(row):
    name, key, low, high, _ = row
    assert low <= FUELS[name][key] <= high


def test_petrol_spread_covers_both_seasons():
    # G5: EN 228 by test: 45-60 kPa in summer, 60-90 kPa in winter. Two sigma must reach both ends
    # (raised to the true pressure), or a winter fill would be outside of what is believed.
    middle, spread = FUELS["petrol"]["vapour_pressure_37_8"], FUELS["petrol"]["spread"]
    reach = math.exp(2 * spread["vapour_pressure_37_8"])
    assert middle / reach <= fuel.true_vapour_pressure(45.0e3)
    assert middle * reach >= fuel.true_vapour_pressure(90.0e3)


def test_allowance_for_ethanol(compare):
    # G7b: 40 CFR 1090.215 allows 1.0 psi more for 9-10 % ethanol. Half the last digit, 0.05 psi.
    rise = FUELS["petrol-e10"]["vapour_pressure_37_8"] - FUELS["petrol"]["vapour_pressure_37_8"]
    compare(
        source="40 CFR 1090.215",
        quantity="rise of vapour pressure by 10 % ethanol, by test",
        theirs=1.0,
        ours=rise / fuel.REID_RISE / PSI,
        tolerance=0.05,
        unit="psi",
    )


def test_latent_heat_of_half_and_half(compare):
    # G4: NREL, OSTI 1242469 (abstract): 50 % ethanol 650-700 kJ/kg, petrols 325-375. Mixing by
    # mass gives 644 from the middle petrol: below the printed range. 5 % is what the theory page
    # claims for this rule; no verdict rests on it.
    blend = fuel.blend_by_volume(0.5, 745.0, 14.6, 43.0e6, 350.0e3)
    compare(
        source="NREL, OSTI 1242469, middle of the range",
        quantity="latent heat of 50 % ethanol",
        theirs=675.0,
        ours=blend.latent_heat / 1e3,
        tolerance=0.05 * 675.0,
        unit="kJ/kg",
    )


@pytest.mark.parametrize("reid_psi", [7.0, 9.0, 11.5, 13.5, 15.0])
def test_true_vapour_pressure(reid_psi, compare):
    # US EPA AP-42 section 7.1, petrol, distillation slope 3 (equation and constants from memory).
    # 1 %: one fixed rise stands for the printed equation.
    rankine, log, root = 559.67, math.log10(reid_psi), math.sqrt(3.0)
    printed = math.exp(
        (0.7553 - 413.0 / rankine) * root * log
        - (1.854 - 1042.0 / rankine) * root
        + (2416.0 / rankine - 2.013) * log
        - 8742.0 / rankine
        + 15.64
    )
    compare(
        source="US EPA AP-42 section 7.1 (from memory)",
        quantity=f"true vapour pressure at 100 degF of {reid_psi:g} psi petrol",
        theirs=printed,
        ours=fuel.true_vapour_pressure(reid_psi * PSI) / PSI,
        tolerance=0.01 * printed,
        unit="psi",
    )


@pytest.mark.parametrize(
    ("celsius", "ratio"), [(20, 0.526), (30, 0.763), (43.3, 1.199), (50, 1.482), (60, 1.997)]
)
def test_vapour_pressure_ratio_pentane(celsius, ratio, compare):
    # N5: n-pentane by its reference equation of state; half the last digit.
    compare(
        source="n-pentane reference equation of state",
        quantity=f"vapour pressure at {celsius} degC over that at 37.8 degC",
        theirs=ratio,
        ours=fuel.vapour_pressure_at(celsius + 273.15, 1.0),
        tolerance=1e-3,  # the law is three constants; a tenth of the 1 % asked for a light end
    )


def test_petrol_density_when_hot(compare):
    # ASTM D1250 table 54B (constants from memory): 745 kg/m3 at 15 degC. 0.5 %: petrols differ.
    alpha = 346.4228 / 745.0**2 + 0.4388 / 745.0
    printed = 745.0 * math.exp(-alpha * 25.0 * (1.0 + 0.8 * alpha * 25.0))
    compare(
        source="ASTM D1250 table 54B (from memory)",
        quantity="density of 745 kg/m3 petrol at 40 degC",
        theirs=printed,
        ours=fuel.density_at(313.15, 745.0, FUELS["petrol"]["expansion"]),
        tolerance=0.005 * 745.0,
        unit="kg/m3",
    )
