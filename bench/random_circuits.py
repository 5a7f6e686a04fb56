"""Hard random circuits for the benchmark and the agreement tests: every regime turns up."""

from __future__ import annotations

import numpy as np

from keyturn.physics import pipe, pump
from keyturn.system.circuit import (
    Circuit,
    FloatArray,
    InjectorArrays,
    Line,
    Path,
    PumpArrays,
    RegulatorArrays,
)
from keyturn.system.solve import UNLIMITED

LPH = 1.0 / 3.6e6


def _line(diameter: FloatArray, length: FloatArray) -> Line:
    return Line(
        *(
            np.asarray(item) + 0.0 * diameter
            for item in pipe.line_coefficients(
                diameter, length, np.full_like(diameter, 1.5e-6), 745.0, 5.0e-4
            )
        )
    )


def random_circuit(
    number: int, place: str, rng: np.random.Generator, corrects: bool | None = None
) -> Circuit:
    """``number`` unrelated circuits as one row of points; ``place`` is "rail" or "tank"."""

    def uniform(low: float, high: float) -> FloatArray:
        return rng.uniform(low, high, (1, number))

    zero = np.zeros((1, 1))
    knots = np.array([0.0, 1.5e5, 3.0e5, 4.5e5, 6.0e5, 7.5e5])
    flows = np.array([400.0, 385.0, 345.0, 290.0, 215.0, 110.0]) * LPH
    coefficients = pump.monotone_curve(knots, flows)
    orifice = 8.0 * uniform(200.0, 900.0) / 6.0e7 / np.sqrt(3.0e5) * uniform(0.05, 0.85)
    demand = uniform(0.0, 450.0) * LPH * (rng.random((1, number)) > 0.05)
    if corrects is None:
        corrects = True
    feed = Path(
        uniform(0.0, 2e8),
        uniform(0.0, 4e12),
        None,
        (_line(uniform(6e-3, 10e-3), uniform(1.0, 5.0)),),
    )
    returns = Path(zero, uniform(0.0, 4e12), None, (_line(uniform(4e-3, 9e-3), uniform(0.3, 4.0)),))
    short = Path(uniform(0.0, 2e8), uniform(0.0, 1e12))
    quick_return = Path(zero, uniform(0.0, 1e12))
    if not corrects:
        orifice = np.minimum(orifice, np.maximum(demand, 1e-9) / np.sqrt(3.0e5))
        demand = np.full((1, 1), UNLIMITED)
    return Circuit(
        pump=PumpArrays(
            knots=knots,
            coefficients=coefficients,
            free_flow=float(flows[0]),
            flow_scale=uniform(0.4, 1.3),
            pressure_scale=uniform(0.8, 1.2),
            reference_voltage=np.full((1, 1), 13.5),
            parallel=1,
            series=1,
            current_at_zero=uniform(3.0, 6.0),
            current_per_pressure=uniform(0.5e-5, 1.6e-5),
            current_per_voltage=np.full((1, 1), 0.2),
        ),
        source_voltage=uniform(7.0, 14.5) * (rng.random((1, number)) > 0.03),
        wiring_resistance=uniform(0.01, 0.4),
        suction=Path(zero, uniform(0.0, 1e12)),
        feed=feed if place == "rail" else short,
        regulator=RegulatorArrays(
            opening_gauge=uniform(2.0e5, 6.5e5),
            slope=uniform(0.0, 4.0e8),
            seat=np.full((1, 1), 0.1),
            open_quadratic=uniform(1e12, 4e13),
        ),
        returns=returns if place == "rail" else quick_return,
        rail=None if place == "rail" else feed,
        injector=InjectorArrays(demand, orifice, uniform(-0.7e5, 1.6e5)),
    )
