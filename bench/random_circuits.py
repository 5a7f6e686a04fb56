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


PUMP_KNOTS = np.array([0.0, 1.5e5, 3.0e5, 4.5e5, 6.0e5, 7.5e5])
PUMP_FLOWS = np.array([400.0, 385.0, 345.0, 290.0, 215.0, 110.0]) * LPH  # invented


def _pump(
    flow_scale: FloatArray,
    pressure_scale: FloatArray,
    current: FloatArray,
    current_per_pressure: FloatArray,
) -> PumpArrays:
    return PumpArrays(
        knots=PUMP_KNOTS,
        coefficients=pump.monotone_curve(PUMP_KNOTS, PUMP_FLOWS),
        free_flow=float(PUMP_FLOWS[0]),
        flow_scale=flow_scale,
        pressure_scale=pressure_scale,
        reference_voltage=np.full((1, 1), 13.5),
        parallel=1,
        series=1,
        current_at_zero=current,
        current_per_pressure=current_per_pressure,
        current_per_voltage=np.full((1, 1), 0.2),
    )


def random_circuit(
    number: int, place: str, rng: np.random.Generator, corrects: bool = True
) -> Circuit:
    """``number`` unrelated circuits as one row of points; ``place`` is "rail" or "tank"."""

    def uniform(low: float, high: float) -> FloatArray:
        return rng.uniform(low, high, (1, number))

    zero = np.zeros((1, 1))
    orifice = 8.0 * uniform(200.0, 900.0) / 6.0e7 / np.sqrt(3.0e5) * uniform(0.05, 0.85)
    demand = uniform(0.0, 450.0) * LPH * (rng.random((1, number)) > 0.05)
    feed_line = _line(uniform(6e-3, 10e-3), uniform(1.0, 5.0))
    feed = Path(uniform(0.0, 2e8), uniform(0.0, 4e12), None, (feed_line,))
    return_line = _line(uniform(4e-3, 9e-3), uniform(0.3, 4.0))
    returns = Path(zero, uniform(0.0, 4e12), None, (return_line,))
    short = Path(uniform(0.0, 2e8), uniform(0.0, 1e12))
    quick_return = Path(zero, uniform(0.0, 1e12))
    if not corrects:
        orifice = np.minimum(orifice, np.maximum(demand, 1e-9) / np.sqrt(3.0e5))
        demand = np.full((1, 1), UNLIMITED)
    at_rail = place == "rail"
    return Circuit(
        pump=_pump(
            uniform(0.4, 1.3), uniform(0.8, 1.2), uniform(3.0, 6.0), uniform(0.5e-5, 1.6e-5)
        ),
        source_voltage=uniform(7.0, 14.5) * (rng.random((1, number)) > 0.03),
        wiring_resistance=uniform(0.01, 0.4),
        suction=Path(zero, uniform(0.0, 1e12)),
        feed=feed if at_rail else short,
        regulator=RegulatorArrays(
            opening_gauge=uniform(2.0e5, 6.5e5),
            slope=uniform(0.0, 4.0e8),
            seat=np.full((1, 1), 0.1),
            open_quadratic=uniform(1e12, 4e13),
        ),
        returns=returns if at_rail else quick_return,
        rail=None if at_rail else feed,
        injector=InjectorArrays(demand, orifice, uniform(-0.7e5, 1.6e5)),
    )


def map_circuit(samples: int, place: str, rng: np.random.Generator) -> Circuit:
    """One car on a map of 40 speeds by 40 manifold pressures, for draws of what is not known."""

    def spread(middle: float, share: float) -> FloatArray:
        return middle * np.exp(rng.normal(0.0, share, (samples, 1)))

    zero = np.zeros((1, 1))
    speed, manifold = (
        item.reshape(1, -1)
        for item in np.meshgrid(np.linspace(0.15, 1.0, 40), np.linspace(-0.7e5, 1.0e5, 40))
    )
    demand = 300.0 * LPH * speed * (manifold + 1.0e5) / 2.0e5
    feed = Path(
        spread(5e7, 0.3), spread(1e12, 0.3), None, (_line(spread(7.5e-3, 0.03), spread(3.5, 0.05)),)
    )
    back = Path(zero, spread(1e12, 0.3), None, (_line(spread(6e-3, 0.03), spread(3.0, 0.05)),))
    at_rail = place == "rail"
    return Circuit(
        pump=_pump(spread(0.9, 0.08), spread(1.0, 0.05), spread(5.0, 0.1), spread(1.0e-5, 0.1)),
        source_voltage=spread(13.4, 0.02),
        wiring_resistance=spread(0.1, 0.3),
        suction=Path(zero, spread(5e11, 0.3)),
        feed=feed if at_rail else Path(spread(5e7, 0.3), zero),
        regulator=RegulatorArrays(
            3.0e5 * spread(1.0, 0.02) + manifold, spread(1e8, 0.3), zero + 0.1, spread(5e12, 0.3)
        ),
        returns=back if at_rail else Path(zero, spread(5e11, 0.3)),
        rail=None if at_rail else feed,
        injector=InjectorArrays(demand, spread(9.0e-8, 0.03), manifold),
    )
