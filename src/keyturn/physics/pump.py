"""Electric fuel pump: flow against pressure rise and voltage, current, several pumps, check valve.

The curve of the pump as tested is the input; nothing is assumed about its inside beyond a
displacement law for voltage.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from keyturn.errors import DomainError
from keyturn.physics import Array

FloatArray = NDArray[np.float64]

# Assumed shape through one known point, as (pressure / known pressure, flow / known flow).
GENERIC_SHAPE = ((0.0, 1.25), (0.5, 1.13), (1.0, 1.0), (1.5, 0.78), (1.9, 0.45), (2.2, 0.0))


def monotone_curve(knots: FloatArray, values: FloatArray) -> FloatArray:
    """Coefficients of the C1 cubic through a falling table that never rises between its points.

    Parameters
    ----------
    knots : FloatArray
        Pressure rise of the points, strictly rising [Pa]
    values : FloatArray
        Flow of the points, never rising [m3/s]

    Returns
    -------
    FloatArray
        One row a segment, highest power first, in powers of (pressure rise - left knot) [SI].

    Notes
    -----
    Fritsch and Butland (1984) slopes, weighted harmonic mean, with one-sided three-point ends:
    the same as the monotone cubic of SciPy.
    """
    x, y = np.asarray(knots, dtype=np.float64), np.asarray(values, dtype=np.float64)
    if x.ndim != 1 or x.shape != y.shape or x.size < 2:
        raise DomainError("a pump curve needs two or more points, each with pressure and flow")
    if not (np.all(np.isfinite(x)) and np.all(np.isfinite(y))):
        raise DomainError("a pump curve has a point that is not a number")
    step, secant = np.diff(x), np.diff(y)
    if np.any(step <= 0.0):
        raise DomainError("the pressures of a pump curve must rise from point to point")
    if np.any(secant > 0.0):
        at = int(np.argmax(secant > 0.0))
        raise DomainError(
            f"flow of a pump curve rises between its points {at + 1} and {at + 2}; "
            "flow must fall or stay level as pressure rises: check the two points for a slip"
        )
    secant = secant / step
    slope = _slopes(step, secant)
    third = (slope[:-1] + slope[1:] - 2.0 * secant) / step
    return np.column_stack((third / step, (secant - slope[:-1]) / step - third, slope[:-1], y[:-1]))


def _slopes(step: FloatArray, secant: FloatArray) -> FloatArray:
    """Slopes at the knots of a monotone table."""
    if step.size == 1:
        return np.repeat(secant, 2)
    slope = np.zeros(step.size + 1)
    left, right = secant[:-1], secant[1:]
    both = (left != 0.0) & (right != 0.0)
    first, second = 2.0 * step[1:] + step[:-1], step[1:] + 2.0 * step[:-1]
    safe_left, safe_right = np.where(both, left, 1.0), np.where(both, right, 1.0)
    mean = (first + second) / (first / safe_left + second / safe_right)
    slope[1:-1] = np.where(both, mean, 0.0)
    slope[0] = _end_slope(step[0], step[1], secant[0], secant[1])
    slope[-1] = _end_slope(step[-1], step[-2], secant[-1], secant[-2])
    return slope


def _end_slope(near: float, far: float, near_secant: float, far_secant: float) -> float:
    """One-sided three-point slope, kept of one sign with its segment (both never positive)."""
    slope = ((2.0 * near + far) * near_secant - near * far_secant) / (near + far)
    # the second limit of the general rule guards secants of unlike sign: excluded for this table
    return min(slope, 0.0)


def curve_value_and_slope(
    pressure_rise: Array, knots: FloatArray, coefficients: FloatArray
) -> tuple[Array, Array]:
    """Flow of a pump curve and its slope by pressure rise.

    Parameters
    ----------
    pressure_rise : Array
        Outlet less inlet pressure [Pa]
    knots : FloatArray
        Pressure rise of the points of the curve [Pa]
    coefficients : FloatArray
        From `monotone_curve`; the column of power n is in m3/s per Pa to the n [-]

    Returns
    -------
    tuple of Array
        Flow [m3/s] and its slope by pressure rise [m3/(s Pa)].

    Notes
    -----
    Straight continuation outside. On the right it is at least as steep as the last segment on
    average and never level, so that it always comes to zero; flow then goes negative.
    """
    inside = np.clip(pressure_rise, knots[0], knots[-1])
    row = _segment(inside, knots)
    part = inside - knots.take(row)
    cubic, square = coefficients[:, 0].take(row), coefficients[:, 1].take(row)
    line = coefficients[:, 2].take(row)
    value = coefficients[:, 3].take(row) + part * (line + part * (square + part * cubic))
    slope = line + part * (2.0 * square + part * (3.0 * cubic))
    over = pressure_rise - inside
    right = _right_slope(knots, coefficients)
    beyond = over > 0.0
    return (
        value + over * np.where(beyond, right, coefficients[0, 2]),
        np.where(beyond, right, slope),
    )


def _segment(inside: Array, knots: FloatArray) -> NDArray[np.intp]:
    """Number of the segment that a pressure rise lies in; a knot belongs to the left one."""
    inner = knots[1:-1]
    if inner.size > 16:
        return np.asarray(np.searchsorted(inner, inside))
    # a few comparisons of whole arrays are several times faster than a search for every point
    row = np.zeros(np.shape(inside), dtype=np.int8)
    for knot in inner:
        row += inside > knot
    return row.astype(np.intp)


def _right_slope(knots: FloatArray, coefficients: FloatArray) -> float:
    """Slope of the continuation beyond the last knot [m3/(s Pa)], strictly negative."""
    cubic, square, line = (float(number) for number in coefficients[-1, :3])
    width = float(knots[-1] - knots[-2])
    end = line + width * (2.0 * square + width * 3.0 * cubic)
    mean = line + width * (square + width * cubic)
    # a level table says nothing of where the pump gives up: fall by a tenth of its flow per span
    level = -0.1 * max(float(coefficients[0, 3]), 1e-9) / float(knots[-1] - knots[0])
    return min(end, mean, level)


def pump_flow_and_slope(
    pressure_rise: Array,
    voltage: Array,
    knots: FloatArray,
    coefficients: FloatArray,
    reference_voltage: Array,
) -> tuple[Array, Array, Array]:
    """Flow of one pump at any voltage, with slopes by pressure rise and by voltage.

    Parameters
    ----------
    pressure_rise : Array
        Outlet less inlet pressure [Pa]
    voltage : Array
        Voltage at the pump [V]
    knots : FloatArray
        Pressure rise of the points of the curve [Pa]
    coefficients : FloatArray
        From `monotone_curve` [-]
    reference_voltage : Array
        Voltage at which the curve was taken [V]

    Returns
    -------
    tuple of Array
        Flow [m3/s], slope by pressure rise [m3/(s Pa)], slope by voltage [m3/(s V)].

    Notes
    -----
    Displacement law: flow = curve(rise) + curve(0) (voltage / reference - 1). Displaced flow
    goes with speed, speed with voltage, leakage with pressure alone. Ignores the fall of speed
    with torque as voltage changes, resistance of the armature and inlet cavitation. Reasonable
    for 8..16 V; negative flow means leakage back through a pump without a check valve.
    """
    flow, slope = curve_value_and_slope(pressure_rise, knots, coefficients)
    free, _ = curve_value_and_slope(0.0, knots, coefficients)
    per_volt = free / reference_voltage
    return flow + per_volt * (voltage - reference_voltage), slope, per_volt


def pump_flow(
    pressure_rise: Array,
    voltage: Array,
    knots: FloatArray,
    coefficients: FloatArray,
    reference_voltage: Array,
) -> Array:
    """Flow of one pump at any voltage.

    Parameters
    ----------
    pressure_rise : Array
        Outlet less inlet pressure [Pa]
    voltage : Array
        Voltage at the pump [V]
    knots : FloatArray
        Pressure rise of the points of the curve [Pa]
    coefficients : FloatArray
        From `monotone_curve` [-]
    reference_voltage : Array
        Voltage at which the curve was taken [V]

    Returns
    -------
    Array
        Flow [m3/s].

    Notes
    -----
    See `pump_flow_and_slope`.
    """
    return pump_flow_and_slope(pressure_rise, voltage, knots, coefficients, reference_voltage)[0]


def curve_from_point(flow: float, pressure_rise: float) -> tuple[FloatArray, FloatArray]:
    """Generic ASSUMED curve through the one point that is known of a pump.

    Parameters
    ----------
    flow : float
        Known flow, above 0 [m3/s]
    pressure_rise : float
        Pressure rise at which it was stated, above 0 [Pa]

    Returns
    -------
    tuple of FloatArray
        Pressure rises [Pa] and flows [m3/s] for `monotone_curve`.

    Notes
    -----
    Not from any pump: free flow 1.25 times the known one, because internal leakage at injection
    pressure is commonly a fifth of displacement; no flow at 2.2 times the pressure, because
    relief valves sit at about twice the working pressure; falling ever faster between. The
    result must be graded as assumed.
    """
    if not (flow > 0.0 and pressure_rise > 0.0):
        raise DomainError("a pump known by one point needs a flow and a pressure above zero")
    shape = np.array(GENERIC_SHAPE)
    return shape[:, 0] * pressure_rise, shape[:, 1] * flow


def parallel_curve(
    knots: FloatArray, values: FloatArray, pump_count: int
) -> tuple[FloatArray, FloatArray]:
    """Curve of equal pumps side by side: flows add at one pressure rise.

    Parameters
    ----------
    knots : FloatArray
        Pressure rise of the points of one pump [Pa]
    values : FloatArray
        Flow of the points of one pump [m3/s]
    pump_count : int
        Number of equal pumps that run [-]

    Returns
    -------
    tuple of FloatArray
        Pressure rises [Pa] and flows [m3/s] of the set.

    Notes
    -----
    Each with its own check valve: without, a stopped pump lets the other run back through it.
    """
    return knots * 1.0, values * pump_count


def series_curve(
    knots: FloatArray, values: FloatArray, pump_count: int
) -> tuple[FloatArray, FloatArray]:
    """Curve of equal pumps one after the other: pressure rises add at one flow.

    Parameters
    ----------
    knots : FloatArray
        Pressure rise of the points of one pump [Pa]
    values : FloatArray
        Flow of the points of one pump [m3/s]
    pump_count : int
        Number of equal pumps that run [-]

    Returns
    -------
    tuple of FloatArray
        Pressure rises [Pa] and flows [m3/s] of the set.

    Notes
    -----
    Equal pumps at equal voltage share the rise evenly.
    """
    return knots * pump_count, values * 1.0


def check_valve_drop_and_slope(
    flow: Array, opening_pressure: Array, smoothing_flow: Array
) -> tuple[Array, Array]:
    """Pressure drop of a check valve that is open, smooth through zero flow.

    Parameters
    ----------
    flow : Array
        Volume flow [m3/s]
    opening_pressure : Array
        Drop at which the valve opens [Pa]
    smoothing_flow : Array
        Flow at which 0.71 of the opening pressure is reached, above 0 [m3/s]

    Returns
    -------
    tuple of Array
        Pressure drop [Pa] and its slope by flow [Pa s/m3].

    Notes
    -----
    Opening pressure times flow / hypot(flow, smoothing flow): a numerical form, odd and rising.
    Spring rate and holding pressure after stop are not in it.
    """
    square = flow * flow + smoothing_flow * smoothing_flow
    drop = opening_pressure * flow / np.sqrt(square)
    slope = opening_pressure * smoothing_flow * smoothing_flow / (square * np.sqrt(square))
    return drop, slope


def aged_flow(flow: Array, age: Array) -> Array:
    """Flow of a worn pump.

    Parameters
    ----------
    flow : Array
        Flow as new [m3/s]
    age : Array
        Share of flow that is left, 1 as new [-]

    Returns
    -------
    Array
        Flow that is left [m3/s].

    Notes
    -----
    One factor at all pressures: worn pumps lose flow before they lose shut-off pressure.
    """
    return flow * age


def current_coefficients(
    pressure_rise: FloatArray,
    currents: FloatArray,
    reference_voltage: float,
    speed_share: float = 0.5,
) -> tuple[float, float, float]:
    """Straight law of pump current: by pressure rise, and by voltage off the reference voltage.

    Parameters
    ----------
    pressure_rise : FloatArray
        Pressure rise of the points; one point or more [Pa]
    currents : FloatArray
        Current of the points [A]
    reference_voltage : float
        Voltage at which the points were taken [V]
    speed_share : float
        Share of the current at no pressure that goes with speed, assumed [-]

    Returns
    -------
    tuple of float
        Current at no rise and reference voltage [A], per pressure [A/Pa], per volt [A/V].

    Notes
    -----
    Current = at_zero + per_pressure * rise + per_volt * (voltage - reference voltage), straight
    line by least squares. A DC motor draws by torque: displacement times pressure plus
    friction. Only the friction in the liquid grows with speed, hence with voltage: ``speed_share``
    of the current at no pressure, half unless known. With one point the slope is taken as half
    of that current over its pressure, an assumption.
    """
    x, y = np.asarray(pressure_rise, dtype=np.float64), np.asarray(currents, dtype=np.float64)
    if x.shape != y.shape or x.size == 0 or reference_voltage <= 0.0:
        raise DomainError("pump current needs points of pressure and current, and their voltage")
    if x.size == 1:
        per_pressure = 0.5 * float(y[0]) / float(x[0]) if x[0] > 0.0 else 0.0
    else:
        offset = x - x.mean()
        spread = float(offset @ offset)
        if spread == 0.0:
            raise DomainError("all points of the pump current have the same pressure")
        per_pressure = float(offset @ y) / spread
    at_reference = float(y.mean()) - per_pressure * float(x.mean())
    per_volt = speed_share * max(at_reference, 0.0) / reference_voltage
    return at_reference, per_pressure, per_volt
