"""The same random fuel circuits for our solver and for pandapipes, a general pipe network solver.

All lines run turbulent, so that both use Colebrook's law; the pump is a quadratic that pandapipes
takes as it is and that ours takes as a dense table. pandapipes knows no regulator and no
injectors: a valve at work is a node of fixed pressure, a wide-open one a return pipe, injectors at
their demand a sink, injectors at their limit a loss coefficient into the manifold.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from keyturn.physics import pipe, pump
from keyturn.system.circuit import (
    Circuit,
    InjectorArrays,
    Line,
    Path,
    PumpArrays,
    RegulatorArrays,
)

Cars = dict[str, Any]
DENSITY, VISCOSITY, ROUGHNESS = 745.0, 5.0e-4, 1.5e-6
LPH = 1.0 / 3.6e6
SHUT_OFF, LINEAR, SQUARE = 9.0e5, 1.2e9, 5.0e13  # pump: rise = shut-off - linear q - square q^2
OFFSET = 5.0e5  # [Pa] added to every pressure for pandapipes, which wants none below ambient
ORIFICE_DIAMETER = 4.0e-3


def draw(number: int, rng: np.random.Generator) -> Cars:
    """Invented circuits."""
    ranges = {
        "suction_diameter": (8.0e-3, 10.0e-3),
        "suction_length": (0.3, 1.0),
        "suction_loss": (0.0, 4.0),
        "feed_diameter": (6.0e-3, 7.5e-3),
        "feed_length": (1.0, 5.0),
        "feed_loss": (2.0, 40.0),
        "short_loss": (0.5, 20.0),
        "return_diameter": (4.0e-3, 6.0e-3),
        "return_length": (0.3, 4.0),
        "return_loss": (2.0, 150.0),
        "flow_scale": (0.7, 1.3),
        "pressure_scale": (0.8, 1.2),
        "opening": (2.0e5, 5.0e5),
        "demand": (60.0 * LPH, 420.0 * LPH),
        "orifice_flow": (80.0 * LPH, 450.0 * LPH),  # at 300 kPa
        "manifold": (-0.6e5, 1.2e5),
    }
    return {name: rng.uniform(*limits, number) for name, limits in ranges.items()}


def circuit(cars: Cars, place: str) -> Circuit:
    """For our solver, one row of points."""

    def row(values: Any) -> Any:
        return np.atleast_2d(np.asarray(values, dtype=float))

    def path(name: str) -> Path:
        diameter = cars[f"{name}_diameter"]
        numbers = pipe.line_coefficients(
            diameter, cars[f"{name}_length"], ROUGHNESS, DENSITY, VISCOSITY
        )
        loss = pipe.fitting_coefficient(cars[f"{name}_loss"], diameter, DENSITY)
        line = Line(*(row(item + 0.0 * diameter) for item in numbers))
        return Path(row(0.0), row(loss), None, (line,))

    flow = np.linspace(0.0, 600.0 * LPH, 400)[::-1]
    rise = SHUT_OFF - LINEAR * flow - SQUARE * flow**2
    flow, rise = flow[rise >= 0.0], rise[rise >= 0.0]
    short = pipe.fitting_coefficient(cars["short_loss"], cars["feed_diameter"], DENSITY)
    feed = path("feed")
    return Circuit(
        pump=PumpArrays(
            knots=rise,
            coefficients=pump.monotone_curve(rise, flow),
            free_flow=float(flow[0]),
            flow_scale=row(cars["flow_scale"]),
            pressure_scale=row(cars["pressure_scale"]),
            reference_voltage=row(13.5),
            parallel=1,
            series=1,
            current_at_zero=row(4.0),
            current_per_pressure=row(1e-5),
            current_per_voltage=row(0.2),
        ),
        source_voltage=row(13.5),
        wiring_resistance=row(0.0),
        suction=path("suction"),
        feed=feed if place == "rail" else Path(row(0.0), row(short)),
        regulator=RegulatorArrays(row(cars["opening"]), row(0.0), row(0.0), row(0.0)),
        returns=path("return"),
        rail=None if place == "rail" else feed,
        injector=InjectorArrays(
            row(cars["demand"]), row(cars["orifice_flow"] / np.sqrt(3.0e5)), row(cars["manifold"])
        ),
    )


def states(cars: Cars, solution: Any) -> tuple[Any, Any]:
    """What to build for each car: valve "shut", "at work" or "open", and injectors at their limit.

    The solution says which network to build; the network must then bear it out.
    """
    bypass, node = solution.bypass_flow[0], solution.node_gauge[0]
    valve = np.where(node > cars["opening"] + 1.0, "open", "at work")
    return np.where(bypass == 0.0, "shut", valve), solution.injector_flow[0] < cars[
        "demand"
    ] - 1e-12


def network(cars: Cars, place: str, valve: Any, limited: Any) -> Any:
    """All cars as one pandapipes network without links between them."""
    import pandapipes as pp
    from pandapipes.properties.fluids import create_constant_fluid

    number = len(valve)
    fluid = create_constant_fluid(
        "petrol", "liquid", density=DENSITY, viscosity=VISCOSITY, heat_capacity=2000.0
    )
    net = pp.create_empty_network(fluid=fluid)
    names = ("tank", "inlet", "outlet", "node", "rail", "manifold")
    at = {name: pp.create_junctions(net, number, 8.0, 293.15) for name in names}

    def pipes(start: str, end: str, name: str, which: Any, length: Any, loss: Any) -> None:
        chosen = np.flatnonzero(which)
        if chosen.size == 0:
            return
        width = cars[name] if name in cars else np.full(number, ORIFICE_DIAMETER)
        pp.create_pipes_from_parameters(
            net,
            at[start][chosen],
            at[end][chosen],
            (length * np.ones(number))[chosen] / 1e3,
            width[chosen] * 1e3,
            k_mm=ROUGHNESS * 1e3,
            loss_coefficient=(loss * np.ones(number))[chosen],
        )

    def fixed(place_name: str, which: Any, pressure: Any) -> None:
        chosen = np.flatnonzero(which)
        bar = ((pressure + OFFSET) * np.ones(number))[chosen] / 1e5
        if chosen.size:
            pp.create_ext_grids(net, at[place_name][chosen], bar, 293.15, name=place_name)

    every = np.ones(number, dtype=bool)
    long, bare = ("feed_length", "feed_loss"), (1e-6, 0.0)
    feed = [cars[item] for item in long] if place == "rail" else [1e-6, cars["short_loss"]]
    rail = [cars[item] for item in long] if place == "tank" else bare
    back = cars["return_length"], cars["return_loss"]
    pipes("tank", "inlet", "suction_diameter", every, cars["suction_length"], cars["suction_loss"])
    pipes("outlet", "node", "feed_diameter", every, *feed)
    pipes("node", "rail", "feed_diameter", every, *rail)
    pipes("node", "tank", "return_diameter", valve == "open", *back)
    # drop = density / 2 * K * (flow / section)^2, and orifice flow = c sqrt(drop)
    section = np.pi / 4.0 * ORIFICE_DIAMETER**2
    hole = 2.0 * section**2 / (DENSITY * cars["orifice_flow"] ** 2 / 3.0e5)
    pipes("rail", "manifold", "orifice", limited, 1e-6, hole)
    fixed("tank", every, 0.0)
    fixed("node", valve == "at work", cars["opening"])
    fixed("manifold", every, cars["manifold"])
    _pumps_and_sinks(pp, net, at, cars, ~np.asarray(limited))
    return net


def _pumps_and_sinks(pp: Any, net: Any, at: dict[str, Any], cars: Cars, met: Any) -> None:
    from pandapipes.std_types.std_type_class import PumpStdType

    class ForwardPump(PumpStdType):  # type: ignore[misc]
        """The polynomial everywhere.

        pandapipes lets liquid run back through a pump without any pressure, which gives starved
        circuits a second solution, and takes a negative lift for none, which loses its way from
        its start at 2800 L/h.
        """

        def _evaluate_curve(self, flow: Any) -> Any:
            lift = np.polyval(self.reg_par, np.maximum(flow, 0.0) * 3600.0)
            return flow, lift, np.ones_like(lift, dtype=bool)

    for i in range(len(met)):
        pressure, flow = cars["pressure_scale"][i], cars["flow_scale"][i] * 3600.0
        numbers = [
            -SQUARE / flow**2 * pressure / 1e5,
            -LINEAR / flow * pressure / 1e5,
            SHUT_OFF * pressure / 1e5,
        ]
        pp.create_std_type(net, "pump", f"pump {i}", ForwardPump(f"pump {i}", numbers))
        pp.create_pump(net, at["inlet"][i], at["outlet"][i], f"pump {i}")
    if np.any(met):
        pp.create_sinks(net, at["rail"][met], cars["demand"][met] * DENSITY)


def run(net: Any) -> None:
    """Solve the network."""
    import pandapipes as pp

    pp.pipeflow(
        net,
        friction_model="colebrook",
        mode="hydraulics",
        use_numba=False,
        max_iter_hyd=200,
        tol_p=1e-7,
        tol_m=1e-9,
        tol_res=1e-7,
        tolerance_colebrook=1e-10,
    )


def results(net: Any, cars: Cars, limited: Any) -> dict[str, Any]:
    """Pressures [Pa gauge] and flows [m3/s]."""
    number = len(limited)
    pressure = net.res_junction.p_bar.to_numpy() * 1e5 - OFFSET
    names = ("tank", "inlet", "outlet", "node", "rail", "manifold")
    answer = {name: pressure[i * number : (i + 1) * number] for i, name in enumerate(names)}
    answer["pump_flow"] = net.res_pump.mdot_from_kg_per_s.to_numpy() / DENSITY
    injected = cars["demand"].copy()
    holes = np.count_nonzero(limited)  # they were built last
    if holes:
        injected[limited] = net.res_pipe.mdot_from_kg_per_s.to_numpy()[-holes:] / DENSITY
    return answer | {"injector_flow": injected, "bypass_flow": answer["pump_flow"] - injected}


def reynolds(cars: Cars, place: str, answer: dict[str, Any]) -> Any:
    """Least Reynolds number of the lines of each car that carry flow."""
    numbers = []
    for name, flow in (
        ("suction", answer["pump_flow"]),
        ("feed", answer["pump_flow" if place == "rail" else "injector_flow"]),
        ("return", answer["bypass_flow"]),
    ):
        number = 4.0 / np.pi * DENSITY * np.abs(flow) / (VISCOSITY * cars[f"{name}_diameter"])
        if name == "return":  # the return of a valve at work or shut plays no part
            number = np.where(answer["node"] > cars["opening"] + 1.0, number, np.inf)
        numbers.append(number)
    return np.min(numbers, axis=0)
