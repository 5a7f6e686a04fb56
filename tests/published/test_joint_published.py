"""Bolts, torque and gasket loads against printed numbers."""

from __future__ import annotations

import math

import numpy as np
import pytest

from keyturn.making.joint_tables import materials, rows, tension_area
from keyturn.physics import gasket, joint

PSI = 6894.757293168361
INCH, POUND = 0.0254, 4.4482216152605


def area(size: str) -> float:
    row = rows("bolts", "size")[size]
    return tension_area(row)


# ISO 898-1, table of stress areas [mm2], printed to 0.1
AREAS = [("M5", 14.2), ("M6", 20.1), ("M8", 36.6), ("M10", 58.0), ("M12", 84.3)]


@pytest.mark.parametrize(("size", "printed"), AREAS)
def test_stress_area(size: str, printed: float) -> None:
    assert area(size) * 1e6 == pytest.approx(printed, abs=0.05)


# ISO 898-1, proof loads [N]; the standard multiplies its rounded area and rounds again, so half
# the last digit of the area times the stress adds to half the last digit of the load.
PROOF = [
    ("8.8", "M5", 8230, 5), ("8.8", "M6", 11600, 50), ("8.8", "M8", 21200, 50),
    ("8.8", "M10", 33700, 50), ("8.8", "M12", 48900, 50),
    ("10.9", "M5", 11800, 50), ("10.9", "M6", 16700, 50), ("10.9", "M8", 30400, 50),
    ("10.9", "M10", 48100, 50), ("10.9", "M12", 70000, 50),
]  # fmt: skip


@pytest.mark.parametrize(("strength", "size", "printed", "half"), PROOF)
def test_proof_load(strength: str, size: str, printed: float, half: float) -> None:
    stress = float(rows("bolts", "strength")[strength]["proof"])
    assert area(size) * stress == pytest.approx(printed, abs=half + 0.05e-6 * stress)


# ISO 898-1, least tensile loads [N], same rounding
TENSILE = [
    ("8.8", "M6", 16100), ("8.8", "M8", 29200), ("8.8", "M10", 46400), ("8.8", "M12", 67400),
    ("10.9", "M6", 20900), ("10.9", "M8", 38100), ("10.9", "M10", 60300), ("10.9", "M12", 87700),
]  # fmt: skip


@pytest.mark.parametrize(("strength", "size", "printed"), TENSILE)
def test_tensile_load(strength: str, size: str, printed: float) -> None:
    stress = float(rows("bolts", "strength")[strength]["tensile"])
    assert area(size) * stress == pytest.approx(printed, abs=50 + 0.05e-6 * stress)


# T = K d F at 75 % of the proof load of class 8.8 above, computed by hand; printed to 0.01 / 0.1
TORQUES = [
    (0.005, 8230, (3.70, 4.63, 6.17), 0.005), (0.006, 11600, (6.26, 7.83, 10.44), 0.005),
    (0.008, 21200, (15.26, 19.08, 25.44), 0.005), (0.010, 33700, (30.3, 37.9, 50.6), 0.05),
    (0.012, 48900, (52.8, 66.0, 88.0), 0.05),
]  # fmt: skip


@pytest.mark.parametrize(("diameter", "proof", "torques", "half"), TORQUES)
def test_torque_by_nut_factor(
    diameter: float, proof: float, torques: tuple[float, ...], half: float
) -> None:
    factor = np.array([0.12, 0.15, 0.20])
    found = joint.preload_torque(0.75 * proof, diameter, factor)
    assert found == pytest.approx(np.array(torques), abs=half)
    assert joint.preload(found, diameter, factor) == pytest.approx(0.75 * proof, rel=1e-12)


def test_wentzell_torque_and_turn() -> None:
    """Wentzell, Machine Design, ex. 6.1 and 6.2: 3/4-10 UNC, 0.334 in2, 85 ksi, 85 %, K 0.20."""
    pull = 0.85 * 85e3 * PSI * 0.334 * INCH**2
    torque = joint.preload_torque(pull, 0.75 * INCH, 0.20)
    assert torque / (POUND * INCH) == pytest.approx(3619.7, abs=0.05)
    turn = joint.turn_for_preload(
        pull, INCH / 10.0, 0.334 * INCH**2, 30e6 * PSI, 5.0 * INCH
    )  # fmt: skip
    assert math.degrees(turn) == pytest.approx(43.35, abs=0.005)


def test_jindal_soft_joint() -> None:
    """Jindal, Machine Design, ex. 5-5: 15 mm bolt, gasket 480 MPa; kN/mm and share."""
    bolt = joint.rod_stiffness(210e9, math.pi / 4 * 0.015**2, 0.024)
    ring = joint.rod_stiffness(480e6, math.pi / 4 * (0.030**2 - 0.015**2), 0.003)
    assert bolt / 1e6 == pytest.approx(1546.25, abs=0.005)
    assert ring / 1e6 == pytest.approx(84.82, abs=0.005)
    assert joint.bolt_share(bolt, ring) == pytest.approx(0.948, abs=0.0005)


# AC 43.13-1B table 7-1: in lb said to give 40 ksi in the bolt. Implied K, computed by hand from
# UNF stress areas of 0.0364 and 0.0580 in2, printed to 0.001.
AIRCRAFT = [("1/4-28", (50, 70), (0.137, 0.192)), ("5/16-24", (100, 140), (0.138, 0.193))]


