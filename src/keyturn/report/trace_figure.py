"""Traces of a log one under the other on one time axis, with the spans of its findings shaded."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from keyturn.logs.found import LogFindings
from keyturn.logs.frame import Samples
from keyturn.report.plot import Plot, rounded_range
from keyturn.report.show import display_unit
from keyturn.report.svg import LINE, Drawing, points

# what a channel of a log is called where it is drawn or asked about
CHANNEL_WORDS = {
    "time": "time",
    "engine_speed": "engine speed",
    "manifold_pressure": "manifold pressure, absolute",
    "rail_gauge": "rail pressure, gauge",
    "across_injector": "pressure across the injector",
    "across_expected": "the same, expected",
    "fuel_flow": "fuel flow",
    "lambda": "lambda",
    "lambda_aligned": "lambda, shifted back by its lag",
    "lambda_target": "lambda wanted",
    "lambda_wanted": "lambda wanted",
    "duty": "injector duty",
    "injector_pulse": "injector pulse",
    "voltage": "voltage",
    "throttle": "throttle",
    "knock_retard": "knock retard",
    "inlet_temperature": "inlet temperature",
    "fuel_temperature": "fuel temperature",
    "coolant_temperature": "coolant temperature",
    "air_flow": "air flow",
    "vehicle_speed": "speed over the road",
    "barometer": "barometer",
}
SHOWN = (
    "engine_speed", "manifold_pressure", "across_injector", "across_expected", "fuel_flow",
    "lambda_aligned", "voltage", "knock_retard",
)  # fmt: skip
TRACE = 78.0
GAP = 34.0
SHADED = 60  # spans at most
# derived channels under the glossary name of what they are
QUANTITIES = {
    "lambda_aligned": "lambda", "lambda_wanted": "lambda_target",
    "across_expected": "across_injector",
}  # fmt: skip


def traces(found: LogFindings, width: float = 720.0, *, inline: bool = False) -> str:
    """Least and greatest of each pixel, so that no short spike is lost."""
    frame = found.log.frame
    shown = [name for name in SHOWN if name in frame and np.isfinite(frame[name]).any()]
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
    for number, name in enumerate(shown):
        words = CHANNEL_WORDS[name]
        unit, factor, offset = display_unit(QUANTITIES.get(name, name))
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
