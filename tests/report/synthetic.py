"""Invented answers with plausible smooth arrays, for looking at and testing report/ alone."""

from __future__ import annotations

from dataclasses import replace
from math import nan

import numpy as np

from keyturn.system.result import (
    Band,
    CheckResult,
    Corridor,
    Envelope,
    FullLoad,
    Headroom,
    LeanedOn,
    PumpCrossing,
    PumpFigure,
    Remedy,
    State,
    Station,
)

AMBIENT = 100e3
LPH = 1 / 3.6e6
PARTS = ("strainer", "pump", "feed hose", "filter", "check valve", "feed line", "rail")
LOST = (-4e3, None, -9e3, -14e3, -3e3, -6e3, -1e3)


def band(middle: float, relative: float = 0.05) -> Band:
    wide = abs(middle) * relative * 1.645
    return Band(middle - wide, middle, middle + wide)


def state(name: str, speed: float, manifold: float, flow: float, rail: float, duty: float) -> State:
    """One state; the drops of the path scale with the flow through it."""
    pump = 330 * LPH
    pressure, stations = 0.0, []
    lost = [drop for drop in LOST if drop is not None]
    for part, drop in zip(PARTS, LOST, strict=True):
        rise = rail - sum(lost) * 1.0 if drop is None else drop
        pressure += rise
        stations.append(Station(part, pressure))
    none = Band(nan, nan, nan)
    return State(
        name=name,
        engine_speed=speed / 60,
        manifold_pressure=manifold,
        rail_gauge=band(rail, 0.03),
        across_injector=band(rail + AMBIENT - manifold, 0.03),
        pump_flow=band(pump),
        engine_flow=band(flow * LPH) if flow else Band(0.0, 0.0, 0.0),
        return_flow=band(pump - flow * LPH),
        pump_voltage=band(13.1, 0.01),
        pump_current=band(11.5),
        duty=band(duty),
        air_fuel_equivalence=band(0.82) if flow else none,
        regime="regulating",
        regime_share=0.97,
        stations=tuple(stations),
    )


def states() -> tuple[State, ...]:
    return (
        state("key-on", 0, AMBIENT, 0, 380e3, 0.0),
        state("cranking", 220, 95e3, 12, 370e3, 0.08),
        state("idle", 850, 40e3, 4, 320e3, 0.03),
        state("idle, reference off", 850, 40e3, 4, 380e3, 0.03),
        state("2500 rev/min no load", 2500, 45e3, 9, 325e3, 0.06),
        state("full load, torque speed", 3200, 172e3, 118, 448e3, 0.62),
        state("full load, power speed", 5600, 178e3, 186, 441e3, 0.81),
    )


def row(
    part: str, ratio: float, spread: float, p_holds: float, verdict: str, unit: str = "flow"
) -> Headroom:
    need = {"flow": 214 * LPH, "current": 11.5, "engine_speed": 220.0, "pressure": 60e3}.get(
        unit, 1
    )
    settles = "Time the return flow into a can at full voltage." if verdict != "holds" else None
    return Headroom(
        part=part,
        quantity="flow at working pressure and voltage",
        need=band(need, 0.04),
        has=band(need * ratio, spread),
        unit=unit,
        ratio=band(ratio, spread),
        p_holds=p_holds,
        verdict=verdict,
        why=f"The {part} must pass what the engine drinks and what the regulator returns.",
        settles=settles,
        engine_speed=5600 / 60,
        manifold_pressure=178e3,
    )


def headroom() -> tuple[Headroom, ...]:
    return (
        row("pump", 1.04, 0.11, 0.63, "not proven"),
        row("wiring", 1.12, 0.04, 0.93, "tight", "current"),
        row("fuse", 1.74, 0.02, 1.0, "holds", "current"),
        row("strainer", 2.3, 0.15, 1.0, "holds"),
        row("feed line", 1.55, 0.06, 0.999, "holds"),
        row("filter", 1.42, 0.10, 0.996, "holds"),
        row("regulator", 1.9, 0.05, 1.0, "holds"),
        row("return line", 3.1, 0.08, 1.0, "holds"),
        row("injectors", 0.93, 0.03, 0.004, "short"),
        row("blower speed", 1.21, 0.01, 1.0, "holds", "engine_speed"),
        row("vapour at pump inlet", 1.36, 0.12, 0.97, "holds", "pressure"),
    )


