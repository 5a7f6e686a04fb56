"""Injector flow, density, window and duty against printed numbers and definitions."""

from __future__ import annotations

import pytest

from keyturn.physics import injector


@pytest.mark.parametrize(("used", "theirs"), [(350e3, 1.08012), (400e3, 1.15470), (250e3, 0.91287)])
def test_square_root_law(compare, used, theirs):
    compare(
        source="orifice law",
        quantity=f"flow at {used / 1e3:g} kPa over that at 300 kPa",
        theirs=theirs,
        ours=injector.injector_flow(used, 1.0, 300e3),
        tolerance=5e-6,
    )


def test_from_43_5_to_58_psi(compare):
    compare(
        source="orifice law",
        quantity="flow at 58 psi over that at 43.5 psi",
        theirs=1.15470,
        ours=injector.injector_flow(58.0 * 6894.757, 1.0, 43.5 * 6894.757),
        tolerance=5e-6,
    )


def test_density(compare):
    ratio = injector.density_factor(684.0, 745.0)
    for quantity, theirs, ours in (
        ("volume flow", 0.95819, ratio),
        ("mass flow", 1.04364, ratio * 745 / 684),
    ):
        compare(
            source="orifice law",
            quantity=f"{quantity} of petrol over n-heptane, same injector",
            theirs=theirs,
            ours=ours,
            tolerance=5e-6,
        )


@pytest.mark.parametrize(("rpm", "theirs"), [(6000, 20.000), (7000, 17.143)])
def test_window(compare, rpm, theirs):
    compare(
        source="720 degrees of crank",
        quantity=f"window at {rpm} rev/min",
        theirs=theirs,
        ours=1000 * injector.injection_window(rpm / 60),
        tolerance=5e-4,
        unit="ms",
    )


def test_size_for_a_demand(compare):
    # 110.74 L/h over 8 injectors at 85 % duty, dead time not counted
    need = 110.74 / 3.6e6
    compare(
        source="arithmetic",
        quantity="flow of each for 85 % duty",
        theirs=271.4,
        ours=need / (8 * injector.flow_share_at_duty(0.85, 0.0, 100.0)) * 6e7,
        tolerance=0.05,
        unit="cm3/min",
    )
    duty = injector.duty_from_demand(need, 8, 271.4 / 6e7, 0.0, 100.0)
    assert duty == pytest.approx(0.85, abs=2e-4)
