"""What the pump makes at several voltages, crossed by what the path needs."""

from __future__ import annotations

import math

import numpy as np

from keyturn.report.plot import Places, Plot, around, label, leader, rounded_range
from keyturn.report.show import kpa, kpa_array, lph, lph_array, number, psi, whole
from keyturn.report.svg import LINE, SMALL, THICK, THIN, Drawing, points
from keyturn.system.result import CheckResult, PumpCrossing, PumpFigure

DASHES = (None, "9 3", "4 3", "1.5 3", "9 3 2 3")


def pump_curves(result: CheckResult, width: float = 720.0, *, inline: bool = False) -> str:
    """Pump curves with their bands, the system curve, the working point and the needed flow."""
    pump = result.pump
    about = (
        f"Pump and path cross at {whole(lph(pump.work_flow))} L/h and"
        f" {whole(kpa(pump.work_rise))} kPa; needed are {whole(lph(pump.need_flow))} L/h."
    )
    drawing = Drawing(
        f"pump{width:.0f}", width, "Pump curves and what the path needs", about, inline=inline
    )
    curves = sorted(pump.crossings, key=lambda c: -c.voltage)
    top = [kpa_array(c.band_high) for c in curves] + [kpa_array(pump.system_rise)]
    flows = [lph_array(c.flow) for c in curves] + [lph_array(pump.system_flow)]
    marks = [v for v in (lph(pump.need_flow), lph(pump.work_flow)) if math.isfinite(v)]
    highs = np.concatenate(top)
    wides = np.concatenate([*flows, np.array(marks)])
    if not np.isfinite(highs).any() or not np.isfinite(wides).any():
        drawing.text(0, 20, "No pump curve was worked out.")
        drawing.height = 30
        return drawing.render()
    height = 340.0 if width >= 600 else 280.0
    y_range = rounded_range(0.0, float(np.nanmax(highs)))
    x_range = rounded_range(0.0, float(np.nanmax(wides)))
    plot = Plot(drawing, 46, 34, width - 92, height, x_range, y_range)
    places = plot.places()
    plot.y_axis("pressure rise, kPa")
    for n, curve in enumerate(curves):
        _curve(plot, places, curve, n, banded=curve is _working(curves, pump))
    system = plot.along(lph_array(pump.system_flow).tolist(), kpa_array(pump.system_rise).tolist())
    drawing.path(points(system), "ink", THICK)
    places.take_line(system)
    plot.right_axis("psi", lambda v: psi(v * 1e3))
    plot.x_axis("pump flow, L/h")
    plot.frame()
    _marks(plot, places, result)
    for n, curve in enumerate(curves):
        _name(plot, places, curve, n)
    if system:
        words = "what the path needs"
        spots = [(x + dx, y + dy) for dy in (14, -13) for dx in (0, 40, -40) for x, y in system]
        label(drawing, places, spots, words, bold=True)
    drawing.height = plot.top + height + 44
    return drawing.render()


def _working(curves: list[PumpCrossing], pump: PumpFigure) -> PumpCrossing:
    """The curve that passes nearest to the working point; the middle one without such a point."""

    def miss(curve: PumpCrossing) -> float:
        return abs(float(np.interp(pump.work_flow, curve.flow, curve.pump_rise)) - pump.work_rise)

    if math.isfinite(pump.work_flow) and math.isfinite(pump.work_rise):
        return min(curves, key=miss)
    return curves[len(curves) // 2]


def _curve(plot: Plot, places: Places, curve: PumpCrossing, n: int, *, banded: bool) -> None:
    """One voltage; three bands over each other could not be told apart, so one has its band."""
    d = plot.drawing
    flow = lph_array(curve.flow).tolist()
    low = plot.along(flow, np.maximum(kpa_array(curve.band_low), 0.0).tolist())
    high = plot.along(flow, np.maximum(kpa_array(curve.band_high), 0.0).tolist())
    dash = DASHES[n % len(DASHES)]
    if banded:
        d.path(points([*high, *low[::-1]], close=True), "none", fill="fuel", opacity=0.13)
        for edge in (low, high):
            d.path(points(edge), "fuel", THIN * 0.7, dash=dash)
    rise = kpa_array(curve.pump_rise)
    middle = plot.along(flow, np.where(rise >= 0.0, rise, math.nan).tolist())
    d.path(points(middle), "fuel", 1.8, dash=dash)
    places.take_line(middle)


def _name(plot: Plot, places: Places, curve: PumpCrossing, n: int) -> None:
    """The voltage on its own curve, as on a map's contour."""
    rise = kpa_array(curve.pump_rise)
    middle = plot.along(
        lph_array(curve.flow).tolist(), np.where(rise >= 0.0, rise, math.nan).tolist()
    )
    if not middle:
        return
    shift = len(middle) * (0.18 + 0.1 * (n % 3))
    order = sorted(range(len(middle)), key=lambda k: abs(k - shift))
    spots = [
        (middle[k][0] + dx, middle[k][1] + dy)
        for dx, dy in ((0, -10), (0, 11), (24, -12))
        for k in order
    ]
    label(plot.drawing, places, spots, f"{number(curve.voltage)} V", colour="fuel", bold=True)


def _marks(plot: Plot, places: Places, result: CheckResult) -> None:
    d, pump = plot.drawing, result.pump
    bottom = plot.top + plot.height
    if math.isfinite(pump.need_flow):
        x = plot.px(lph(pump.need_flow))
        d.line(x, plot.top, x, bottom, "short", LINE, "6 3")
        places.take_line([(x, plot.top), (x, bottom)])
    if math.isfinite(pump.work_flow) and math.isfinite(pump.work_rise):
        x, y = plot.px(lph(pump.work_flow)), plot.py(kpa(pump.work_rise))
        places.take((x - 7, y - 7, 14, 14))
        d.ring(x, y, 6, "ink")
        d.ring(x, y, 2, "ink", "ink")
        words = f"works at {whole(lph(pump.work_flow))} L/h, {whole(kpa(pump.work_rise))} kPa"
        leader(d, x, y, label(d, places, around(x, y, words), words, bold=True))
    if math.isfinite(pump.need_flow):
        x = plot.px(lph(pump.need_flow))
        words = f"needed {whole(lph(pump.need_flow))} L/h"
        half = len(words) * SMALL * 0.602 / 2 + 8
        spots = [(x + side, bottom - up) for up in (14, 30, 50, 80) for side in (-half, half)]
        label(d, places, spots, words, colour="short", bold=True)
