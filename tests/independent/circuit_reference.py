"""Second solver of the fuel circuit: one point at a time, every regime tried in turn.

Written from the formulas of docs/theory/circuit.md with the standard library and SciPy only: it
shares no code with keyturn. The arrays of a circuit are read as plain numbers. A regime is
assumed, its one equation is solved with Brent's method, and the answer is kept when it does not
contradict the assumption.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any, NamedTuple

from scipy.interpolate import PchipInterpolator
from scipy.optimize import brentq

LOWEST_RISE = -2.0e5
UNLIMITED = 1.0


class Answer(NamedTuple):
    """Solved point, and how near it lies to another regime (relative, 0 on the boundary)."""

    regime: str
    rise: float
    pump_flow: float
    injector_flow: float
    bypass_flow: float
    node: float
    rail: float
    boundary: float


def friction_drop(
    flow: float, laminar: float, turbulent: float, per_flow: float, rough: float
) -> float:
    """Hagen-Poiseuille, Praks and Brkic (2020), blended by a smooth step over Re 2000..4000."""
    size = abs(flow)
    reynolds = size * per_flow
    if reynolds <= 2000.0:
        return laminar * flow
    a = reynolds * rough * 3.71 / 3.7 / 8.0878
    b = math.log(reynolds) - 0.779397488
    c = math.log(a + b)
    root = 0.8685972 * (b - c + c / (a + b - 0.5588 * c + 1.2079))
    drop = turbulent * size * size / (root * root)
    s = min((reynolds - 2000.0) / 2000.0, 1.0)
    weight = 3.0 * s**2 - 2.0 * s**3
    return math.copysign((1.0 - weight) * laminar * size + weight * drop, flow)


class Point:
    """One circuit as plain numbers."""

    def __init__(self, circuit: Any, index: int) -> None:
        def number(array: Any) -> float:
            return float(array.reshape(-1)[index if array.size > 1 else 0])

        pump = circuit.pump
        self.curve = Curve(pump)
        self.flow_scale, self.pressure_scale = number(pump.flow_scale), number(pump.pressure_scale)
        self.reference_voltage = number(pump.reference_voltage)
        self.amps = number(pump.current_at_zero)
        self.amps_per_pascal = number(pump.current_per_pressure)
        self.amps_per_volt = number(pump.current_per_voltage)
        self.source, self.ohm = number(circuit.source_voltage), number(circuit.wiring_resistance)
        self.suction, self.feed = (
            self._path(item, number) for item in (circuit.suction, circuit.feed)
        )
        self.back, self.line = (
            self._path(item, number) for item in (circuit.returns, circuit.rail)
        )
        regulator, injector = circuit.regulator, circuit.injector
        self.opening, self.slope = number(regulator.opening_gauge), number(regulator.slope)
        self.seat, self.open = number(regulator.seat), number(regulator.open_quadratic)
        self.demand, self.orifice = number(injector.demand), number(injector.orifice)
        self.manifold = number(injector.manifold_gauge)

    def _path(self, path: Any, number: Callable[[Any], float]) -> tuple[Any, ...]:
        if path is None:
            return (0.0, 0.0, [])
        lines = [
            tuple(
                number(item)
                for item in (
                    line.laminar_resistance,
                    line.turbulent_coefficient,
                    line.reynolds_per_flow,
                    line.relative_roughness,
                )
            )
            for line in path.lines
        ]
        return (number(path.linear), number(path.quadratic), lines)

    @staticmethod
    def drop(path: tuple[Any, ...], flow: float) -> float:
        linear, quadratic, lines = path
        total: float = linear * flow + quadratic * flow * abs(flow)
        return total + sum(friction_drop(flow, *line) for line in lines)

    def volts(self, rise: float) -> float:
        """Two straight lines meet: motor current against voltage, and the wiring."""
        fixed = (
            self.amps + self.amps_per_pascal * rise - self.amps_per_volt * self.reference_voltage
        )
        return max((self.source - self.ohm * fixed) / (1.0 + self.ohm * self.amps_per_volt), 0.0)

    def pump(self, rise: float) -> float:
        leakage_law = self.curve(rise / self.pressure_scale)
        speed = self.volts(rise) / self.reference_voltage - 1.0
        return self.flow_scale * (leakage_law + self.curve.free * speed)

    def node(self, rise: float) -> float:
        flow = self.pump(rise)
        return rise - self.drop(self.suction, flow) - self.drop(self.feed, flow)

    def needed(self, flow: float) -> float:
        """Node pressure above the manifold at which the injectors pass ``flow``."""
        # q = c p / sqrt(p + 100): a quadratic in p
        square = (flow / self.orifice) ** 2
        return self.drop(self.line, flow) + 0.5 * (square + math.sqrt(square * (square + 400.0)))

    def passed(self, node: float) -> float:
        """Flow that the injectors would pass with nothing but their holes in the way."""
        across = node - self.manifold
        if across <= 0.0:
            return 0.0
        if not self.line[2]:  # no rail path: explicit
            return self.orifice * across / math.sqrt(across + 100.0)
        most = self.orifice * math.sqrt(across)
        return float(brentq(lambda q: self.needed(q) - across, 0.0, most, xtol=1e-17, rtol=1e-13))

    def controlled(self, bypass: float) -> float:
        return self.opening + self.slope * bypass + self.seat * self.drop(self.back, bypass)

    def wide_open(self, bypass: float) -> float:
        return self.open * bypass * abs(bypass) + self.drop(self.back, bypass)

    def excess(self, rise: float) -> float:
        """Zero at the answer, whatever the regime; rises with the pump's pressure rise."""
        node, flow = self.node(rise), self.pump(rise)
        limit = self.demand if self.demand < UNLIMITED else math.inf
        bypass = flow - min(self.passed(node), limit)
        held = max(self.controlled(bypass), self.wide_open(bypass))
        return max((node - held) / 1.0e5, -bypass / 1.0e-5)


