"""What it would take: the smallest change of one part alone that makes it hold."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from keyturn.build.model import Build
from keyturn.system import equations, parts
from keyturn.system.circuit import Circuit, FloatArray
from keyturn.system.headroom import Loads, Need, lambda_ratio, suction_drop
from keyturn.system.result import Headroom, Remedy
from keyturn.system.thresholds import limit

MOST_CHANGE = 4.0  # beyond four times it is another part, not a larger one
STEPS = 24


def remedies(
    loads: Loads, needs: tuple[Need, ...], rows: tuple[Headroom, ...]
) -> tuple[Remedy, ...]:
    """One remedy for every part that is short or tight, then the calibration option."""
    by_name = {need.part: need for need in needs}
    found = [
        _remedy(loads, by_name[row.part], row) for row in rows if row.verdict in ("short", "tight")
    ]
    found += _calibration(loads, rows)
    return tuple(found)


def _smallest(holds: Callable[[float], float]) -> tuple[float | None, float]:
    """Smallest factor in (1, most] that reaches the wanted probability, by bisection."""
    wanted = limit("verdict", "holds")
    if holds(MOST_CHANGE) < wanted:
        return None, holds(MOST_CHANGE)
    low, high = 1.0, MOST_CHANGE
    for _ in range(STEPS):
        middle = 0.5 * (low + high)
        low, high = (low, middle) if holds(middle) >= wanted else (middle, high)
    return high, holds(high)


def _share(ratio: FloatArray) -> float:
    return float(np.mean(ratio[1:].min(axis=1) >= 1.0))


def _remedy(loads: Loads, need: Need, row: Headroom) -> Remedy:
    if need.part == "pump":
        return _pump(loads, need)
    words = {
        "wiring": ("loop resistance divided by {0:.2f}", "shorter or thicker wire, fewer contacts"),
        "fuse": (
            "fuse rating x {0:.2f}",
            "only with wire that carries it; see the wire's own limit",
        ),
        "wire under its fuse": (
            "fuse rating divided by {0:.2f}",
            "or thicker wire: the fuse has to open before the wire burns",
        ),
        "strainer": ("strainer loss divided by {0:.2f}", "larger strainer"),
        "feed line": ("feed line loss divided by {0:.2f}", "one size larger, fewer fittings"),
        "regulator": ("regulator opening x {0:.2f}", "a regulator with more flow, or less pump"),
        "return line": ("return loss divided by {0:.2f}", "one size larger return"),
        "injectors": ("injector flow x {0:.2f}", "with a calibration for the new flow"),
        "blower speed": ("speed ratio divided by {0:.2f}", "larger blower pulley; boost falls"),
        "belt": ("belt grip x {0:.2f}", "more wrap or ribs; tension only within its limits"),
        "belt speed": ("crank pulley divided by {0:.2f}", "boost falls"),
        "cooler": ("temperature rise divided by {0:.2f}", "more cooler or colder coolant"),
    }
    text, note = words.get(need.part.split(" 2")[0], ("loss divided by {0:.2f}", ""))
    factor, p_holds = _smallest(lambda f: _share(need.ratio * f))
    if factor is None:
        return Remedy(need.part, "no change of this part alone is enough", None, p_holds, note)
    return Remedy(need.part, text.format(factor), factor, p_holds, note)


def _pump(loads: Loads, need: Need) -> Remedy:
    """A larger pump draws more current: wiring voltage and losses are solved again."""
    parts_ = loads.circuit.pump

    def holds(factor: float) -> float:
        larger = replace(loads.circuit, pump=replace(parts_, flow_scale=parts_.flow_scale * factor))
        bypass = need.need - loads.line.fuel_demand
        held, _ = equations.regulator_pressure(larger, bypass)
        rise = (
            held + equations.path_drop(larger.feed, need.need)[0] + suction_drop(larger, need.need)
        )
        volts, slope = equations.voltage(larger, rise)
        return _share(equations.pump_flow(larger, rise, volts, slope)[0] / need.need)

    factor, p_holds = _smallest(holds)
    if factor is None:
        return Remedy(
            "pump",
            "no larger pump of this shape is enough alone",
            None,
            p_holds,
            "the pressure asked for is beyond the end of its curve",
        )
    worst = int(np.argmin(np.median(need.ratio[1:], axis=0)))
    flow = float(np.quantile(np.broadcast_to(need.need, need.ratio.shape)[1:, worst], 0.95))
    bar = float(np.median(loads.solution.pump_rise[1:, worst])) / 1e5
    volts = float(np.median(loads.solution.pump_voltage[1:, worst]))
    return Remedy(
        "pump",
        f"pump flow x {factor:.2f}: about {flow * 3.6e6:.0f} L/h at {bar:.1f} bar and "
        f"{volts:.1f} V at its terminals",
        factor,
        p_holds,
        "a larger pump draws more current and fills the return more: check wiring and return",
    )


def _calibration(loads: Loads, rows: tuple[Headroom, ...]) -> list[Remedy]:
    """Leave the pressure and tell the control unit the truth; what it costs when nobody does."""
    row = next((r for r in rows if r.part == "calibration"), None)
    if row is None or row.verdict == "holds":
        return []
    lean = lambda_ratio(loads.solution, loads.line.fuel_demand)
    error = float(np.quantile(lean[1:].max(axis=1), 0.95))
    constant = parts.injector_constant(loads.build, loads.draws)
    across = np.maximum(loads.solution.across_injector, 1.0)
    duty = loads.line.fuel_demand / (constant * np.sqrt(across)) + parts.dead_share(
        loads.build, loads.draws, loads.full
    )
    ceiling = loads.draws.of(loads.build.control.duty_ceiling)
    p_holds = _share(ceiling / duty)
    at = float(np.median(across[1:].min(axis=1))) / 1e3
    peak = float(np.median(duty[1:].max(axis=1)))
    return [
        Remedy(
            "calibration",
            f"leave the pressure and correct the injector data to {at:.0f} kPa across",
            None,
            p_holds,
            f"if nobody corrects it the mixture may be {100 * max(error - 1, 0):.0f} % lean at "
            f"full load; corrected, duty peaks at {100 * peak:.0f} %",
        )
    ]


def unsettled(build: Build, circuit: Circuit) -> tuple[str, ...]:
    """Assumptions under which every verdict stands."""
    rows = [
        "steady running: no slosh, no air in the fuel, no pulsation",
        "every joint tight and every hose sound: this is not a leak test",
        "throttle wide open and the bypass shut on the full-load line",
        "mixture trimmed with a mixture sensor at low load before any boost",
    ]
    if build.pump.single_point:
        rows.append("the pump's curve has an assumed shape through one flow")
    if not build.control.corrects_pressure:
        rows.append("the control unit does not correct for fuel pressure")
    if circuit.rail is not None:
        rows.append("the line from regulator to rail is dead-ended: its loss shows only under flow")
    return tuple(rows)