def envelope(count: int = 40) -> Envelope:
    speed = np.linspace(900, 6200, count) / 60
    pressure = np.linspace(30e3, 200e3, count)
    n, p = np.meshgrid(speed * 60, pressure, indexing="ij")
    full = 150e3 + 30e3 * np.sin((speed * 60 - 900) / 5300 * 2.4)
    load = n / 6200 * p / 200e3
    p_holds = np.round(1 / (1 + np.exp((load - 0.76) * 22)), 3)
    limiting = np.where(n < 2100, "vapour at pump inlet", "pump").astype(np.str_)
    limiting = np.where(load > 0.62, "injectors", limiting)
    limiting = np.where((p < 75e3) & (n > 2100), "regulator", limiting)
    rail = 380e3 + (p - AMBIENT) - 60e3 * np.maximum(load - 0.55, 0)
    across = rail + AMBIENT - p
    return Envelope(
        engine_speed=speed,
        manifold_pressure=pressure,
        across_injector=across,
        across_injector_p05=across * 0.95,
        across_injector_p95=across * 1.05,
        rail_gauge=rail,
        rail_gauge_p05=rail * 0.95,
        rail_gauge_p95=rail * 1.05,
        fuel_flow=load * 240 * LPH,
        duty=load,
        air_fuel_equivalence=np.where(load < 0.05, nan, 0.95 - 0.15 * load),
        p_holds=p_holds,
        limiting=limiting,
        regime=np.where(load > 0.8, "starved", "regulating").astype(np.str_),
        reachable=p <= full[:, None],
        full_load_pressure=full,
    )


def corridor() -> Corridor:
    flow = np.linspace(20, 190, 30) * LPH
    x = flow / LPH / 190
    rail = 380e3 + 78e3 * x - 35e3 * np.maximum(x - 0.7, 0) ** 1.5
    across = 380e3 - 35e3 * np.maximum(x - 0.7, 0) ** 1.5 * 3
    wide = np.array([[-1.0], [0.0], [1.0]]) * (12e3 + 25e3 * x**3)
    return Corridor(flow, rail + wide, across + wide)


def pump() -> PumpFigure:
    flow = np.linspace(0, 460, 40) * LPH
    crossings = []
    for volts in (13.5, 12.5, 11.5):
        scale = volts / 13.5
        rise = 900e3 * scale**2 * (1 - (flow / LPH / (470 * scale)) ** 1.6)
        crossings.append(PumpCrossing(volts, flow, rise, rise - 45e3, rise + 45e3))
    system = np.linspace(180, 420, 30) * LPH
    rise = 442e3 + 40e3 * (system / LPH / 300) ** 2
    return PumpFigure(tuple(crossings), system, rise, 214 * LPH, 312 * LPH, 485e3)


def full_load(count: int = 30) -> FullLoad:
    speed = np.linspace(900, 6200, count) / 60
    curve = np.sin((speed * 60 - 900) / 5300 * 2.4)
    wide = np.array([[0.95], [1.0], [1.05]])
    return FullLoad(
        engine_speed=speed,
        manifold_pressure=wide * (150e3 + 30e3 * curve),
        inlet_temperature=wide * (320 + 20 * curve),
        air_flow=wide * speed * 0.0025,
        fuel_demand=wide * speed * 2.0 * LPH,
        power=wide * speed * 2300,
        blower_power=wide * speed * 180,
        blower_outlet_temperature=wide * (380 + 20 * curve),
        cooler_heat=wide * speed * 120,
    )


