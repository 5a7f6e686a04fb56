"""Pipe friction against the fluids library and a direct solution of Colebrook-White."""

from __future__ import annotations

import math
import tomllib
from importlib.resources import files

import fluids
import numpy as np
import pytest

from keyturn.physics import pipe


def test_turbulent_friction_against_exact_colebrook():
    reynolds = np.geomspace(4e3, 1e8, 300)[:, None]
    rough = np.array([0.0, 1e-6, 1e-5, 1e-4, 1e-3, 1e-2, 0.03, 0.05])
    inverse_root = np.full((300, 8), 7.0)
    for _ in range(100):
        inverse_root = -2.0 * np.log10(rough / 3.7 + 2.51 * inverse_root / reynolds)
    ours, _ = pipe.turbulent_friction_and_slope(reynolds, rough)
    # Praks and Brkic state 0.0096 %
    np.testing.assert_allclose(ours, inverse_root**-2.0, rtol=1e-4)


def test_turbulent_slope_against_differences():
    reynolds, rough = np.geomspace(4e3, 1e8, 50)[:, None], np.array([0.0, 1e-4, 0.02])
    step = 1e-5
    up, _ = pipe.turbulent_friction_and_slope(reynolds * math.exp(step), rough)
    down, _ = pipe.turbulent_friction_and_slope(reynolds * math.exp(-step), rough)
    _, slope = pipe.turbulent_friction_and_slope(reynolds, rough)
    # rounding of the difference: 1e-16 * f / 1e-5
    np.testing.assert_allclose(slope, (up - down) / (2 * step), rtol=1e-5, atol=1e-11)


@pytest.mark.parametrize(
    ("reynolds", "rough", "theirs"),
    [
        (1e4, 0.0, 0.030883),
        (1e5, 0.0, 0.017990),
        (1e6, 0.0, 0.011645),
        (1e5, 1e-4, 0.018514),
        (1e5, 1e-3, 0.022175),
        (1e6, 1e-3, 0.019943),
        (1e5, 0.05, 0.071781),
        (4e4, 2e-4, 0.022593),
    ],
)
def test_colebrook_values(compare, reynolds, rough, theirs):
    compare(
        source="fluids 1.3.1, Colebrook",
        quantity=f"friction factor at Re {reynolds:g}, roughness {rough:g}",
        theirs=theirs,
        ours=pipe.friction_factor(reynolds, rough),
        tolerance=1e-4 * theirs + 5e-7,  # stated error of the explicit form, and rounding
    )


@pytest.mark.parametrize(
    ("litres_per_hour", "millimetres", "length", "density", "viscosity", "theirs", "digits"),
    [
        (180, 8.0, 3, 745, 5.0e-4, 4.1253, 5e-5),
        (255, 8.0, 3, 745, 5.0e-4, 7.600, 5e-4),
        (255, 6.4, 2, 745, 5.0e-4, 14.728, 5e-4),
        (60, 8.0, 3, 790, 1.2e-3, 0.5968, 5e-5),
        (20, 6.0, 2, 790, 1.2e-3, 0.4192, 5e-5),
    ],
)
def test_fuel_lines(
    compare, litres_per_hour, millimetres, length, density, viscosity, theirs, digits
):
    ours = pipe.line_drop(
        litres_per_hour / 3.6e6, millimetres / 1000, length, 1.5e-6, density, viscosity
    )
    compare(
        source="fluids 1.3.1, smooth hose",
        quantity=f"drop at {litres_per_hour} L/h in {millimetres} mm",
        theirs=theirs,
        ours=ours / 1000,
        tolerance=1e-4 * theirs + digits,  # explicit friction, and rounding
        unit="kPa",
    )


@pytest.mark.parametrize("share", [0.2, 0.5, 0.8])
def test_tee_branch(compare, share):
    compare(
        source="fluids 1.3.1, K_branch_diverging_Crane",
        quantity=f"loss of a tee branch, share {share}",
        theirs=fluids.fittings.K_branch_diverging_Crane(
            D_run=0.008, D_branch=0.008, Q_run=1 - share, Q_branch=share
        ),
        ours=pipe.tee_loss(share),
        tolerance=1e-9,  # one formula, coded twice
    )


@pytest.mark.parametrize(
    ("reynolds", "width"),
    [
        (1000.0, 0.15),  # White against Schmidt: methods differ by 15 %
        (10000.0, 0.02),
        (30000.0, 0.02),
    ],
)
def test_curved_hose(compare, reynolds, width):
    rough = 1.5e-6 / 0.008
    theirs = fluids.friction.friction_factor_curved(
        reynolds, 0.008, 0.160, roughness=1.5e-6
    ) / fluids.friction_factor(reynolds, rough)
    compare(
        source="fluids 1.3.1, friction_factor_curved (Schmidt)",
        quantity=f"friction of a hose coiled to 20 diameters at Re {reynolds:g}, over straight",
        theirs=theirs,
        ours=pipe.curved_friction_ratio(reynolds, 0.05, rough),
        tolerance=width * theirs,
    )


def test_curved_hose_laminar_white(compare):
    compare(
        source="fluids 1.3.1, White 1929 at Re 1000, curvature 0.05",
        quantity="laminar friction factor of a coiled hose",
        theirs=0.1295,
        ours=0.064 * pipe.curved_friction_ratio(1000.0, 0.05),
        tolerance=5e-5,
    )


@pytest.mark.parametrize("ratio", [0.5, 0.6, 0.7, 0.8])
def test_contraction_inside_the_band_of_methods(ratio):
    crane = 0.5 * (1 - ratio**2)
    rennels = fluids.fittings.contraction_sharp(Di1=1.0, Di2=ratio)
    assert min(crane, rennels) <= pipe.contraction_loss(ratio) <= max(crane, rennels) * 1.01


def test_fitting_rows_against_the_library(compare):
    text = (files("keyturn") / "data" / "fittings.toml").read_text(encoding="utf-8")
    rows = {row["name"]: row["loss"] for row in tomllib.loads(text)["fitting"]}
    bore = 0.008
    for name, theirs in (
        (
            "elbow-90",
            fluids.fittings.bend_rounded(Di=bore, angle=90, method="Crane standard"),
        ),
        (
            "bend-90-smooth",
            fluids.fittings.bend_rounded(
                Di=bore, angle=90, bend_diameters=1.5, Re=3e4, roughness=1.5e-6, method="Rennels"
            ),
        ),
        ("entrance-sharp", fluids.fittings.entrance_sharp(method="Crane")),
        ("exit", fluids.fittings.exit_normal()),
    ):
        compare(
            source="fluids 1.3.1",
            quantity=f"loss of {name} in the data file, 8 mm bore",
            theirs=theirs,
            ours=rows[name],
            tolerance=0.02 * theirs,  # the file keeps two digits
        )
