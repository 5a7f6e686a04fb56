"""The corridor with what was measured on it: pressure across the injector against fuel flow."""

from __future__ import annotations

import math

import numpy as np

from keyturn.logs.found import Points
from keyturn.report.plot import Plot, rounded_range
from keyturn.report.show import kpa, kpa_array, lph_array, psi, whole
from keyturn.report.svg import SMALL, THICK, THIN, Drawing, points
from keyturn.system.result import CheckResult, FloatArray

MOST_DOTS = 600


def log_corridor(
    result: CheckResult, measured: Points, width: float = 720.0, *, inline: bool = False
) -> str:
    """Predicted band of the full-load line; dots from pulls, rings from steady stretches."""
    data = result.corridor
    order = np.argsort(data.fuel_flow)
    flow = lph_array(data.fuel_flow)[order]
    band = kpa_array(data.across_injector)[:, order]
    x, y = lph_array(measured.fuel_flow), kpa_array(measured.across_injector)
    about = (
        "Flat is good, a slope with flow is the supply, flat but off is the set point or the gauge."
        f" {int(np.isfinite(y).sum())} measured points. Wanted:"
        f" {whole(kpa(result.wanted_pressure.p50))} kPa across the injector."
    )
    drawing = Drawing(
        f"logcorridor{width:.0f}", width, "Measured on the corridor", about, inline=inline
    )
    every = np.concatenate([band.ravel(), y])
    every = every[np.isfinite(every)]
    flows = np.concatenate([flow, x])
    flows = flows[np.isfinite(flows)]
    if not every.size or not flows.size:
        drawing.text(0, 20, "No flow was worked out.")
        drawing.height = 30
        return drawing.render()
    low, high = float(every.min()), float(every.max())
    reach = max(high - low, 0.1 * abs(high))
    height = 330.0 if width >= 600 else 270.0
    y_range = rounded_range(low - 0.1 * reach, high + 0.1 * reach, 8)
    x_range = rounded_range(0.0, float(flows.max()) * 1.02)
    plot = Plot(drawing, 46, 66, width - 92, height, x_range, y_range)
    plot.y_axis("pressure across the injector, kPa")
    _band(plot, flow, band)
    _dots(plot, x, y, measured)
    wanted = plot.py(kpa(result.wanted_pressure.p50))
    if plot.top <= wanted <= plot.top + height:
        drawing.line(plot.left, wanted, plot.left + plot.width, wanted, "ink", 1.6, "12 3 2 3")
    plot.right_axis("psi", lambda v: psi(v * 1e3))
    plot.x_axis("fuel flow to the engine, L/h")
    plot.frame()
    _legend(drawing)
    drawing.height = plot.top + height + 44
    return drawing.render()


def _band(plot: Plot, flow: FloatArray, band: FloatArray) -> None:
    d = plot.drawing
    low, middle, high = (plot.along(flow.tolist(), row.tolist()) for row in band)
    d.path(points([*high, *low[::-1]], close=True), "none", fill=d.pattern("dots", "fuel"))
    for edge in (low, high):
        d.path(points(edge), "fuel", THIN)
    d.path(points(middle), "fuel", THICK, dash="7 3")


def _dots(plot: Plot, x: FloatArray, y: FloatArray, measured: Points) -> None:
    """One path for all dots, so that a thousand of them cost no more than a line."""
    there = np.isfinite(x) & np.isfinite(y)
    rows = np.flatnonzero(there & measured.pull)
    rows = rows[:: max(1, math.ceil(len(rows) / MOST_DOTS))]
    marks = [f"M{plot.px(float(x[n])) - 1.6:.1f} {plot.py(float(y[n])):.1f}h3.2" for n in rows]
    plot.drawing.path("".join(marks), "short", 3.2)
    steady = np.flatnonzero(there & ~measured.pull)
    for n in steady[:: max(1, math.ceil(len(steady) / 100))]:
        plot.drawing.ring(plot.px(float(x[n])), plot.py(float(y[n])), 3.6, "ink")


def _legend(drawing: Drawing) -> None:
    y = 20.0
    drawing.box(0, y - 11, 30, 14, fill=drawing.pattern("dots", "fuel"), stroke="fuel")
    drawing.text(36, y, "predicted, 90 %", SMALL)
    drawing.line(160, y - 4, 163.2, y - 4, "short", 3.2)
    drawing.text(170, y, "pull", SMALL)
    drawing.ring(216, y - 4, 3.6, "ink")
    drawing.text(226, y, "steady", SMALL)
