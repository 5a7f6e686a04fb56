"""Pump curve, voltage law and duty point against printed numbers."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq

from keyturn.physics import pump

SCHASCHKE = "Schaschke, Fluid Mechanics: Worked Examples, 9.10"
FLOWS = np.array([0.0, 0.002, 0.004, 0.006, 0.008, 0.010])
HEADS = np.array([40.0, 39.5, 38.0, 35.0, 30.0, 20.0])


def duty_flow(speed: float = 1.0) -> float:
    """Flow [m3/s] where the pump curve meets the system curve; here flow against head."""
    knots, values = HEADS[::-1].copy(), FLOWS[::-1].copy()
    coefficients = pump.monotone_curve(knots, values)

    def excess(flow):
        head = 10.0 + 5.4203e5 * flow * flow
        ours, _ = pump.curve_value_and_slope(head / speed**2, knots, coefficients)
        return speed * float(ours) - flow

    return brentq(excess, 1e-4, 0.0099)


def test_duty_point(compare):
    compare(
        source=SCHASCHKE,
        quantity="flow at the duty point",
        theirs=0.0066,
        ours=duty_flow(),
        tolerance=0.015 * 0.0066,  # read from a graph; ways to interpolate differ by 0.5 %
        unit="m3/s",
    )
    compare(
        source=SCHASCHKE,
        quantity="head at the duty point",
        theirs=33.8,
        ours=10.0 + 5.4203e5 * duty_flow() ** 2,
        tolerance=0.015 * 33.8,
        unit="m",
    )


def test_speed_for_a_quarter_less(compare):
    speed = brentq(lambda s: duty_flow(s) - 0.00495, 0.7, 1.0)
    compare(
        source=SCHASCHKE,
        quantity="speed for a quarter less flow [rev/min]",
        theirs=987,
        ours=1200 * speed,
        tolerance=10,  # the book scales along one parabola; the true crossing lies 7 lower
    )


def test_less_voltage_less_flow(compare):
    # Only the flow at 45 psi is printed: the rest of the curve is the generic assumed one.
    knots, values = pump.curve_from_point(800.0, 45.0)
    ours = pump.pump_flow(45.0, 12.0, knots, pump.monotone_curve(knots, values), 13.5)
    compare(
        source="classictrucks.com, Electronic Fuel Injection Tips (2012): 800 lb/h at 13.5 V",
        quantity="flow of a pump at 12 V and 45 psi [lb/h]",
        theirs=700,
        ours=ours,
        tolerance=25,  # both numbers are printed to the nearest 50
    )


@pytest.mark.parametrize("middle", [300.0, 390.0])
def test_quadratic_pitfall_stays_falling(middle):
    # A plain quadratic through (0, 400), (4.5 bar, 300), (8 bar, 0) first rises; ours must not.
    knots, values = np.array([0.0, 4.5, 8.0]), np.array([400.0, middle, 0.0])
    coefficients = pump.monotone_curve(knots, values)
    flow, slope = pump.curve_value_and_slope(np.linspace(-1.0, 10.0, 500), knots, coefficients)
    assert np.all(np.diff(flow) <= 1e-12) and np.all(slope <= 1e-12)
