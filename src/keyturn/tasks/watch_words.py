"""A watch in words: its limits stated beforehand, and what to do when one of them is crossed."""

from __future__ import annotations

from functools import cache

from keyturn import units
from keyturn.build.schema import read_data
from keyturn.logs.alarm import HOLD_HIGH, MEASURES, MOST, Numbers
from keyturn.procedure.ladder import Rung, measures
from keyturn.procedure.stages import stages


def first(mode: str) -> str:
    """What comes first at any alarm, by what the car is doing."""
    rows = read_data("alarms.toml")["first"]
    return str(next(row["words"] for row in rows if mode in row["modes"]))


@cache
def _then() -> dict[str, str]:
    rows = read_data("alarms.toml")["then"]
    return {name: str(row["words"]) for row in rows for name in row["alarms"]}


def then(name: str) -> str:
    """What comes after that, by the name of the alarm."""
    return _then().get("lost" if name.startswith("lost ") else name, "")


def stop_rule(rung: Rung) -> str:
    """When the step is over, besides its abort numbers: the rule of the stage that it rests on."""
    name = rung.before or (rung.passed[-1] if rung.passed else "")
    found = next((row.stop for row in stages() if row.name == name), "")
    more = f" So does: {found}." if found and name != "load" else ""
    return f"Any abort number ends the step; it is recorded as not clean.{more}"


def limits_in_words(limits: Numbers) -> tuple[str, ...]:
    """The abort numbers of a watch, one line each, stated beforehand."""
    told = limits.bounds
    found = []
    if "rail-pressure" in told:
        across = told["rail-pressure"] - limits.at_manifold + limits.barometer
        found.append(
            f"rail pressure not below {units.show(told['rail-pressure'], 'rail_gauge', digits=4)} "
            f"gauge at {units.show(limits.at_manifold, 'manifold_pressure', digits=4)} absolute in "
            f"the manifold: {units.show(across, 'across_injector', digits=4)} across the injector"
        )
    if MOST in told:
        found.append(
            f"and not above {units.show(told[MOST], 'rail_gauge', digits=4)} gauge there, held "
            f"{HOLD_HIGH:g} s: a regulator that does not hold"
        )
    for name, (channel, sense, hold, _) in MEASURES.items():
        if name not in told or name not in limits.record:
            continue
        shown = units.show(told[name], channel, digits=4)
        side = "below" if sense == "low" else "above"
        found.append(f"{measures()[name].words}: not {side} {shown}, held {hold:g} s")
    if limits.mode not in ("key-on", "idle"):
        top = units.show(limits.pressure_cap + limits.barometer, "manifold_pressure", digits=4)
        speed = units.show(limits.speed_cap, "engine_speed", digits=4)
        found.append(f"stay below {speed} and {top} absolute in the manifold")
    return tuple(found)
