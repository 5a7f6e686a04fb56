"""Units on the pages: the table the browser gets, and switching that is remembered."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from keyturn import units
from keyturn.glossary import quantities
from keyturn.web.routes.units import _table

Tab = Callable[..., Any]


@pytest.mark.parametrize(
    ("name", "word", "number", "si"),
    [
        # NIST SP 811 (2008), appendix B.8: psi 6.894 757 E+03 Pa; US gallon 3.785 412 E-03 m3;
        # degree Fahrenheit t/K = (t/F + 459.67)/1.8; pound per minute 7.559 873 E-03 kg/s
        ("pressure_gauge", "psi", 1.0, 6894.757),
        ("flow", "US gal/h", 3600.0, 3.785412e-3),
        ("temperature", "degF", 212.0, 373.15),
        ("mass_flow", "lb/min", 1.0, 7.559873e-3),
        ("temperature_difference", "degF", 9.0, 5.0),
    ],
)
def test_the_factors_are_those_of_the_source(
    name: str, word: str, number: float, si: float
) -> None:
    unit = next(row for row in _table()[name]["units"] if row["word"] == word)
    assert number * unit["factor"] + unit["offset"] == pytest.approx(si, rel=5e-7)


def test_every_unit_goes_there_and_back() -> None:
    for name in quantities():
        for unit in _table().get(name, {"units": []})["units"]:
            word = "" if unit["word"] == "-" else unit["word"]
            si = 2.0 * unit["factor"] + unit["offset"]
            # 1e-9: the table is made of differences of doubles, see offset of the Fahrenheit scale
            assert units.from_si(si, name, word) == pytest.approx(2.0, rel=1e-9), (name, word)


def test_a_unit_is_switched_by_keyboard_and_remembered(tab: Tab) -> None:
    page = tab()
    page.goto("/car/van-roots/home")
    page.evaluate(
        """() => { const mark = document.createElement('data'); mark.className = 'q'; mark.id = 'm';
             mark.value = '344737.8646'; mark.dataset.quantity = 'pressure_gauge';
             document.querySelector('h1').after(mark); }"""
    )
    page.locator("#units").focus()
    page.keyboard.press("Enter")
    page.get_by_label("Pressure", exact=True).select_option("psi")
    assert page.locator("#m").inner_text() == "50.0 psi (345 kPa)"  # 50 psi by definition of psi
    page.keyboard.press("Escape")
    assert page.evaluate("document.activeElement.id") == "units"
    page.reload()
    page.locator("#units").click()
    assert page.get_by_label("Pressure", exact=True).input_value() == "psi"
