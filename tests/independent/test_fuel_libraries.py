"""Fuel laws and rows against equations of state (CoolProp), thermo and chemicals."""

import tomllib
from importlib.resources import files

import numpy as np
import pytest

from keyturn.physics import fuel

CoolProp = pytest.importorskip("CoolProp.CoolProp")
FUELS = tomllib.loads((files("keyturn") / "data" / "fuels.toml").read_text(encoding="utf-8"))
KELVIN = np.linspace(273.15, 333.15, 13)
ALCOHOLS = [("ethanol", "Ethanol"), ("methanol", "Methanol")]


@pytest.mark.parametrize(("row", "fluid"), ALCOHOLS)
def test_alcohol_density(row, fluid):
    # L1, L2, L9: 0.3 % asked for densities from 0 to 60 degC.
    theirs = CoolProp.PropsSI("D", "T", KELVIN, "P", 4e5, fluid)
    ours = fuel.density_at(KELVIN, FUELS[row]["density_15"], FUELS[row]["expansion"])
    np.testing.assert_allclose(ours, theirs, rtol=3e-3)
    shrink = fuel.density_at(313.15, 1.0, FUELS[row]["expansion"]) / fuel.density_at(
        273.15, 1.0, FUELS[row]["expansion"]
    )
    assert shrink == pytest.approx({"ethanol": 0.9574, "methanol": 0.9536}[row], abs=1e-3)


@pytest.mark.parametrize(("row", "fluid"), ALCOHOLS)
def test_alcohol_viscosity(row, fluid):
    theirs = CoolProp.PropsSI("V", "T", KELVIN, "P", 4e5, fluid)
    ours = fuel.viscosity_at(KELVIN, FUELS[row]["viscosity_20"], FUELS[row]["viscosity_activation"])
    np.testing.assert_allclose(ours, theirs, rtol=0.02)  # docstring: 1.1 % and the row's rounding


@pytest.mark.parametrize(("row", "fluid"), ALCOHOLS)
def test_alcohol_vapour_pressure(row, fluid):
    theirs = CoolProp.PropsSI("P", "T", KELVIN, "Q", 0, fluid)
    ours = fuel.vapour_pressure_at(
        KELVIN, FUELS[row]["vapour_pressure_37_8"], FUELS[row]["vapour_steepness"]
    )
    np.testing.assert_allclose(ours, theirs, rtol=0.02)  # 2 % asked for vapour pressures


@pytest.mark.parametrize(("row", "fluid"), ALCOHOLS)
def test_alcohol_latent_heat(row, fluid):
    theirs = CoolProp.PropsSI("H", "T", 298.15, "Q", 1, fluid) - CoolProp.PropsSI(
        "H", "T", 298.15, "Q", 0, fluid
    )
    assert FUELS[row]["latent_heat"] == pytest.approx(theirs, rel=0.02)


@pytest.mark.parametrize("fluid", ["n-Heptane", "n-Octane", "Toluene"])
def test_petrol_viscosity_law_on_its_components(fluid):
    theirs = CoolProp.PropsSI("V", "T", KELVIN, "P", 4e5, fluid)
    reference = CoolProp.PropsSI("V", "T", 293.15, "P", 4e5, fluid)
    # 3.5 %: one activation temperature stands for components of 970 to 1080 K
    np.testing.assert_allclose(fuel.viscosity_at(KELVIN, reference), theirs, rtol=0.035)


def test_petrol_viscosity_lies_between_its_components():
    low = CoolProp.PropsSI("V", "T", 293.15, "P", 4e5, "n-Heptane")
    high = CoolProp.PropsSI("V", "T", 293.15, "P", 4e5, "Toluene")
    assert low < FUELS["petrol"]["viscosity_20"] < high


def test_petrol_expansion_lies_between_its_components():
    found = []
    for fluid in ("Toluene", "n-Heptane"):
        cold, warm = CoolProp.PropsSI("D", "T", np.array([288.15, 313.15]), "P", 4e5, fluid)
        found.append((1.0 - warm / cold) / 25.0)
    assert found[0] < FUELS["petrol"]["expansion"] < found[1]


def test_light_end_steepness():
    # The slope of n-pentane at 37.8 degC by its equation of state; 0.5 % for the finite step.
    kelvin = np.array([310.85, 311.05])
    pressure = CoolProp.PropsSI("P", "T", kelvin, "Q", 0, "n-Pentane")
    slope = np.log(pressure[1] / pressure[0]) / (1.0 / kelvin[0] - 1.0 / kelvin[1])
    assert fuel.PETROL_STEEPNESS == pytest.approx(slope, rel=5e-3)


