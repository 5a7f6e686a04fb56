"""The pressure path: gauge pressure from tank to injector, a step at each part, by state."""

from __future__ import annotations

import math
from collections.abc import Sequence

from keyturn.report.plot import Plot, rounded_range
from keyturn.report.show import both_pressures, kpa, psi, rpm, whole
from keyturn.report.svg import SMALL, TEXT, THICK, THIN, Drawing, clean, points, wrap
from keyturn.system.result import CheckResult, State

ROOM = 76.0  # right of the rail in each panel, for the bracket and its words


def chosen_states(states: Sequence[State]) -> list[State]:
    """Key-on, idle and the hardest full load, where they exist; never more than three."""
    found: list[State] = []
    for wanted in ("key-on", "idle"):
        found += [state for state in states if state.name.lower() == wanted][:1]
    rest = [state for state in states if state not in found]
    loaded = [state for state in rest if "full load" in state.name.lower()]
    power = [state for state in loaded if "power" in state.name.lower()]
    found += (power or loaded or rest)[:1]
    return found or list(states[:1])


def pressure_path(
    result: CheckResult, width: float = 720.0, *, inline: bool = False, table: bool = True
) -> str:
    """The hydraulic grade line of up to three states, with the pressure across the injector.

    Without ``table`` the numbered parts stand in a line under the panels.
    """
    states = chosen_states(result.states)
    about = "; ".join(
        f"{s.name}: rail {both_pressures(s.rail_gauge.p50)} above ambient,"
        f" across the injector {both_pressures(s.across_injector.p50)}"
        for s in states
    )
    drawing = Drawing(
        f"path{width:.0f}", width, "Pressure path from tank to injector", about, inline=inline
    )
    if not states:
        drawing.text(0, 20, "No state was worked out.")
        drawing.height = 30
        return drawing.render()
    ambient = result.barometer
    levels = [st.pressure_gauge for s in states for st in s.stations]
    levels += [v for s in states for v in (s.rail_gauge.p95, s.manifold_pressure - ambient)]
    finite = [kpa(v) for v in levels if math.isfinite(v)] or [0.0]
    scale = rounded_range(min(0.0, *finite), max(finite) * 1.12, 8)
    side_by_side = width >= 600
    left, right, panel_height = 46.0, 44.0, 210.0
    room = (width - left - right) / len(states) - 12 if side_by_side else width - left - right
    head = 32.0 + 15 * max(len(_name_lines(state, room)) for state in states)
    if side_by_side:
        each = (width - left - right) / len(states)
        spots = [(left + n * each, head, room) for n in range(len(states))]
    else:
        step = panel_height + 40 + head
        spots = [(left, head + n * step, room) for n in range(len(states))]
    for n, (state, (x, top, wide)) in enumerate(zip(states, spots, strict=True)):
        plot = Plot(drawing, x, top, wide, panel_height, (0.0, 1.0), scale)
        first, last = n == 0 or not side_by_side, n == len(states) - 1 or not side_by_side
        _scales(plot, first, last)
        _panel(plot, state, ambient)
    bottom = max(top for _, top, _ in spots) + panel_height + 34
    draw_parts = _parts_list if table else _parts_line
    drawing.height = draw_parts(drawing, bottom, states)
    return drawing.render()


def _name_lines(state: State, room: float) -> list[str]:
    return wrap(clean(state.name), room, TEXT * 1.1)[:3]


def _scales(plot: Plot, first: bool, last: bool) -> None:
    d = plot.drawing
    if first:
        plot.y_axis("")
        d.text(0, plot.top - 10, "kPa")
    else:
        for level in plot.grid_levels():
            d.line(plot.left, level, plot.left + plot.width, level, "quiet", THIN * 0.7, "1 3")
    if last:
        plot.right_axis("", lambda v: psi(v * 1e3))
        d.text(d.width, plot.top - 10, "psi", anchor="end")
    plot.frame()


def _panel(plot: Plot, state: State, ambient: float) -> None:
    """One state: grade line, ambient line, manifold level and the bracket between."""
    d = plot.drawing
    speed = f"{whole(rpm(state.engine_speed))} rev/min" if state.engine_speed else "engine at rest"
    for row, line in enumerate(reversed(_name_lines(state, plot.width))):
        y = plot.top - 26 - 15 * row
        d.text(plot.left + plot.width / 2, y, line, TEXT, anchor="middle", bold=True)
    under = f"{speed}, {whole(kpa(state.manifold_pressure))} kPa abs"
    d.text(plot.left + plot.width / 2, plot.top - 10, under, SMALL, anchor="middle")
    zero = plot.py(0.0)
    d.line(plot.left, zero, plot.left + plot.width, zero, "ink", THIN, "9 3 2 3")
    pairs = _grade_line(plot, state)
    end = plot.left + plot.width - ROOM
    rail = plot.py(kpa(state.rail_gauge.p50))
    d.path(points(pairs), "fuel", THICK)
    _label_levels(plot, state, pairs)
    low = plot.py(kpa(state.manifold_pressure - ambient))
    d.line(end - 4, low, plot.left + plot.width, low, "ink", 1.8, "3 2")
    if not math.isfinite(rail):
        return
    bar = end + 10
    _rail_band(plot, state, bar)
    d.path(points(((bar, rail), (bar, low))), "ink", 1.0)
    for tip, way in ((rail, 1), (low, -1)):
        d.path(points(((bar - 3, tip + 7 * way), (bar, tip), (bar + 3, tip + 7 * way))), width=1.0)
    middle = (rail + low) / 2
    for row, words in enumerate(
        (
            "across",
            f"{whole(kpa(state.across_injector.p50))} kPa",
            f"{whole(psi(state.across_injector.p50))} psi",
        )
    ):
        d.text(bar + 5, middle - 10 + 13 * row, words, SMALL, bold=row == 1)
    below = low + 13
    if below > plot.top + plot.height - 2 or abs(below - 4 - zero) < 9:
        below = low - 5
    d.text(plot.left + plot.width - 3, below, "manifold", SMALL, anchor="end")


