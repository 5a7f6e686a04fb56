"""The tables of the answer as rows of words; the terminal, the page and the PDF share them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from keyturn.report.headroom_figure import ranked
from keyturn.report.show import (
    DASH,
    display_unit,
    kpa,
    likelihood,
    lph,
    number,
    probability,
    psi,
    rpm,
    shown,
    whole,
)
from keyturn.system.result import Band, CheckResult, State


@dataclass(frozen=True)
class Table:
    """Heads, rows of words, and which columns hold numbers (set to the right)."""

    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    right: tuple[bool, ...]


def _table(head: str, rows: Sequence[tuple[str, ...]], numbers: str = "") -> Table:
    names = tuple(head.split("|"))
    return Table(names, tuple(rows), tuple(str(n) in numbers.split() for n in range(len(names))))


def amount(value: float, quantity: str) -> str:
    """A value with its display unit."""
    unit = display_unit(quantity)[0]
    words = number(shown(value, quantity))
    return f"{words} {unit}".strip() if words != DASH else DASH


def span(band: Band) -> str:
    """The 5 and 95 % ends of a band of ratios."""
    if math.isnan(band.p05) or math.isnan(band.p95):
        return DASH
    return f"{number(band.p05)}…{number(band.p95)}"


def headroom_table(result: CheckResult) -> Table:
    """Part, verdict, need, has, ratio and probability in words and number."""
    rows = []
    for row in ranked(result.headroom):
        chance = probability(row.p_holds, result.samples)
        words = likelihood(row.p_holds)
        rows.append(
            (
                row.part,
                row.verdict,
                amount(row.need.p50, row.unit),
                amount(row.has.p50, row.unit),
                number(row.ratio.p50),
                span(row.ratio),
                chance if words == chance else f"{chance}, {words}",
            )
        )
    return _table("part|verdict|needs|has|ratio|5…95 %|holds", rows, "2 3 4 5")


def _pressures(band: Band) -> str:
    if math.isnan(band.p50):
        return DASH
    low, middle, high = (whole(kpa(v)) for v in (band.p05, band.p50, band.p95))
    return f"{middle} ({whole(psi(band.p50))}), {low}…{high}"


def states_table(result: CheckResult) -> Table:
    """What the gauge should show, and what stands across the injector, state by state."""
    rows = [
        (s.name, _pressures(s.rail_gauge), _pressures(s.across_injector), s.regime)
        for s in result.states
    ]
    return _table("state|rail, gauge|across injector|regime", rows, "1 2")


def flows_table(result: CheckResult) -> Table:
    """Speed, manifold pressure, flows, volts, amps, duty and lambda of every state."""
    rows = [_flows(s) for s in result.states]
    head = "state|rev/min|manifold, kPa abs|pump, L/h|engine, L/h|return, L/h|volts|amps|duty, %"
    return _table(head + "|lambda", rows, "1 2 3 4 5 6 7 8 9")


def _flows(s: State) -> tuple[str, ...]:
    flows = (s.pump_flow, s.engine_flow, s.return_flow)
    injecting = s.duty.p50 > 0.0
    return (
        s.name,
        whole(rpm(s.engine_speed)),
        whole(kpa(s.manifold_pressure)),
        *(whole(lph(flow.p50)) for flow in flows),
        number(s.pump_voltage.p50),
        number(s.pump_current.p50),
        number(s.duty.p50 * 100.0, 2) if injecting else DASH,
        number(s.air_fuel_equivalence.p50, 2),
    )


def remedies_table(result: CheckResult) -> Table:
    """The smallest change of one part alone, and what it brings."""
    rows = [
        (
            item.part,
            item.change,
            f"x {number(item.factor)}" if item.factor is not None else DASH,
            probability(item.p_holds, result.samples),
            item.note,
        )
        for item in result.remedies
    ]
    return _table("part|smallest change of it alone|factor|holds then|note", rows, "2 3")


def leaned_table(result: CheckResult) -> Table:
    """The values that the answer leaned on, as typed, with grade and share of the spread."""
    rows = [
        (
            item.key,
            item.typed,
            item.grade,
            f"±{number(item.spread * 100.0, 2)} %" if math.isfinite(item.spread) else DASH,
            probability(item.share, 10**6),
            item.measure,
        )
        for item in result.leaned_on
    ]
    return _table("value|typed|grade|1 sigma|share of spread|how to measure it", rows, "3 4")