@pytest.mark.parametrize(("size", "inch_pounds", "factors"), AIRCRAFT)
def test_aircraft_torques(
    size: str, inch_pounds: tuple[int, int], factors: tuple[float, float]
) -> None:
    pull = 40e3 * PSI * area(size)
    diameter = float(rows("bolts", "size")[size]["diameter"])
    # half the last digit of the implied factor
    for torque, factor in zip(inch_pounds, factors, strict=True):
        found = joint.preload(torque * POUND * INCH, diameter, factor)
        assert found == pytest.approx(pull, rel=0.0005 / factor)


# VDI 2230 sheet 1 (equation from memory, numbers computed by hand, printed to 0.01 N m)
VDI = [
    (17.2e3, 0.00125, 0.007188, 0.0103, 22.67),
    (9.4e3, 0.001, 0.005350, 0.008, 9.52),
]


@pytest.mark.parametrize(("pull", "pitch", "flank", "bearing", "printed"), VDI)
def test_torque_by_friction(
    pull: float, pitch: float, flank: float, bearing: float, printed: float
) -> None:
    parts = joint.friction_torque(pull, pitch, flank, bearing, 0.12, 0.12)
    assert sum(parts) == pytest.approx(printed, abs=0.005)


def test_flank_diameter() -> None:
    """ISO 724: M6 5.350, M8 7.188 mm."""
    assert joint.flank_diameter(6.0, 1.0) == pytest.approx(5.350, abs=0.0005)
    assert joint.flank_diameter(8.0, 1.25) == pytest.approx(7.188, abs=0.0005)


def test_flange_ring_in_inches() -> None:
    """Sample flange of a published note: OD 17.75, ID 16.25 in, m 3, y 10 000 psi, 100 psi."""
    width = 0.75 * INCH
    b = gasket.effective_width(width)
    diameter = gasket.reaction_diameter(17.75 * INCH, width)
    assert b / INCH == pytest.approx(0.30619, abs=0.000005)
    assert diameter / INCH == pytest.approx(17.1376, abs=0.00005)
    length = math.pi * diameter
    seating = gasket.seating_load(length, b, 10e3 * PSI)
    # half a pound is half the last printed digit
    assert seating / POUND == pytest.approx(164_849, abs=0.5)
    whole = gasket.operating_load(math.pi / 4 * diameter**2, length, b, 3.0, 100 * PSI)
    end = gasket.operating_load(math.pi / 4 * diameter**2, length, b, 0.0, 100 * PSI)
    assert whole / POUND == pytest.approx(32_958, abs=0.5)
    assert end / POUND == pytest.approx(23_067, abs=0.5)


# ring 80 / 60 mm at 0.2 MPa by the method of ASME VIII-1 appendix 2, computed by hand [N]
RINGS = [("elastomer 75", 1.0, 1.4e6, 1209.5, 1539.4), ("fibre", 1.75, 7.6e6, 1539.4, 8356.6)]


@pytest.mark.parametrize(("name", "m", "y", "wm1", "wm2"), RINGS)
def test_small_ring(name: str, m: float, y: float, wm1: float, wm2: float) -> None:
    b, diameter = gasket.effective_width(0.010), gasket.reaction_diameter(0.080, 0.010)
    assert (b, diameter) == (pytest.approx(0.005), pytest.approx(0.070))
    length = math.pi * diameter
    found = gasket.operating_load(math.pi / 4 * diameter**2, length, b, m, 0.2e6)
    assert found == pytest.approx(wm1, abs=0.05)
    assert gasket.seating_load(length, b, y) == pytest.approx(wm2, abs=0.05)


def test_six_bolts_crush_the_ring() -> None:
    """Six M6 at 4 N m, K 0.20: 20.0 kN, 9.09 MPa on the ring 80 / 60 mm."""
    total = 6 * joint.preload(4.0, 0.006, 0.20)
    ring = math.pi / 4 * (0.080**2 - 0.060**2)
    assert total / 1e3 == pytest.approx(20.0, abs=0.05)
    assert total / ring / 1e6 == pytest.approx(9.09, abs=0.0055)  # total not rounded first


# ASME VIII-1 appendix 2, table 2-5.1: m and y [psi or MPa as reprinted]
TABLE = [
    ("nbr-60", 0.50, 0.0), ("nbr-80", 1.00, 1.4e6), ("cotton-elastomer", 1.25, 2.8e6),
    ("vegetable-fibre", 1.75, 7.6e6),
]  # fmt: skip


@pytest.mark.parametrize(("name", "m", "y"), TABLE)
def test_gasket_table(name: str, m: float, y: float) -> None:
    row = materials()[name]
    assert row.gasket_factor == m
    assert row.seating_stress == y
    assert row.grades["seating"] == "handbook"


# ASTM D2000 / SAE J200: heat age test of the type letter [degC]
LETTERS = [("nbr-60", 100), ("epdm-70", 125), ("vmq-60", 200), ("fkm-75", 250)]


@pytest.mark.parametrize(("name", "celsius"), LETTERS)
def test_no_sheet_is_trusted_beyond_its_type(name: str, celsius: float) -> None:
    assert materials()[name].temperature_max <= celsius + 273.15


def test_rubber_cork_squeeze() -> None:
    """National standard for rubberised cork, 70 grade: 25 to 35 % at 400 psi (2.8 MPa)."""
    row = materials()["cork-nbr-70"]
    given = gasket.squeeze(2.8e6, row.compressibility, row.compressibility_stress, row.stiffening)
    assert 0.25 <= float(given) <= 0.35