def result(verdict: str = "not proven") -> CheckResult:
    """A whole answer; the row that carries the verdict is chosen to match it."""
    rows = {r.verdict: r for r in reversed(headroom())}
    limiting = rows[verdict]
    rank = ("holds", "tight", "not proven", "short")
    kept = tuple(r for r in headroom() if rank.index(r.verdict) <= rank.index(verdict))
    sentence = {
        "holds": "It holds at every speed and load under the assumptions below.",
        "tight": "It holds, but only just: the wiring has little to spare.",
        "not proven": "Not proven: the pump is known too poorly to say whether it is enough.",
        "short": "It does not hold: the injectors are short above 5100 rev/min at full boost.",
    }[verdict]
    return CheckResult(
        name="invented pickup",
        invented=True,
        verdict=verdict,
        sentence=sentence,
        limiting=limiting,
        headroom=kept,
        states=states(),
        full_load=full_load(),
        envelope=envelope(),
        corridor=corridor(),
        pump=pump(),
        remedies=(
            Remedy("pump", "pump flow x 1.18, that is 300 L/h at 4.2 bar and 13.2 V", 1.18, 0.95),
            Remedy("wiring", "6 mm² instead of 2.5 mm²", 2.4, 0.95, "with new contacts"),
            Remedy("injectors", "no change of this part alone is enough", None, 0.41),
        ),
        leaned_on=(
            LeanedOn("pump.flow", "380 L/h", "hearsay", 0.15, 0.62, "timed flow into a can"),
            LeanedOn("wiring.contacts", "30 mΩ", "assumed", 0.25, 0.21, "volts at the pump"),
            LeanedOn("engine.volumetric_efficiency", "0.82", "handbook", 0.08, 0.09, "air meter"),
        ),
        missing=("pump.current: measure amps at the pump while running",),
        flags=("wiring.length: 60 m is long for a car; was 6.0 m meant?",),
        cautions=(
            "Fuel under pressure burns: cold engine, extinguisher, second person, outdoors.",
            "A gauge in the rail reads pressure above ambient, not across the injector.",
        ),
        assumptions=("Fuel at 30 °C at the pump inlet.", "The filter is clean."),
        wanted_pressure=band(380e3, 0.01),
        barometer=AMBIENT,
        samples=400,
        seed=7,
        seconds=0.4,
    )


LONG = "hand-made stainless braided feed hose from the tank bulkhead to the engine bay, dash eight"


def odd() -> CheckResult:
    """One state, NaN everywhere a NaN may stand, hostile and very long names, tiny shares."""
    base = result("short")
    hostile = '<script>alert("x")</script> & #panic["]'
    one = replace(
        base.states[-1],
        name=f"full load, {LONG}",
        air_fuel_equivalence=Band(nan, nan, nan),
        stations=(Station(hostile, 450e3), Station(LONG, 441e3), Station("rail", nan)),
    )
    data = base.envelope
    names = np.where(data.limiting == "pump", LONG, data.limiting)
    names = np.where(names == "injectors", hostile, names).astype(np.str_)
    lost = replace(
        base.limiting,
        part=hostile,
        need=Band(nan, nan, nan),
        ratio=Band(nan, nan, nan),
        p_holds=nan,
        engine_speed=None,
        manifold_pressure=None,
    )
    return replace(
        base,
        name=hostile,
        sentence=f"It does not hold: {hostile}",
        invented=False,
        limiting=lost,
        headroom=(lost, row(LONG, 9.0, 0.2, 1e-5, "tight"), row("pump", 0.2, 0.9, 0.0, "short")),
        states=(one,),
        envelope=replace(data, limiting=names, p_holds=np.full(data.p_holds.shape, 0.001)),
        pump=replace(base.pump, work_flow=nan, work_rise=nan),
        remedies=(),
        leaned_on=(LeanedOn(hostile, hostile, "assumed", nan, 1e-6, LONG),),
        missing=(),
        flags=(hostile,),
    )