def _rail_band(plot: Plot, state: State, bar: float) -> None:
    """The rail reading with its spread: the line itself is drawn from the values as typed."""
    d, band = plot.drawing, state.rail_gauge
    low, middle, high = (plot.py(kpa(v)) for v in (band.p05, band.p50, band.p95))
    if math.isfinite(low) and math.isfinite(high) and low - high > 2:
        d.box(bar - 5, high, 10, low - high, fill="paper")
        d.box(bar - 5, high, 10, low - high, d.pattern("diagonal", "fuel"), "fuel", THIN)
    d.line(bar - 9, middle, bar + 9, middle, "fuel", THICK)


def _label_levels(plot: Plot, state: State, pairs: list[tuple[float, float]]) -> None:
    """The two readings: behind the pump, where it differs, and on the rail."""
    d, band = plot.drawing, state.rail_gauge
    levels = [st.pressure_gauge for st in state.stations if math.isfinite(st.pressure_gauge)]
    highest = min(pairs, key=lambda pair: pair[1])
    if levels and (not math.isfinite(band.p50) or pairs[-1][1] - highest[1] > 6):
        words = f"{whole(kpa(max(levels)))} kPa"
        at = max(plot.left + 34, highest[0] + 22)
        d.text(at, highest[1] - 7, words, SMALL, anchor="middle", colour="fuel", bold=True)
    if math.isfinite(band.p50):
        top = plot.py(kpa(band.p95 if math.isfinite(band.p95) else band.p50))
        words = f"rail {whole(kpa(band.p50))} kPa"
        right = plot.left + plot.width - 3
        d.text(right, top - 6, words, SMALL, anchor="end", colour="fuel", bold=True)


def _grade_line(plot: Plot, state: State) -> list[tuple[float, float]]:
    """Level between the parts, a step at each part, with its number on the step."""
    end = plot.left + plot.width - ROOM
    room = (end - plot.left) / (len(state.stations) + 1) if state.stations else 0.0
    level = plot.py(0.0)
    pairs = [(plot.left, level)]
    for n, station in enumerate(state.stations):
        x = plot.left + room * (n + 1)
        pairs.append((x, level))
        if math.isfinite(station.pressure_gauge):
            level = plot.py(kpa(station.pressure_gauge))
        pairs.append((x, level))
        foot = plot.top + plot.height
        plot.drawing.line(x, foot, x, foot + 4, width=THIN)
        lift = 15 if room >= 15 or n % 2 == 0 else 25
        plot.drawing.text(x, foot + lift, str(n + 1), SMALL, anchor="middle")
    return [*pairs, (end, level)]


def _names(states: Sequence[State]) -> list[str]:
    names: list[str] = []
    for state in states:
        names += [st.after for st in state.stations if st.after not in names]
    return names


def _parts_line(drawing: Drawing, top: float, states: Sequence[State]) -> float:
    """Number and part, one after the other."""
    words = ", ".join(f"{n} {name}" for n, name in enumerate(_names(states), 1))
    for line in wrap(clean(words), drawing.width, SMALL):
        drawing.text(0, top + 10, line, SMALL)
        top += 14
    return top + 4


def _parts_list(drawing: Drawing, top: float, states: Sequence[State]) -> float:
    """Under the lines, as on any drawing: number, part, gauge pressure in each state."""
    names = _names(states)
    column = 92.0 if drawing.width >= 600 else 66.0
    start = drawing.width - column * len(states)
    y = top + 16
    drawing.text(0, y, "after part", SMALL, colour="quiet")
    for n, state in enumerate(states):
        lines = wrap(state.name, column - 6, SMALL)[:3]
        for row, line in enumerate(lines):
            x = start + column * (n + 1)
            drawing.text(x, y + 12 * (row - len(lines) + 1), line, SMALL, anchor="end")
    y += 6
    drawing.line(0, y, drawing.width, y, "ink", 1.0)
    for index, name in enumerate(names):
        lines = wrap(clean(name), start - 26, SMALL)
        for row, line in enumerate(lines):
            drawing.text(24, y + 14 + 12 * row, line, SMALL)
        drawing.text(16, y + 14, str(index + 1), SMALL, anchor="end", bold=True)
        for n, state in enumerate(states):
            words = _cell(state, name, wide=column > 80)
            drawing.text(start + column * (n + 1), y + 14, words, SMALL, anchor="end")
        y += 6 + 12 * len(lines)
        drawing.line(0, y, drawing.width, y, "quiet", THIN * 0.7)
    drawing.text(0, y + 16, "Gauge pressure after each part, kPa | psi.", SMALL, colour="quiet")
    return y + 24


def _cell(state: State, name: str, *, wide: bool) -> str:
    value = next((st.pressure_gauge for st in state.stations if st.after == name), math.nan)
    gap = "  |  " if wide else "|"
    return f"{whole(kpa(value))}{gap}{whole(psi(value))}"
