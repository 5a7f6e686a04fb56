"""Pump, wiring, regulator, injectors and control of build.toml."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal, cast

from keyturn import units
from keyturn.build import library
from keyturn.build.model import Control, Curve, Injectors, Pump, Regulator, Value, Wiring
from keyturn.build.schema import Field, assumed
from keyturn.build.section import Section, blank_value
from keyturn.build.values import as_typed, long_form, value
from keyturn.errors import BuildError, UnknownKey, ValueRefused


def pump(section: Section) -> Pump:
    """One pump and how many of them; a single flow gets the generic shape."""
    raw = section.table.get("flow")
    single = raw.get("value") if isinstance(raw, Mapping) else raw
    scale = _exact("pump.pressure_scale")
    single_point = raw is not None and not isinstance(single, list)
    if single_point:
        curve, scale = _from_point(section)
    else:
        curve = section.curve("flow")
        if section.has("at_pressure"):
            section.refuse(
                "contradicts `flow`, which is a table with its own pressures", "at_pressure",
                advice="leave it out",
            )  # fmt: skip
    if section.good("flow") and not _falls(curve):
        section.refuse(
            "the flow of a pump must fall as its pressure rises", "flow",
            'rows such as ["0 kPa", "400 L/h"], ["300 kPa", "330 L/h"]',
            "look for two rows that were swapped or a slip in a number",
        )  # fmt: skip
    count = section.count("count", 1)
    arrangement = section.choice("arrangement", "single" if count == 1 else "")
    if not arrangement:
        section.refuse("several pumps, but not how they are joined", "count", "count = 1",
                       "state arrangement = \"parallel\" or \"series\"")  # fmt: skip
    if section.has("arrangement") and (arrangement == "single") != (count == 1):
        section.refuse(
            f"contradicts count = {count}", "arrangement",
            "single with one pump, parallel or series with several",
        )  # fmt: skip
    return Pump(
        curve=curve,
        pressure_scale=scale,
        at_voltage=section.value("at_voltage"),
        current=section.curve("current", reference="300 kPa"),
        age=section.value("age"),
        count=count,
        arrangement=cast(Literal["single", "parallel", "series"], arrangement or "single"),
        single_point=single_point,
    )


def _falls(curve: Curve) -> bool:
    return all(b < a for a, b in zip(curve.y, curve.y[1:], strict=False))


def _exact(key: str) -> Value:
    return Value(
        si=1.0, spread=0.0, law="scale", grade="datasheet", quantity="ratio", key=key,
        typed="pressures as given in the table",
    )  # fmt: skip


def _from_point(section: Section) -> tuple[Curve, Value]:
    """Generic curve through one flow; the pressure it was given at scales the pressure axis."""
    from keyturn.physics.pump import curve_from_point

    flow_field = section.fields["flow"]
    single = Field(name="flow", about="", quantity="flow", usual=flow_field.usual)
    flow = section.tried(
        lambda: value(section.table["flow"], single, "pump.flow", section.table, section.context),
        blank_value("pump.flow"),
    )
    pressure = section.value("at_pressure")
    if pressure.si <= 0.0 or flow.si <= 0.0:
        section.refuse("must be above zero", "at_pressure", "a pressure rise such as 300 kPa")
        pressure = pressure.model_copy(update={"si": 3e5})
    pressures, flows = curve_from_point(flow.si, pressure.si)
    curve = Curve(
        x=tuple(float(item) for item in pressures), y=tuple(float(item) for item in flows),
        spread=flow.spread, grade=flow.grade, x_quantity="pressure_difference",
        y_quantity="flow", key="pump.flow", typed=flow.typed, source=flow.source,
    )  # fmt: skip
    scale = _exact("pump.at_pressure").model_copy(
        update={
            "spread": pressure.spread / pressure.si, "grade": pressure.grade,
            "typed": pressure.typed, "source": pressure.source,
        }
    )  # fmt: skip
    return curve, scale


def wiring(section: Section) -> Wiring:
    """Wire, contacts, fuse and the voltages at the battery."""
    found = Wiring(
        source_voltage=section.value("source_voltage"),
        resting_voltage=section.value("resting_voltage"),
        cranking_voltage=section.value("cranking_voltage"),
        length=section.value("length"),
        area=_area(section),
        contacts=section.value("contacts"),
        temperature=section.value("temperature"),
        fuse=section.maybe("fuse"),
    )
    if (
        section.good("cranking_voltage", "resting_voltage")
        and found.cranking_voltage.si > found.resting_voltage.si
    ):
        section.refuse(
            "is above the resting voltage", "cranking_voltage", "a voltage below it",
            "cranking pulls the battery down: look whether the two were swapped",
        )  # fmt: skip
    return found


AREA = Field(name="size", about="", quantity="area", close=True, usual=("0.2 mm2", "60 mm2"))


def _area(section: Section) -> Value:
    key = section.key("size")
    if not section.has("size"):
        row = assumed()["wiring.size"]
        long = {"value": row["value"], "spread": row["spread"], "grade": "assumed"}
        return value({**long, "source": row["reason"]}, AREA, key, {}, section.context)
    return section.tried(lambda: _typed_area(section, key), blank_value(key))


def _typed_area(section: Section, key: str) -> Value:
    from keyturn.physics.wire import wire_area

    typed = long_form(section.table["size"], key, section.table, section.context)
    gauge = library.wire_gauge(typed.value) if isinstance(typed.value, str) else None
    if gauge is None:
        try:
            return value(section.table["size"], AREA, key, section.table, section.context)
        except UnknownKey:
            raise
        except BuildError as fault:
            fault.accepted = '"12 AWG" or "4 mm2"'
            raise
    if not 0 <= gauge <= 24:
        raise ValueRefused(
            "no such wire for a pump", section.context.place(key), as_typed(typed.value),
            "0 AWG to 24 AWG",
        )  # fmt: skip
    area = float(wire_area(float(gauge)))
    text = f"{area * 1e6:.6g} mm2"
    raw = {"value": text, "grade": typed.grade, "confirmed": True}
    if typed.spread is not None:
        raw["spread"] = typed.spread
    if typed.source is not None:
        raw["source"] = typed.source
    found = value(raw, AREA, key, section.table, section.context)
    return found.model_copy(update={"typed": typed.value})


def regulator(section: Section, position: int | None, parts: int) -> Regulator:
    """The regulator and where it stands in the feed."""
    place = section.choice("place", "rail")
    reference = section.choice("reference", "manifold")
    if section.has("ratio") and reference == "atmosphere":
        section.refuse(
            "means nothing with reference = \"atmosphere\"", "ratio",
            advice="leave it out, or state reference = \"manifold\"",
        )  # fmt: skip
    if position is not None and place == "rail" and position != parts:
        section.refuse(
            "contradicts the regulator mark in [[feed]], which has parts after it", "place",
            'place = "tank", or the mark at the end of the feed, or no mark',
        )  # fmt: skip
    wanted = section.table.get("set")
    text = wanted.get("value") if isinstance(wanted, Mapping) else wanted
    if isinstance(text, str) and units.pressure_side(text)[1] == "absolute":
        section.refuse(
            "a regulator is set above its reference, not above vacuum", "set",
            "gauge pressure, engine off or reference hose off",
        )  # fmt: skip
    return Regulator(
        set=section.value("set"),
        place=cast(Literal["rail", "tank"], place),
        reference=cast(Literal["manifold", "atmosphere"], reference),
        ratio=section.value("ratio"),
        slope=section.value("slope"),
        open_drop=section.value("open_drop"),
        open_flow=section.value("open_flow"),
        position=position if position is not None else (0 if place == "tank" else parts),
    )


def injectors(section: Section, control: Section, cylinders: int) -> tuple[Injectors, Control]:
    """Injectors, and the control unit that assumes something about them."""
    found = Injectors(
        count=section.count("count", cylinders),
        flow=section.value("flow"),
        at=section.value("at"),
        dead_time=section.curve("dead_time", reference="14 V"),
        smallest_pulse=section.value("smallest_pulse"),
        match=section.value("match"),
    )
    if section.good("dead_time") and any(after > before for before, after in zip(
        found.dead_time.y, found.dead_time.y[1:], strict=False
    )):  # fmt: skip
        section.refuse(
            "the dead time must fall as the voltage rises", "dead_time",
            'rows such as ["8 V", "2.4 ms"], ["14 V", "0.95 ms"]', "look for swapped rows",
        )  # fmt: skip
    pressure, flow = _calibrated(control, found)
    return found, Control(
        duty_ceiling=_share(control, "duty_ceiling"),
        corrects_pressure=control.yesno("corrects_pressure", False),
        calibrated_pressure=pressure,
        calibrated_flow=flow,
    )


def _share(section: Section, name: str) -> Value:
    found = section.value(name)
    if found.si > 1.0:
        section.refuse("is above 100 %", name, "a share up to 100 %")
    return found


def _calibrated(control: Section, found: Injectors) -> tuple[Value, Value]:
    """What the calibration believes; when not said, what the injectors are rated at."""
    base = control.key("calibrated_for")
    pressure = found.at.model_copy(update={"key": f"{base}.pressure", "spread": 0.0})
    flow = found.flow.model_copy(update={"key": f"{base}.flow", "spread": 0.0})
    if not control.has("calibrated_for"):
        return pressure, flow
    raw = control.table["calibrated_for"]
    if not isinstance(raw, Mapping) or not raw or set(raw) - {"pressure", "flow"}:
        control.refuse(
            "must name a pressure and a flow", "calibrated_for",
            '{pressure = "300 kPa", flow = "550 cm3/min"}',
        )  # fmt: skip
        return pressure, flow
    entries = {"pressure": _plain_field(control), "flow": _plain_field(control, "flow")}
    read = {"pressure": pressure, "flow": flow}
    for name, entry in entries.items():
        if name in raw:
            key = f"{base}.{name}"
            read[name] = control.tried(
                # bound as defaults, for the loop goes on; mypy cannot type such a lambda
                lambda name=name, entry=entry, key=key: value(  # type: ignore[misc]
                    raw[name], entry, key, control.table, control.context
                ),
                blank_value(key),
            )
    _held_against_rating(control, found, read["pressure"], read["flow"])
    return read["pressure"], read["flow"]


def _plain_field(control: Section, name: str = "pressure") -> Field:
    if name == "flow":
        return Field(name="flow", about="", quantity="flow", usual=("60 cm3/min", "3500 cm3/min"))
    usual = control.fields["calibrated_for"].usual
    return Field(name="pressure", about="", quantity="pressure_difference", law="set", usual=usual)


def _held_against_rating(control: Section, found: Injectors, pressure: Value, flow: Value) -> None:
    """A calibration that believes in quite another injector contradicts the injectors."""
    if control.context.errors:
        return
    expected = found.flow.si * (pressure.si / found.at.si) ** 0.5
    if not 0.5 < flow.si / expected < 2.0:
        control.refuse(
            "the calibration believes in an injector that is not the one in [injectors]: at that "
            f"pressure these flow {units.show(expected, 'flow', 'cm3/min', 3)}",
            "calibrated_for", "flow and pressure that belong together within a factor of two",
        )  # fmt: skip
