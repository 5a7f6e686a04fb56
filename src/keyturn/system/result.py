"""What `check` answers: frozen data with arrays, read by report/ and the faces. SI inside.

Pressures named ``_gauge`` are above ambient, ``_across`` are differences, others absolute.
A ``Band`` holds the 5, 50 and 95 % quantiles.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

VERDICTS = ("holds", "tight", "not proven", "short")  # best first
BANDS_FOLLOW = "bands follow"  # stands where a verdict would, while no spread was drawn yet
REGIMES = ("regulating", "starved", "injector-limited", "overrun", "dead-head", "no-flow")


@dataclass(frozen=True)
class Band:
    p05: float
    p50: float
    p95: float


@dataclass(frozen=True)
class Station:
    """Gauge pressure after one part of the path [Pa], nominal values."""

    after: str
    pressure_gauge: float


@dataclass(frozen=True)
class State:
    """One state in which a builder reads a gauge."""

    name: str  # "key-on", "cranking", "idle", "idle, reference off", "2500 rev/min no load", ...
    engine_speed: float  # [rev/s]
    manifold_pressure: float  # [Pa] absolute
    rail_gauge: Band  # [Pa]
    across_injector: Band  # [Pa]
    pump_flow: Band  # [m3/s]
    engine_flow: Band  # [m3/s] what the injectors take
    return_flow: Band  # [m3/s]
    pump_voltage: Band  # [V]
    pump_current: Band  # [A]
    duty: Band  # share of the injection window, 0 when no injection
    air_fuel_equivalence: Band  # lambda; NaN when no injection
    regime: str
    regime_share: float  # share of samples in that regime
    stations: tuple[Station, ...]


@dataclass(frozen=True)
class Headroom:
    """What one part must do and can do, at its worst point."""

    part: str  # "pump", "wiring", "fuse", "strainer", "feed line", "filter", "regulator", ...
    quantity: str  # what is compared, plain words: "flow at working pressure and voltage"
    need: Band
    has: Band
    unit: str  # glossary quantity name, so that the doors can pick a display unit
    ratio: Band  # capacity over need, 1.0 = just enough
    p_holds: float
    verdict: str
    why: str  # one plain sentence
    settles: str | None  # the one measurement that would settle it, when not proven
    engine_speed: float | None  # [rev/s] worst point
    manifold_pressure: float | None  # [Pa]


@dataclass(frozen=True)
class Envelope:
    """Map over speed x manifold pressure. Arrays have shape (speeds, pressures)."""

    engine_speed: FloatArray  # [rev/s], shape (speeds,)
    manifold_pressure: FloatArray  # [Pa] absolute, shape (pressures,)
    across_injector: FloatArray  # [Pa] median
    across_injector_p05: FloatArray
    across_injector_p95: FloatArray
    rail_gauge: FloatArray  # [Pa] median
    rail_gauge_p05: FloatArray
    rail_gauge_p95: FloatArray
    fuel_flow: FloatArray  # [m3/s] median
    duty: FloatArray
    air_fuel_equivalence: FloatArray
    p_holds: FloatArray  # share of samples in which everything holds at that point
    limiting: NDArray[np.str_]  # part with the least headroom
    regime: NDArray[np.str_]
    reachable: NDArray[np.bool_]  # False above the full-load line
    full_load_pressure: FloatArray  # [Pa] median, shape (speeds,)


@dataclass(frozen=True)
class Corridor:
    """Predicted pressure against fuel flow along the full-load line; each array (points,)."""

    fuel_flow: FloatArray  # [m3/s]
    rail_gauge: FloatArray  # [Pa] shape (3, points): 5, 50, 95 %
    across_injector: FloatArray  # [Pa] shape (3, points)


@dataclass(frozen=True)
class PumpCrossing:
    """Pump curve and system curve at one pump voltage."""

    voltage: float  # [V] at the pump
    flow: FloatArray  # [m3/s]
    pump_rise: FloatArray  # [Pa] what the pump makes at that flow
    band_low: FloatArray  # [Pa] 5 %
    band_high: FloatArray  # [Pa] 95 %


@dataclass(frozen=True)
class PumpFigure:
    crossings: tuple[PumpCrossing, ...]
    system_flow: FloatArray  # [m3/s]
    system_rise: FloatArray  # [Pa] what the path needs at full load, regulator holding
    need_flow: float  # [m3/s] engine demand plus least bypass at the worst point
    work_flow: float  # [m3/s] where pump and system cross at nominal voltage
    work_rise: float  # [Pa]


@dataclass(frozen=True)
class FullLoad:
    """The full-load line, medians with bands; arrays (3, speeds) are 5, 50, 95 %."""

    engine_speed: FloatArray  # [rev/s] (speeds,)
    manifold_pressure: FloatArray
    inlet_temperature: FloatArray  # [K]
    air_flow: FloatArray  # [kg/s]
    fuel_demand: FloatArray  # [m3/s]
    power: FloatArray  # [W]
    blower_power: FloatArray  # [W]
    blower_outlet_temperature: FloatArray  # [K]
    cooler_heat: FloatArray  # [W]


@dataclass(frozen=True)
class Remedy:
    """The smallest change of one part alone that makes it hold with 95 % probability."""

    part: str
    change: str  # "pump flow x 1.18, that is 300 L/h at 4.2 bar and 13.2 V"
    factor: float | None  # None when no change of that part alone is enough
    p_holds: float
    note: str = ""


@dataclass(frozen=True)
class LeanedOn:
    """One value the answer leaned on, worst known and most telling first."""

    key: str
    typed: str
    grade: str
    spread: float  # relative, 1 sigma
    share: float  # share of the spread of the limiting headroom that comes from it
    measure: str  # how to measure it


@dataclass(frozen=True)
class CheckResult:
    name: str
    invented: bool
    verdict: str
    sentence: str  # one plain sentence, the answer
    limiting: Headroom
    headroom: tuple[Headroom, ...]
    states: tuple[State, ...]
    full_load: FullLoad
    envelope: Envelope
    corridor: Corridor
    pump: PumpFigure
    remedies: tuple[Remedy, ...]
    leaned_on: tuple[LeanedOn, ...]
    missing: tuple[str, ...]
    flags: tuple[str, ...]
    cautions: tuple[str, ...]
    assumptions: tuple[str, ...]  # under which the verdict stands
    wanted_pressure: Band  # [Pa] pressure across the injector that the calibration assumes
    barometer: float  # [Pa] nominal
    samples: int  # 0: middle values only, no verdict
    seed: int
    seconds: float
