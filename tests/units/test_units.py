"""Units at the doors: definitions from outside, and text that goes there and back."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from keyturn import units
from keyturn.glossary import quantities

# Definitions: SI brochure 9th ed. (2019) and NIST SP 811 (2008) appendix B, exact unless noted.
EXACT = [
    ("1 psi", "pressure_difference", 0.45359237 * 9.80665 / 0.0254**2),
    ("1 bar", "pressure_difference", 1e5),
    ("1 US gal/h", "flow", 231 * 0.0254**3 / 3600),
    ("1 imp gal/h", "flow", 4.54609e-3 / 3600),
    ("1 L/h", "flow", 1e-3 / 3600),
    ("1 cc/min", "flow", 1e-6 / 60),
    ("6000 rpm", "engine_speed", 100.0),
    ("1 in3", "volume", 0.0254**3),
    ("32 degF", "temperature", 273.15),
    ("212 °F", "temperature", 373.15),
    ("0 degC", "temperature", 273.15),
    ("9 degF", "temperature_difference", 5.0),
    ("9 degC", "temperature_difference", 9.0),
    ("1 hp", "power", 550 * 0.3048 * 4.4482216152605),
    ("85 %", "ratio", 0.85),
    ("1 lb/min", "mass_flow", 0.45359237 / 60),
    ("180 deg", "wrap", math.pi),
    ("1 kPa/(L/h)", "slope", 3.6e9),
    ("0,5 L", "volume", 5e-4),
    ("25 mohm", "resistance", 0.025),
    ("1 cP", "viscosity", 1e-3),
    *((text, "torque", 0.3048 * 4.4482216152605) for text in ("1 lb ft", "1 ft-lb", "1 lb-ft")),
    *((text, "torque", 0.0254 * 4.4482216152605) for text in ("1 lb in", "1 in-lb", "1 in lbs")),
    ("7 Nm", "torque", 7.0),
]


@pytest.mark.parametrize(("text", "name", "si"), EXACT, ids=[row[0] for row in EXACT])
def test_factor_agrees_with_its_definition(text: str, name: str, si: float) -> None:
    # rounding of a few double operations only
    assert units.parse(text, name) == pytest.approx(si, rel=1e-12)


def test_gauge_and_absolute_differ_by_the_barometer() -> None:
    # rounding only; 14 psi by its definition, NIST SP 811
    psi = 0.45359237 * 9.80665 / 0.0254**2
    assert units.parse("14 psig", "pressure", 1e5) == pytest.approx(14 * psi + 1e5, rel=1e-12)
    assert units.parse("14 psia", "pressure", 1e5) == pytest.approx(14 * psi, rel=1e-12)
    assert units.parse("2 bar abs", "pressure_gauge", 1e5) == pytest.approx(1e5, rel=1e-12)
    assert units.parse("1 bar g", "pressure", 1e5) == pytest.approx(2e5, rel=1e-12)
    assert units.parse("40 psi gauge", "pressure_gauge", 1e5) == pytest.approx(40 * psi, rel=1e-12)


@pytest.mark.parametrize("text", ["20 gal/h", "20 gph", "20 gallon/h"])
def test_gallon_is_asked_about(text: str) -> None:
    with pytest.raises(units.AmbiguousUnit, match=r"US gallon .* or imperial"):
        units.parse(text, "flow")


def test_air_fuel_ratio_is_asked_about() -> None:
    with pytest.raises(units.AmbiguousUnit, match="which fuel"):
        units.parse("12.5 AFR", "air_fuel_equivalence")


def test_thousands_mark_is_asked_about() -> None:
    with pytest.raises(units.AmbiguousUnit, match="comma"):
        units.parse("5,500 rpm", "engine_speed")


@pytest.mark.parametrize(
    "text",
    ["", "L/h", "12", "12 parsec", "12 kPa", "1e999 L/h", "1..2 L/h", "__import__('os') L/h",
     "3 L/h; 4", "2 L/h/h", "5 [length]", "1 L/(h", "5 lambda", "0x10 L/h", "١٢ L", "9 9 L/h",
     "3 m**9**9**9**9", "1 L**0.5"],
)  # fmt: skip
def test_what_is_no_flow_is_refused(text: str) -> None:
    with pytest.raises(units.UnitRefused):
        units.parse(text, "flow")


@given(st.data())
def test_text_goes_there_and_back(data: st.DataObject) -> None:
    row = quantities()[data.draw(st.sampled_from(sorted(quantities())))]
    choices = [unit for unit in row.display if unit != "-"]
    unit = data.draw(st.sampled_from(choices or [""]))
    low, high = max(row.low, -1e9), min(row.high, 1e9)
    si = data.draw(st.floats(low, high, allow_nan=False))
    text = units.show(si, row.name, unit, digits=17)
    # offsets cost a few units in the last place of the larger of the two numbers
    assert units.parse(text, row.name) == pytest.approx(si, rel=1e-12, abs=1e-10 * (row.unit == "K")
                                                        + 1e-300)  # fmt: skip


def test_every_glossary_unit_and_display_unit_is_known() -> None:
    for row in quantities().values():
        for unit in row.display:
            if unit != "-":
                assert math.isfinite(units.from_si(1.0, row.name, unit)), (row.name, unit)


def test_a_glossary_name_stands_once() -> None:
    import re
    from importlib.resources import files

    text = (files("keyturn") / "data" / "glossary.toml").read_text(encoding="utf-8")
    names = re.findall(r'^name = "(.*)"', text, re.MULTILINE)
    assert len(names) == len(set(names))


def test_numbers_are_shown_without_powers_of_ten() -> None:
    assert units.show(0.4e-3, "flow", "L/h", digits=3) == "1440 L/h"
    assert units.show(2e6, "pressure_gauge", "kPa", digits=3) == "2000 kPa"