def test_light_end_ratio_over_temperature():
    theirs = CoolProp.PropsSI("P", "T", KELVIN, "Q", 0, "n-Pentane")
    reference = CoolProp.PropsSI("P", "T", 310.95, "Q", 0, "n-Pentane")
    np.testing.assert_allclose(fuel.vapour_pressure_at(KELVIN, reference), theirs, rtol=1e-3)


def raoult_bubble_and_reid(kelvin, butane=0.08):
    """Bubble pressure and four-to-one test pressure of an invented petrol, ideal mixture."""
    fluids = ["n-Butane", "n-Pentane", "n-Hexane", "n-Heptane", "Toluene"]
    feed = np.array([butane, 0.22, 0.20, 0.25, 0.33 - butane])
    pure = np.array([CoolProp.PropsSI("P", "T", kelvin, "Q", 0, name) for name in fluids])
    mass = np.array([CoolProp.PropsSI("M", name) for name in fluids])
    cold = np.array([CoolProp.PropsSI("D", "T", 288.15, "P", 4e5, name) for name in fluids])
    molar_volume = float(feed @ (mass / cold))
    bubble = float(feed @ pure)
    share = 0.0  # of the feed that is vapour; fixed point of the closed four-to-one chamber
    for _ in range(200):
        liquid = feed / (1.0 + share * (pure / bubble_of(feed, pure, share) - 1.0))
        pressure = float(liquid @ pure / liquid.sum())
        share = pressure * 4.0 * molar_volume / (8.314 * kelvin)
    return bubble, pressure


def bubble_of(feed, pure, share):
    """Pressure at which the feed flashes to this vapour share (bisection of Rachford-Rice)."""
    low, high = 1e3, float(feed @ pure)
    for _ in range(80):
        middle = (low + high) / 2.0
        k = pure / middle
        vapour = float((feed * (k - 1.0) / (1.0 + share * (k - 1.0))).sum())
        low, high = (middle, high) if vapour > 0.0 else (low, middle)
    return (low + high) / 2.0


@pytest.mark.parametrize("butane", [0.05, 0.08, 0.12, 0.16])
def test_rise_from_test_to_true_pressure(butane):
    # Ideal mixtures in the closed chamber rise by 2 to 4 %, the published equation by 6 to 7 %:
    # the rule has to stay above what plain equilibrium gives, and not by more than 6 %.
    bubble, reid = raoult_bubble_and_reid(310.95, butane)
    assert 45e3 < reid < 103e3  # invented petrols, but ones that could be sold
    assert reid < bubble <= fuel.true_vapour_pressure(reid) <= 1.06 * bubble


def test_petrol_law_errs_high_when_hot():
    # Whole invented petrol by Raoult: above 37.8 degC the light-end law must not read lower.
    reference, _ = raoult_bubble_and_reid(310.95)
    for celsius in (45.0, 55.0, 65.0):
        bubble, _ = raoult_bubble_and_reid(celsius + 273.15)
        assert fuel.vapour_pressure_at(celsius + 273.15, reference) >= bubble


# LH1-LH5: formation enthalpies of the liquids from the chemicals library.
@pytest.mark.parametrize(
    ("number", "formula", "printed"),
    [
        ("64-17-5", (2, 6, 1), 26.818),
        ("67-56-1", (1, 4, 1), 19.935),
        ("540-84-1", (8, 18, 0), 44.347),
        ("142-82-5", (7, 16, 0), 44.563),
        ("108-88-3", (7, 8, 0), 40.529),
    ],
)
def test_heating_value_from_chemicals(number, formula, printed):
    chemicals = pytest.importorskip("chemicals")
    ours = fuel.lower_heating_value_from_formation(
        *formula, chemicals.Hfl(number) / (chemicals.MW(number) * 1e-3)
    )
    assert ours / 1e6 == pytest.approx(printed, rel=5e-5)  # carbon 12.0107 or 12.011: 3e-5


def test_stoichiometric_ratio_from_chemicals():
    chemicals = pytest.importorskip("chemicals")
    for atoms, arguments in (
        ({"C": 8, "H": 18}, (8, 18, 0)),
        ({"C": 2, "H": 6, "O": 1}, (2, 6, 1)),
        ({"C": 7, "H": 8}, (7, 8, 0)),
    ):
        moles = -chemicals.combustion_stoichiometry(atoms)["O2"]
        fuel_mass = chemicals.elements.molecular_weight(atoms)
        theirs = moles / 0.20946 * 28.9647 / fuel_mass
        assert fuel.stoichiometric_ratio(*arguments) == pytest.approx(theirs, rel=2e-4)