def solve_directly(point: Point) -> float:
    """Pump rise by one call of Brent's method, to 1e-6 Pa: what a plain scalar program would do."""
    if point.excess(LOWEST_RISE) > 0.0:
        return LOWEST_RISE
    return float(brentq(point.excess, LOWEST_RISE, 2.0e6, xtol=1e-6, rtol=1e-14))


class Curve:
    """The pump's table by SciPy's monotone cubic, straight outside."""

    def __init__(self, pump: Any) -> None:
        table, rows = pump.knots, pump.coefficients
        width = float(table[-1] - table[-2])
        last = float(
            ((rows[-1, 0] * width + rows[-1, 1]) * width + rows[-1, 2]) * width + rows[-1, 3]
        )
        flows = [*(float(row[3]) for row in rows), last]
        self.free, self.low, self.high = flows[0], float(table[0]), float(table[-1])
        spline = PchipInterpolator(table, flows)
        tangent = spline.derivative()
        self.left = float(tangent(self.low))
        level = -0.1 * flows[0] / (self.high - self.low)
        self.right = min(float(tangent(self.high)), (last - flows[-2]) / width, level)
        self.last = last
        self.knots = [float(item) for item in table]
        self.pieces = [[float(item) for item in spline.c[:, i]] for i in range(len(flows) - 1)]

    def __call__(self, rise: float) -> float:
        if rise >= self.high:
            return self.last + self.right * (rise - self.high)
        if rise <= self.low:
            return self.free + self.left * (rise - self.low)
        number = 0
        while rise > self.knots[number + 1]:
            number += 1
        a, b, c, d = self.pieces[number]
        h = rise - self.knots[number]
        return ((a * h + b) * h + c) * h + d


def _root(law: Callable[[float], float]) -> float | None:
    """Root of a rising law; None when even a pump sucked at by 200 kPa lies above it."""
    if law(LOWEST_RISE) > 0.0:
        return None
    high = 1.0e6
    while law(high) < 0.0:
        high *= 2.0
    return float(brentq(law, LOWEST_RISE, high, xtol=1e-10, rtol=1e-15, maxiter=300))


def solve_point(circuit: Any, index: int) -> Answer:
    """Try the regimes one by one."""
    point = Point(circuit, index)
    for met in (True, False):
        for valve in ("shut", "controlled", "open"):
            answer = _try(point, met, valve)
            if answer is not None:
                return answer
    raise RuntimeError("no regime fits")


def _try(point: Point, met: bool, valve: str) -> Answer | None:
    """Solve with injectors at their demand or not, and the valve in one state."""
    if met and point.demand >= UNLIMITED:
        return None

    def taken(rise: float) -> float:
        return point.demand if met else point.passed(point.node(rise))

    if valve == "shut" and met:
        rise = _root(lambda x: point.demand - point.pump(x))
    elif valve == "shut":

        def surplus(x: float) -> float:
            # all of the pump's flow goes through the injectors; backwards none can
            flow, across = point.pump(x), point.node(x) - point.manifold
            return (
                -flow if across <= 0.0 else across - point.needed(max(flow, 0.0)) - min(flow, 0.0)
            )

        rise = _root(surplus)
    else:
        law = point.controlled if valve == "controlled" else point.wide_open
        rise = _root(lambda x: point.node(x) - law(point.pump(x) - taken(x)))
    if rise is None:
        return None
    flow, node = point.pump(rise), point.node(rise)
    injected = point.demand if met else (flow if valve == "shut" else point.passed(node))
    bypass = 0.0 if valve == "shut" else flow - injected
    return _accept(point, met, valve, rise, flow, injected, bypass, node)


def _accept(
    point: Point,
    met: bool,
    valve: str,
    rise: float,
    flow: float,
    injected: float,
    bypass: float,
    node: float,
) -> Answer | None:
    """Keep an answer that does not contradict its regime; name it as a workshop would."""
    slack = 1e-9
    controlled, wide = point.controlled(bypass), point.wide_open(bypass)
    margins = []
    if valve == "shut":
        margins.append((max(controlled, wide) - node) / 1.0e5)
    else:
        margins.append(bypass / 1.0e-5)
        margins.append((controlled - wide) / 1.0e5 * (1.0 if valve == "controlled" else -1.0))
    reserve = 1.0
    if met:
        reserve = (node - point.manifold - point.needed(point.demand)) / 1.0e5
        if point.demand > 0.0:
            margins.append(reserve)
    elif point.demand < UNLIMITED:
        margins.append((point.demand - injected) / 1.0e-5)
    if min(margins) < -slack:
        return None
    volts = point.volts(rise)
    if abs(flow) <= 3.0e-9:
        regime = "dead-head" if volts > 0.0 else "no-flow"
    elif valve == "shut":
        regime = "starved"
    elif not met and point.demand < UNLIMITED:
        regime = "injector-limited"
    else:
        regime = "overrun" if valve == "open" else "regulating"
    rail = node - point.drop(point.line, injected)
    nearest = min([*margins, abs(abs(flow) - 3.0e-9) / 1.0e-5])
    return Answer(regime, rise, flow, injected, bypass, node, rail, abs(nearest))
