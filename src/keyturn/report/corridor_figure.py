"""The corridor: predicted rail pressure and pressure across the injector against fuel flow."""

from __future__ import annotations

import math

import numpy as np

from keyturn.report.plot import Plot, around, label, rounded_range
from keyturn.report.show import kpa, kpa_array, lph_array, psi, whole
from keyturn.report.svg import LINE, SMALL, THICK, THIN, Drawing, points
from keyturn.system.result import CheckResult, FloatArray

CURVES = (
    ("rail, gauge", "fuel", "diagonal", None),
    ("across the injector", "ink", "dots", "7 3"),
)


def corridor(result: CheckResult, width: float = 720.0, *, inline: bool = False) -> str:
    """Bands from 5 to 95 %, the median as a line, and the pressure that is wanted."""
    data = result.corridor
    wanted = result.wanted_pressure
    about = (
        "Along the full-load line. The wanted pressure across the injector is"
        f" {whole(kpa(wanted.p50))} kPa. Bands hold 90 % of the samples."
    )
    drawing = Drawing(
        f"corridor{width:.0f}", width, "Pressure against fuel flow", about, inline=inline
    )
    flow = lph_array(data.fuel_flow)
    order = np.argsort(flow)
    flow = flow[order]
    bands = [kpa_array(data.rail_gauge)[:, order], kpa_array(data.across_injector)[:, order]]
    every = np.concatenate([*(b.ravel() for b in bands), [kpa(wanted.p50)]])
    every = every[np.isfinite(every)]
    if not every.size or not np.isfinite(flow).any():
        drawing.text(0, 20, "No flow was worked out.")
        drawing.height = 30
        return drawing.render()
    low, high = float(every.min()), float(every.max())
    reach = max(high - low, 0.1 * abs(high))
    floor = low - 0.5 * reach
    y_range = rounded_range(min(low, max(0.0, floor)), high + 0.15 * reach, 8)
    x_range = rounded_range(0.0, float(np.nanmax(flow)) * 1.02)
    height = 330.0 if width >= 600 else 270.0
    plot = Plot(drawing, 46, 66, width - 92, height, x_range, y_range)
    plot.y_axis("pressure, kPa")
    for values, (_, token, motif, dash) in zip(bands, CURVES, strict=True):
        _band(plot, flow, values, token, motif, dash)
    _wanted(plot, result)
    plot.right_axis("psi", lambda v: psi(v * 1e3))
    plot.x_axis("fuel flow to the engine, L/h")
    plot.frame()
    _end_labels(plot, flow, bands, kpa(wanted.p50))
    _legend(drawing)
    drawing.height = plot.top + height + 44
    return drawing.render()


def _band(
    plot: Plot, flow: FloatArray, values: FloatArray, token: str, motif: str, dash: str | None
) -> None:
    d = plot.drawing
    low, middle, high = (plot.along(flow.tolist(), row.tolist()) for row in values)
    d.path(points([*high, *low[::-1]], close=True), "none", fill=d.pattern(motif, token))
    for edge in (low, high):
        d.path(points(edge), token, THIN)
    d.path(points(middle), token, THICK, dash=dash)


def _wanted(plot: Plot, result: CheckResult) -> None:
    d, wanted = plot.drawing, result.wanted_pressure
    low, y, high = (plot.py(kpa(v)) for v in (wanted.p05, wanted.p50, wanted.p95))
    if not math.isfinite(y):
        return
    end = plot.left + plot.width
    d.line(plot.left, y, end, y, "ink", 1.6, "12 3 2 3")
    for edge in (low, high):
        if math.isfinite(edge) and abs(edge - y) > 2:
            d.line(plot.left, edge, end, edge, "ink", THIN * 0.7, "2 3")


def _end_labels(plot: Plot, flow: FloatArray, bands: list[FloatArray], wanted: float) -> None:
    """The numbers at the least and the greatest flow."""
    places = plot.places()
    for values in bands:
        for row in values:
            places.take_line(plot.along(flow.tolist(), row.tolist()), 1.5)
    if math.isfinite(wanted):
        y = plot.py(wanted)
        places.take_line([(plot.left, y), (plot.left + plot.width, y)])
        words = f"wanted across {whole(wanted)} kPa"
        middle = plot.left + plot.width * 0.5
        near = [(middle + dx, y + dy) for dy in (-11, 12, -24, 25) for dx in (0, -90, 90)]
        label(plot.drawing, places, near, words, bold=True)
    for values, (_, token, _, _) in zip(bands, CURVES, strict=True):
        finite = np.flatnonzero(np.isfinite(values[1]) & np.isfinite(flow))
        if not finite.size:
            continue
        last = int(finite[-1])
        x, y = plot.px(float(flow[last])), plot.py(float(values[1, last]))
        plot.drawing.ring(x, y, 3.2, token)
        ends = [whole(float(row[last])) for row in values]
        words = f"{ends[1]} ({ends[0]}…{ends[2]})"
        label(plot.drawing, places, around(x, y, words), words, colour=token, bold=True)


def _legend(drawing: Drawing) -> None:
    x, y = 0.0, 20.0
    for name, token, motif, dash in CURVES:
        drawing.box(x, y - 11, 30, 14, fill=drawing.pattern(motif, token), stroke=token)
        drawing.line(x, y - 4, x + 30, y - 4, token, THICK, dash)
        drawing.text(x + 36, y, name, SMALL)
        x += 48 + len(name) * SMALL * 0.602
    if drawing.width >= 600:
        drawing.line(x, y - 4, x + 30, y - 4, "ink", LINE, "12 3 2 3")
        drawing.text(x + 36, y, "wanted across the injector", SMALL)
