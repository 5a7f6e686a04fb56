"""From readings to what has to be predicted, and at which working points."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from keyturn.build.model import Build
from keyturn.evidence.reading import Conditions, Reading, kinds
from keyturn.evidence.unknowns import table
from keyturn.system import operating
from keyturn.system.operating import NO_LOAD_SPEED, NamedState

SILENT = ("fuel-temperature",)  # kinds that no unknown explains
# what the broad density of a kind is a width of
BROAD = {"volume": "volume", "voltage": "voltage", "current": "current", "yes_no": "yes_no"}


@dataclass(frozen=True)
class Column:
    """One working point that has to be solved."""

    state: NamedState
    boosted: bool = False  # manifold pressure follows the boost unknown
    supply_voltage: float | None = None
    held_at: float | None = None  # [Pa] the regulator is worked by hand to this pressure
    restricted: bool = False


@dataclass(frozen=True)
class Observation:
    """One number to be predicted; ``value`` is NaN for a test that has not been made."""

    kind: str
    column: int | None
    value: float
    spread: float  # instrument and model together
    broad: float  # width of the even density under "none of these"
    source: Reading
    number: int  # of the reading among those given

    @property
    def yes_no(self) -> bool:
        """Whether it is seen or not seen, with a chance for a prediction."""
        return kinds()[self.kind].quantity == "yes_no"


@dataclass(frozen=True)
class Plan:
    observations: tuple[Observation, ...]
    columns: tuple[Column, ...]
    silent: tuple[str, ...] = field(default=())  # readings that nothing is inferred from, in words


def plan(build: Build, readings: tuple[Reading, ...], line: operating.Line) -> Plan:
    """Working points and numbers for the readings, each point once."""
    columns: list[Column] = []
    rows: list[Observation] = []
    silent: list[str] = []
    for number, reading in enumerate(readings):
        for part in _parts(reading, readings):
            wanted = _column(build, part, line)
            if part.kind in SILENT or (wanted is None and not _without_column(part)):
                silent.append(f"{part.kind}, {part.state}: nothing is inferred from it")
                continue
            at = None
            if wanted is not None:
                if wanted not in columns:
                    columns.append(wanted)
                at = columns.index(wanted)
            rows.append(_observation(part, at, number))
    return Plan(tuple(rows), tuple(columns), tuple(silent))


def only(plan: Plan, numbers: tuple[int, ...]) -> Plan:
    """The plan of some of its observations, with the working points that they need."""
    rows = [plan.observations[number] for number in numbers]
    used = sorted({row.column for row in rows if row.column is not None})
    moved = tuple(
        row if row.column is None else replace(row, column=used.index(row.column)) for row in rows
    )
    return Plan(moved, tuple(plan.columns[at] for at in used), plan.silent)


def _parts(reading: Reading, readings: tuple[Reading, ...]) -> tuple[Reading, ...]:
    """A second gauge is two numbers: its own, and the first gauge's unless that was stored too."""
    first = reading.conditions.pressure_gauge
    if reading.kind != "second-gauge" or first is None or np.isnan(first):
        return (reading,)
    known = any(
        other.kind == "rail-pressure"
        and other.state == reading.state
        and other.conditions.engine_speed == reading.conditions.engine_speed
        and other.conditions.reference == reading.conditions.reference
        and other.conditions.renewed == reading.conditions.renewed
        for other in readings
    )
    if known:
        return (reading,)
    spread = kinds()["rail-pressure"].usual_spread(first)
    twin = Reading(
        "rail-pressure", reading.state, first, spread, reading.typed, "first gauge",
        reading.conditions,
    )  # fmt: skip
    return (twin, reading)


def _without_column(reading: Reading) -> bool:
    return reading.kind in ("gauge-zero", "pressure-held")


def _observation(reading: Reading, column: int | None, number: int) -> Observation:
    kind = kinds()[reading.kind]
    broad = table()["broad"]
    scale = 1.0
    if kind.name == "timed-volume":
        scale = max(abs(reading.value), 1.0e-4) if np.isfinite(reading.value) else 5.0e-4
    model = float(table()["model_error"].get(kind.name, 0.0)) * scale
    width = float(broad[BROAD.get(kind.quantity, "pressure")])
    if kind.name == "lambda":
        width = float(broad["lambda"])
    return Observation(
        kind=kind.name,
        column=column,
        value=reading.value,
        spread=float(np.hypot(reading.spread, model)),
        broad=width,
        source=reading,
        number=number,
    )


def _column(build: Build, reading: Reading, line: operating.Line) -> Column | None:
    ambient = build.site.barometer.si
    said = reading.conditions
    boosted = False
    connected = said.reference != "off"
    if reading.state == "key-on":
        state = NamedState("key-on", 0.0, ambient, "resting", connected)
    elif reading.state == "cranking":
        speed = operating.CRANKING_SPEED
        state = NamedState("cranking", speed, 0.95 * ambient, "cranking", connected)
    elif reading.state in ("idle", "held-speed"):
        usual = build.engine.idle.si if reading.state == "idle" else NO_LOAD_SPEED
        speed = said.engine_speed or usual
        pressure = said.manifold_pressure or build.engine.idle_pressure.si
        state = NamedState("no load", speed, pressure, "running", connected)
    elif reading.state == "full-load":
        speed = said.engine_speed or _power_speed(build, line)
        boosted = said.manifold_pressure is None
        pressure = said.manifold_pressure or float(
            np.interp(speed, line.engine_speed, line.air.manifold_pressure[0])
        )
        name = "full load" if boosted else "at load"
        state = NamedState(name, speed, pressure, "running", connected)
    else:
        return None
    if reading.kind == "manifold-pressure":
        return Column(state, boosted) if reading.state == "full-load" and boosted else None
    held = said.pressure_gauge if reading.kind == "timed-volume" else None
    return Column(state, boosted, said.supply_voltage, held, reading.kind == "return-restricted")


def _power_speed(build: Build, line: operating.Line) -> float:
    if build.engine.power_speed is not None:
        return build.engine.power_speed.si
    return float(line.engine_speed[int(np.argmax(line.power[0]))])


def imagined(
    kind: str, state: str, conditions: Conditions | None = None, spread: float | None = None
) -> Reading:
    """A reading that has not been made, for predicting it."""
    row = kinds()[kind]
    typical = {"pressure_gauge": 3.5e5, "voltage": 13.0, "current": 8.0}.get(row.quantity, 0.0)
    return Reading(
        kind=kind,
        state=state,
        value=float("nan"),
        spread=row.usual_spread(typical) if spread is None else spread,
        typed="",
        conditions=conditions or Conditions(),
    )
