"""Traces of a log one under the other on one time axis, with the spans of its findings shaded."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from keyturn.logs.found import LogFindings
from keyturn.logs.frame import Samples
from keyturn.report.plot import Plot, rounded_range
from keyturn.report.show import display_unit
from keyturn.report.svg import LINE, Drawing, points

SHOWN = (
    ("engine_speed", "engine speed"),
    ("manifold_pressure", "manifold pressure, absolute"),
    ("across_injector", "pressure across the injector"),
    ("across_expected", "the same, expected"),
    ("fuel_flow", "fuel flow"),
    ("lambda_aligned", "lambda, shifted back by its lag"),
    ("voltage", "voltage"),
    ("knock_retard", "knock retard"),
)
TRACE = 78.0
GAP = 34.0
SHADED = 60  # spans at most
UNITS = {"lambda_aligned": "lambda", "across_expected": "across_injector"}


def traces(found: LogFindings, width: float = 720.0, *, inline: bool = False) -> str:
    """Least and greatest of each pixel, so that no short spike is lost."""
    frame = found.log.frame
    shown = [row for row in SHOWN if row[0] in frame and np.isfinite(frame[row[0]]).any()]
    kinds = ", ".join(dict.fromkeys(one.kind for one in found.findings)) or "none"
    drawing = Drawing(
        f"traces{width:.0f}", width, "Traces of the log", f"Shaded: where it was found ({kinds}).",
        inline=inline,
    )  # fmt: skip
    if not shown or len(frame) < 2:
        drawing.text(0, 20, "Nothing to draw.")
        drawing.height = 30
        return drawing.render()
    time = (float(frame.time[0]), float(frame.time[-1]))
    top = 30.0
    for number, (name, words) in enumerate(shown):
        unit, factor, offset = display_unit(UNITS.get(name, name))
        if name == "knock_retard":
            unit, factor, offset = "degrees", float(np.degrees(1.0)), 0.0
        values = frame[name] * factor + offset
        low, high = float(np.nanmin(values)), float(np.nanmax(values))
        plot = Plot(drawing, 52, top, width - 62, TRACE, time, rounded_range(low, high, 3))
        _shade(plot, found)
        plot.y_axis(f"{words}, {unit}" if unit else words)
        _trace(plot, frame.time, values)
        plot.frame()
        if number == len(shown) - 1:
            plot.x_axis("time, s")
        top += TRACE + GAP
    drawing.height = top + 16
    return drawing.render()


def _shade(plot: Plot, found: LogFindings) -> None:
    spans = [part for one in found.findings for part in one.spans][:SHADED]
    for one in spans:
        left, right = plot.px(one.start), plot.px(one.end)
        plot.drawing.box(
            left, plot.top, max(1.0, right - left), plot.height,
            fill=plot.drawing.pattern("diagonal", "short"), opacity=0.5,
        )  # fmt: skip


def _trace(plot: Plot, time: Samples, values: Samples) -> None:
    """Up and down between least and greatest of each pixel; a gap stays a gap."""
    columns = max(2, int(plot.width))
    edges = np.searchsorted(time, np.linspace(time[0], time[-1], columns + 1))
    edges[-1] = len(time)
    runs: list[list[tuple[float, float]]] = [[]]
    for first, last in pairwise(edges.tolist()):
        part = values[first:last]
        part = part[np.isfinite(part)]
        if not part.size:
            if runs[-1] and last > first:
                runs.append([])
            continue
        x = plot.px(float(time[first]))
        ends = {float(part.min()), float(part.max())}
        runs[-1] += [(x, plot.py(value)) for value in sorted(ends)]
    for run in runs:
        plot.drawing.path(points(run), "fuel", LINE)
