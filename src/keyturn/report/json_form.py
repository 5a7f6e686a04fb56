"""The answer as plain data, schema keyturn.check.v1; numbers in display units, NaN as null."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from keyturn.report.show import display_unit, shown
from keyturn.system.result import Band, CheckResult, Headroom, LeanedOn, Remedy, State

SCHEMA = "keyturn.check.v1"
_KPA, _LPH, _RPM, _KW = 1e-3, 3.6e6, 60.0, 1e-3


def _number(value: float | None, factor: float = 1.0, offset: float = 0.0) -> float | None:
    """Six significant digits: more would claim more than is known."""
    if value is None or not math.isfinite(value):
        return None
    return float(f"{value * factor + offset:.6g}")


def _band(band: Band, factor: float = 1.0) -> dict[str, float | None]:
    return {key: _number(getattr(band, key), factor) for key in ("p05", "p50", "p95")}


def _array(values: NDArray[Any], factor: float = 1.0, offset: float = 0.0) -> Any:
    """Nested lists; not-a-number becomes null."""
    if values.ndim > 1:
        return [_array(row, factor, offset) for row in values]
    if values.dtype.kind == "f":
        return [_number(float(v), factor, offset) for v in values]
    return values.tolist()


def _bands(values: NDArray[np.float64], factor: float = 1.0, offset: float = 0.0) -> Any:
    """Rows of 5, 50, 95 % under their names."""
    if values.ndim == 1:
        return _array(values, factor, offset)
    names = ("p05", "p50", "p95")
    rows = zip(names, values, strict=True)
    return {name: _array(row, factor, offset) for name, row in rows}


def _where(row: Headroom) -> dict[str, float | None]:
    return {
        "rpm": _number(row.engine_speed, _RPM),
        "map_kpa": _number(row.manifold_pressure, _KPA),
    }


def _headroom(row: Headroom) -> dict[str, Any]:
    unit = display_unit(row.unit)[0]

    def in_unit(band: Band) -> dict[str, float | None]:
        values = {key: getattr(band, key) for key in ("p05", "p50", "p95")}
        return {key: _number(shown(value, row.unit)) for key, value in values.items()}

    need, has, ratio = in_unit(row.need), in_unit(row.has), _band(row.ratio)
    return {
        "part": row.part,
        "quantity": row.quantity,
        "need": need["p50"],
        "has": has["p50"],
        "unit": unit,
        "ratio": ratio["p50"],
        "need_band": need,
        "has_band": has,
        "ratio_band": ratio,
        "p_holds": _number(row.p_holds),
        "verdict": row.verdict,
        "at": _where(row),
        "why": row.why,
        "settles": row.settles,
    }


def _state(state: State) -> dict[str, Any]:
    plain = {
        "pump_flow_lph": (state.pump_flow, _LPH),
        "engine_flow_lph": (state.engine_flow, _LPH),
        "return_flow_lph": (state.return_flow, _LPH),
        "pump_volts": (state.pump_voltage, 1.0),
        "pump_amps": (state.pump_current, 1.0),
        "duty": (state.duty, 1.0),
        "lambda": (state.air_fuel_equivalence, 1.0),
    }
    return {
        "state": state.name,
        "rpm": _number(state.engine_speed, _RPM),
        "map_kpa": _number(state.manifold_pressure, _KPA),
        "rail_gauge_kpa": _band(state.rail_gauge, _KPA),
        "across_injector_kpa": _band(state.across_injector, _KPA),
        **{key: _number(band.p50, factor) for key, (band, factor) in plain.items()},
        "bands": {key: _band(band, factor) for key, (band, factor) in plain.items()},
        "regime": state.regime,
        "regime_share": _number(state.regime_share),
        "stations": [
            {"after": station.after, "gauge_kpa": _number(station.pressure_gauge, _KPA)}
            for station in state.stations
        ],
    }


def _full_load(result: CheckResult) -> dict[str, Any]:
    line = result.full_load
    return {
        "rpm": _array(line.engine_speed, _RPM),
        "map_kpa": _bands(line.manifold_pressure, _KPA),
        "inlet_temperature_degc": _bands(line.inlet_temperature, 1.0, -273.15),
        "air_flow_g_s": _bands(line.air_flow, 1e3),
        "fuel_demand_lph": _bands(line.fuel_demand, _LPH),
        "power_kw": _bands(line.power, _KW),
        "blower_power_kw": _bands(line.blower_power, _KW),
        "blower_outlet_temperature_degc": _bands(line.blower_outlet_temperature, 1.0, -273.15),
        "cooler_heat_kw": _bands(line.cooler_heat, _KW),
    }


def _envelope(result: CheckResult) -> dict[str, Any]:
    """Maps are lists by speed, each a list by manifold pressure."""
    data = result.envelope
    return {
        "rpm": _array(data.engine_speed, _RPM),
        "map_kpa": _array(data.manifold_pressure, _KPA),
        "across_injector_kpa": _array(data.across_injector, _KPA),
        "rail_gauge_kpa": _array(data.rail_gauge, _KPA),
        "fuel_flow_lph": _array(data.fuel_flow, _LPH),
        "duty": _array(data.duty),
        "lambda": _array(data.air_fuel_equivalence),
        "p_holds": _array(data.p_holds),
        "limiting": _array(data.limiting),
        "regime": _array(data.regime),
        "reachable": _array(data.reachable),
        "full_load_kpa": _array(data.full_load_pressure, _KPA),
    }


def _corridor(result: CheckResult) -> dict[str, Any]:
    return {
        "fuel_flow_lph": _array(result.corridor.fuel_flow, _LPH),
        "rail_gauge_kpa": _bands(result.corridor.rail_gauge, _KPA),
        "across_injector_kpa": _bands(result.corridor.across_injector, _KPA),
    }


def _remedy(item: Remedy) -> dict[str, Any]:
    return {
        "part": item.part,
        "change": item.change,
        "factor": _number(item.factor),
        "p_holds": _number(item.p_holds),
        "note": item.note,
    }


def _leaned(item: LeanedOn) -> dict[str, Any]:
    return {
        "key": item.key,
        "typed": item.typed,
        "grade": item.grade,
        "spread": _number(item.spread),
        "share": _number(item.share),
        "measure": item.measure,
    }


def to_json(result: CheckResult) -> dict[str, Any]:
    """Everything in the answer except how long it took: the same seed gives the same bytes."""
    return {
        "schema": SCHEMA,
        "name": result.name,
        "invented": result.invented,
        "verdict": result.verdict,
        "sentence": result.sentence,
        "limiting": {"part": result.limiting.part, **_where(result.limiting)},
        "headroom": [_headroom(row) for row in result.headroom],
        "states": [_state(state) for state in result.states],
        "full_load": _full_load(result),
        "envelope": _envelope(result),
        "corridor": _corridor(result),
        "barometer_kpa": _number(result.barometer, _KPA),
        "wanted_across_injector_kpa": _band(result.wanted_pressure, _KPA),
        "remedies": [_remedy(item) for item in result.remedies],
        "leaned_on": [_leaned(item) for item in result.leaned_on],
        "missing": list(result.missing),
        "flags": list(result.flags),
        "cautions": list(result.cautions),
        "assumptions": list(result.assumptions),
        "samples": result.samples,
        "seed": result.seed,
    }
