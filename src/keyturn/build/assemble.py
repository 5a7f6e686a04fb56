"""From the tables of build.toml to a `Build`; faults are collected in the context."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Literal, cast

from keyturn.build import library
from keyturn.build.circuit import injectors, pump, regulator, wiring
from keyturn.build.model import (
    BeltDrive,
    Blower,
    Boost,
    Build,
    Cooler,
    Engine,
    Fuel,
    Mixture,
    Option,
    Site,
    Value,
)
from keyturn.build.paths import feed_paths, return_path
from keyturn.build.priors import moved_priors
from keyturn.build.schema import MAKING, NOTES, grades, nearest, sections
from keyturn.build.section import Section
from keyturn.build.values import Context, as_typed
from keyturn.errors import UnknownKey, ValueRefused
from keyturn.glossary import unit_of
from keyturn.physics import fuel

HOUR = 3600.0


def assemble(document: Mapping[str, Any], context: Context) -> Build | None:
    """The build, or None when faults were found (they are in ``context.errors``)."""
    top = Section("", "top", {k: v for k, v in document.items() if _plain(k, v)}, context)
    _check_tables(document, top, context)
    _top_grade(document, context)
    site = _site(_one(document, "site", context), context)
    engine = _engine(_one(document, "engine", context))
    blower = _blower(document, context)
    boost = _boost(document, context)
    if blower is not None and boost is not None:
        context.errors.append(
            ValueRefused(
                "a blower and a boost curve contradict each other", context.place("boost"),
                advice="keep [blower] when its sizes are known, else keep [boost]",
            )
        )  # fmt: skip
    pumps = pump(_one(document, "pump", context))
    suction, feed, position = feed_paths(_many(document, "feed", context))
    control_section = _one(document, "control", context)
    injector_section = _one(document, "injectors", context)
    injector, control = injectors(injector_section, control_section, engine.cylinders)
    regulators = regulator(_one(document, "regulator", context), position, len(feed))
    built = {
        "name": top.text("name"),
        "version": _version(top),
        "site": site,
        "engine": engine,
        "blower": blower,
        "boost": boost,
        "cooler": _cooler(document, context),
        "fuel": _fuel(_one(document, "fuel", context)),
        "mixture": Mixture(curve=_one(document, "mixture", context).curve("lambda")),
        "pump": pumps,
        "wiring": wiring(_one(document, "wiring", context)),
        "suction": suction,
        "feed": feed,
        "regulator": regulators,
        "returns": return_path(_many(document, "return", context)),
        "injectors": injector,
        "control": control,
        "belt": _belt(_many(document, "belt", context)),
        "options": tuple(_option(part) for part in _many(document, "option", context)),
        "priors": moved_priors(document, context),
        "invented": top.yesno("invented", False),
        "flags": tuple(context.flags),
    }
    return None if context.errors else Build.model_validate(built)


def _plain(key: str, raw: object) -> bool:
    return (key not in sections() and key not in MAKING) or key in sections()["top"]


def _check_tables(document: Mapping[str, Any], top: Section, context: Context) -> None:
    tables = [name for name in sections() if name != "top"] + list(MAKING)
    known = (*tables, *top.fields, *NOTES)
    for name in top.table:
        if name not in known:
            near = nearest(str(name), known)
            context.errors.append(
                UnknownKey(
                    f"nothing reads {as_typed(name)!r}", context.place(str(name)),
                    accepted=", ".join(known),
                    advice=f"did you mean {near}?" if near else "remove it or correct it",
                )
            )  # fmt: skip


def _top_grade(document: Mapping[str, Any], context: Context) -> None:
    grade = document.get("grade", context.grade)
    if grade in grades():
        context.grade = grade
    else:
        context.errors.append(
            ValueRefused(
                "no such grade", context.place("grade"), as_typed(grade), ", ".join(grades())
            )
        )
    source = document.get("source")
    context.source = source if isinstance(source, str) else None


def _one(document: Mapping[str, Any], name: str, context: Context) -> Section:
    raw = document.get(name, {})
    if not isinstance(raw, Mapping):
        context.errors.append(
            ValueRefused("must be one table", context.place(name), as_typed(raw), f"[{name}]")
        )
        raw = {}
    section = Section(name, name, raw, context)
    section.unknown()
    return section


def _many(document: Mapping[str, Any], name: str, context: Context) -> list[Section]:
    raw = document.get(name, [])
    if (
        not isinstance(raw, list)
        or not all(isinstance(row, Mapping) for row in raw)
        or len(raw) > 100
    ):
        context.errors.append(
            ValueRefused(
                "must be a list of tables", context.place(name), as_typed(raw), f"[[{name}]]"
            )
        )
        return []
    found = [Section(f"{name}.{n}", name, row, context) for n, row in enumerate(raw, start=1)]
    for section in found:
        section.unknown()
    return found


def _version(top: Section) -> int:
    version = top.count("version", 1)
    if version != 1:
        top.refuse("this version cannot be read", "version", "1")
    return version


def _site(section: Section, context: Context) -> Site:
    from keyturn.physics.air import standard_atmosphere

    altitude = section.value("altitude")
    derived = float(standard_atmosphere(max(-450.0, min(altitude.si, 9000.0)))[1])
    if section.has("barometer"):
        barometer = section.value("barometer")
        if section.good("altitude", "barometer") and abs(barometer.si / derived - 1.0) > 0.10:
            section.refuse(
                f"barometer and altitude disagree: that altitude has {derived / 1e3:.0f} kPa",
                "barometer", "one of the two, or both within 10 %",
                "give the reading of the barometer as it is there, not reduced to sea level",
            )  # fmt: skip
    else:
        slope = abs(derived / 8400.0)  # Pa per m: pressure over the scale height of the air
        weather = 1000.0  # Pa, 1 sigma of the weather at one place, common practice
        barometer = Value(
            si=derived, spread=(weather**2 + (slope * altitude.spread) ** 2) ** 0.5, law="set",
            grade=altitude.grade, quantity="pressure", key=altitude.key, typed=altitude.typed,
            source="standard atmosphere at that altitude",
        )  # fmt: skip
    context.barometer = barometer.si
    return Site(
        barometer=barometer,
        air_temperature=section.value("air_temperature"),
        humidity=section.value("humidity"),
    )


def _engine(section: Section) -> Engine:
    engine = Engine(
        displacement=section.value("displacement"),
        cylinders=section.count("cylinders", 1),
        idle=section.value("idle"),
        redline=section.value("redline"),
        volumetric_efficiency=section.curve("volumetric_efficiency"),
        idle_pressure=section.value("idle_pressure"),
        efficiency=section.value("efficiency"),
        torque_speed=section.maybe("torque_speed"),
        power_speed=section.maybe("power_speed"),
    )
    if section.good("redline") and engine.redline.si <= engine.idle.si:
        section.refuse("the redline is not above idle", "redline", "a speed above idle")
    for name in ("torque_speed", "power_speed"):
        speed = getattr(engine, name)
        if speed is not None and section.good("redline", name) and speed.si > engine.redline.si:
            section.refuse("lies above the redline", name, "a speed up to the redline")
    return engine


def _blower(document: Mapping[str, Any], context: Context) -> Blower | None:
    if "blower" not in document:
        return None
    section = _one(document, "blower", context)
    kind = section.choice("kind", "roots")
    if kind == "none":
        return None
    built_in = section.value("built_in_ratio", f"blower.built_in_ratio.{kind}")
    if kind == "roots" and section.good("built_in_ratio") and built_in.si > 1.0 + 1e-9:
        section.refuse(
            "a roots blower does not compress inside", "built_in_ratio", '1.0, or kind = "screw"'
        )
    return Blower(
        kind=cast(Literal["roots", "screw"], kind),
        displacement=section.value("displacement"),
        crank_pulley=section.value("crank_pulley"),
        blower_pulley=section.value("blower_pulley"),
        step_up=section.value("step_up"),
        built_in_ratio=built_in,
        leakage=section.value("leakage", f"blower.leakage.{kind}"),
        mechanical_efficiency=section.value("mechanical_efficiency"),
        max_speed=section.maybe("max_speed"),
    )


def _boost(document: Mapping[str, Any], context: Context) -> Boost | None:
    if "boost" not in document:
        return None
    section = _one(document, "boost", context)
    return Boost(curve=section.curve("curve"), efficiency=section.value("efficiency"))


def _cooler(document: Mapping[str, Any], context: Context) -> Cooler | None:
    if "cooler" not in document:
        return None
    from keyturn.build.paths import drop_at_flow

    section = _one(document, "cooler", context)
    drop, at_flow = drop_at_flow(section, "cooler.drop", "cooler.at_flow", "mass_flow")
    return Cooler(
        effectiveness=section.value("effectiveness"),
        coolant_temperature=section.value("coolant_temperature"),
        drop=drop,
        at_flow=at_flow,
    )


FUEL_COLUMNS = {
    "density": "density_15",
    "viscosity": "viscosity_20",
    "vapour_pressure": "vapour_pressure_37_8",
    "stoichiometric": "stoichiometric",
    "heating_value": "heating_value",
}


FUEL_LAWS = ("expansion", "viscosity_activation", "vapour_steepness")
PURE = ("ethanol", "methanol")  # their vapour pressure is the true one already


def _fuel(section: Section) -> Fuel:
    kind = section.text("kind", "petrol")
    row = library.fuels().get(kind)
    if row is None and not all(section.has(name) for name in FUEL_COLUMNS):
        near = nearest(kind, library.fuels())
        section.refuse(
            "no such fuel in the library, and not all of its properties are given", "kind",
            f"{', '.join(library.fuels())}; or another name with {', '.join(FUEL_COLUMNS)}",
            f"did you mean {near}?" if near else "",
        )  # fmt: skip
        row = library.fuels()["petrol"]
    properties = {
        name: section.value(name)
        if section.has(name) or row is None
        else _of_fuel(section, name, row[column], row, column)
        for name, column in FUEL_COLUMNS.items()
    }
    ethanol = section.number("ethanol", float(row["ethanol"]) if row is not None else 0.0)
    if section.has("vapour_pressure") and kind not in PURE:
        # what is posted or printed for a petrol is the test pressure; the true one is higher
        typed = properties["vapour_pressure"]
        true = float(fuel.true_vapour_pressure(typed.si))
        properties["vapour_pressure"] = typed.model_copy(update={"si": true})
    laws = fuel.blend_laws(ethanol) if row is None else (row[name] for name in FUEL_LAWS)
    expansion, activation, steepness = (float(item) for item in laws)
    return Fuel(
        kind=kind,
        temperature=section.value("temperature"),
        rail_temperature=section.value("rail_temperature"),
        ethanol=ethanol,
        expansion=expansion,
        viscosity_activation=activation,
        vapour_steepness=steepness,
        **properties,
    )


def _of_fuel(section: Section, name: str, si: float, row: Mapping[str, Any], column: str) -> Value:
    quantity = section.fields[name].quantity
    return Value(
        si=float(si), spread=float(row.get("spread", {}).get(column, 0.08)), law="scale",
        grade=row.get("grade", "handbook"), quantity=quantity, key=section.key(name),
        typed=f"{si:g} {unit_of(quantity)} (library)".replace(" -", ""),
        source=row.get("sources", {}).get(column, row.get("source")),
    )  # fmt: skip


def _belt(found: list[Section]) -> BeltDrive | None:
    drives = [(part.text("drives", "blower"), part) for part in found]
    chosen = next((pair for pair in drives if "blower" in pair[0].lower()), None)
    if chosen is None:
        return None
    name, section = chosen
    ribs = section.count("ribs", 0) or None
    if section.has("mass"):
        mass = section.value("mass")
    else:
        mass = section.assume("mass", "belt.mass.each_rib")
        factor = ribs or 6  # six ribs are the usual accessory belt
        mass = mass.model_copy(update={"si": mass.si * factor})
    return BeltDrive(
        drives=name,
        ribs=ribs,
        wrap=section.value("wrap"),
        tension=section.value("tension"),
        friction=section.value("friction"),
        mass=mass,
        max_speed=section.value("max_speed"),
    )


def _option(section: Section) -> Option:
    changes = section.table.get("changes")
    if not isinstance(changes, Mapping) or not changes:
        section.refuse("is missing or is not a table", "changes", '{"pump.flow" = "340 L/h"}')
        changes = {}
    time = section.maybe("time")
    return Option(
        name=section.text("name"),
        price=section.number("price", 0.0),
        hours=time.si / HOUR if time is not None else 0.0,
        changes=dict(changes),
    )
