"""The tables of the answer as rows of words; the terminal, the page and the PDF share them."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

from keyturn.report.headroom_figure import ranked
from keyturn.report.phrases import tidy, typed_plainly
from keyturn.report.show import (
    DASH,
    display_unit,
    kpa,
    lph,
    number,
    probability,
    psi,
    rpm,
    shown,
    whole,
)
from keyturn.system.result import Band, CheckResult, LeanedOn, Remedy, State


@dataclass(frozen=True)
class Table:
    """Heads, rows of words, and which columns hold numbers (set to the right)."""

    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    right: tuple[bool, ...]


def _table(head: str, rows: Sequence[tuple[str, ...]], numbers: str = "") -> Table:
    names = tuple(head.split("|"))
    return Table(names, tuple(rows), tuple(str(n) in numbers.split() for n in range(len(names))))


def amount(value: float, quantity: str, *, both: bool = True) -> str:
    """A value with its display unit; pressures in psi as well, absolute ones named so."""
    unit = display_unit(quantity)[0]
    words = number(shown(value, quantity))
    if words == DASH:
        return DASH
    absolute = " abs" if quantity == "pressure" else ""
    second = f" ({number(psi(value), 2)} psi)" if both and unit == "kPa" else ""
    return f"{words} {unit}{absolute}{second}".strip()


def span(band: Band) -> str:
    """The 5 and 95 % ends of a band of ratios."""
    if math.isnan(band.p05) or math.isnan(band.p95):
        return DASH
    return f"{number(band.p05)}…{number(band.p95)}"


def headroom_table(result: CheckResult) -> Table:
    """Part, verdict, need, has, ratio with its band and probability."""
    return _headroom(result, both=True)


def headroom_short(result: CheckResult) -> Table:
    """The same with one pressure unit, for the terminal."""
    return _headroom(result, both=False)


def _headroom(result: CheckResult, *, both: bool) -> Table:
    rows = [
        (
            row.part,
            row.verdict,
            amount(row.need.p50, row.unit, both=both),
            amount(row.has.p50, row.unit, both=both),
            number(row.ratio.p50),
            span(row.ratio),
            probability(row.p_holds, result.samples),
        )
        for row in ranked(result.headroom)
    ]
    return _table("part|verdict|needs|has|ratio|5…95 %|chance", rows, "2 3 4 5 6")


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


def _banded(values: Sequence[float]) -> str:
    low, middle, high = (whole(v) for v in values)
    return DASH if middle == DASH else f"{middle} ({low}…{high})"


def states_short(result: CheckResult) -> Table:
    """The same in single lines, kPa and psi apart, for the terminal."""
    rows = []
    for s in result.states:
        rail, across = s.rail_gauge, s.across_injector
        gauge = (rail.p05, rail.p50, rail.p95)
        rows.append(
            (
                s.name,
                _banded([kpa(v) for v in gauge]),
                _banded([psi(v) for v in gauge]),
                _banded([kpa(v) for v in (across.p05, across.p50, across.p95)]),
                whole(psi(across.p50)),
                s.regime,
            )
        )
    head = "state|rail, kPa|rail, psi|across, kPa|psi|regime"
    return _table(head, rows, "1 2 3 4")


def flows_table(result: CheckResult) -> Table:
    """Speed, manifold pressure, flows, volts, amps, duty and lambda of every state."""
    rows = [_flows(s) for s in result.states]
    head = "state|rev/min|MAP kPa|pump L/h|engine L/h|return L/h|volts|amps|duty %"
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


def to_mend(result: CheckResult) -> list[Remedy]:
    """The changes of the parts that are short or tight."""
    bad = {row.part for row in result.headroom if row.verdict in ("short", "tight")}
    return [item for item in result.remedies if item.part in bad]


def remedies_table(result: CheckResult) -> Table:
    """The smallest change of one part alone, and what it brings."""
    rows = [
        (
            item.part,
            tidy(item.change),
            f"x {number(item.factor)}" if item.factor is not None else DASH,
            probability(item.p_holds, result.samples),
            tidy(item.note),
        )
        for item in result.remedies
    ]
    return _table("part|smallest change of it alone|factor|chance then|note", rows, "2 3")


def leaned_table(result: CheckResult) -> Table:
    """The values that the answer leaned on, as typed, with grade and share of the spread."""
    rows = [(*row, tidy(item.measure)) for row, item in _leaned(result)]
    return _table("value|typed|grade|1-sigma|share|how to measure it", rows, "3 4")


def leaned_short(result: CheckResult, most: int | None = None) -> Table:
    """The same without the measurement, one line each."""
    rows = [row for row, _ in _leaned(result)[:most]]
    return _table("value|typed|grade|1-sigma|share", rows, "3 4")


def _spread(item: LeanedOn) -> str:
    """One sigma in per cent; of a temperature in kelvin, for a share of it says little."""
    degrees = re.fullmatch(r"(-?[\d.]+) *degC.*", item.typed)
    if not math.isfinite(item.spread):
        return DASH
    if degrees:
        return f"±{number(item.spread * (float(degrees[1]) + 273.15), 2)} K"
    return f"±{number(item.spread * 100.0, 2)} %"


def _leaned(result: CheckResult) -> list[tuple[tuple[str, ...], LeanedOn]]:
    return [
        (
            (
                item.key,
                typed_plainly(item.typed),
                item.grade,
                _spread(item),
                probability(item.share, 10**6),
            ),
            item,
        )
        for item in result.leaned_on
    ]
