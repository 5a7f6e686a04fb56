"""Reading build.toml: the examples, the forms of a value, and every kind of refusal."""

from __future__ import annotations

import math
import re
from importlib.resources import files
from pathlib import Path

import pytest

from keyturn.build.read import from_text, load
from keyturn.build.schema import MANY, assumed, sections
from keyturn.errors import (
    AmbiguousValue,
    BuildError,
    BuildErrors,
    FileRefused,
    UnknownKey,
    ValueRefused,
)

EXAMPLES = ("pickup-screw", "kitcar-boost", "van-roots")
SMALL = """
version = 1
name = "invented"
[engine]
displacement = "2.0 L"
cylinders = 4
redline = "6500 rpm"
[fuel]
kind = "petrol"
[pump]
flow = [["0 psi", "250 L/h"], ["60 psi", "180 L/h"]]
[regulator]
set = "43.5 psi"
place = "rail"
reference = "manifold"
[injectors]
flow = "440 cm3/min"
"""
PSI = 6894.757293168361  # NIST SP 811


def example(name: str) -> str:
    return (files("keyturn") / "examples" / name / "build.toml").read_text(encoding="utf-8")


def changed(old: str, new: str) -> str:
    assert SMALL.count(old) == 1
    return SMALL.replace(old, new)


@pytest.mark.parametrize("name", EXAMPLES)
def test_examples_are_read_and_say_that_they_are_invented(name: str) -> None:
    build = from_text(example(name))
    assert build.invented
    assert not build.flags
    assert all(math.isfinite(v.spread) and v.spread >= 0.0 for v in build.known())
    assert len({item.key for item in build.known()}) > 40


def test_the_documented_example_asks_for_little_and_the_hearsay_one_for_the_pump() -> None:
    assert len(from_text(example("pickup-screw")).missing) <= 1
    missing = from_text(example("van-roots")).missing
    assert missing[0].startswith("pump.flow is known by hearsay only (65 L/h)")
    assert len(missing) > 8


def test_values_arrive_in_si_with_law_grade_and_key() -> None:
    build = from_text(SMALL)
    assert build.regulator.set.si == pytest.approx(43.5 * PSI, rel=1e-12)  # rounding
    assert build.regulator.set.law == "set"
    assert build.regulator.set.grade == "hearsay"  # nothing said of a typed number
    assert build.engine.displacement.si == pytest.approx(2e-3, rel=1e-12)
    assert build.injectors.count == 4
    assert build.wiring.area.grade == "assumed"
    assert build.pump.curve.x[1] == pytest.approx(60 * PSI, rel=1e-12)
    assert build.site.barometer.key == "site.altitude"
    assert build.regulator.position == 0 and not build.pump.single_point


def test_grade_comes_from_value_then_table_then_top() -> None:
    text = 'grade = "handbook"\n' + changed('set = "43.5', 'grade = "datasheet"\nset = "43.5')
    text = text.replace('"440 cm3/min"', '{value = "440 cm3/min", grade = "measured"}')
    build = from_text(text)
    assert build.engine.displacement.grade == "handbook"
    assert build.regulator.set.grade == "datasheet"
    assert build.injectors.flow.grade == "measured"


def test_spread_is_a_share_or_a_size() -> None:
    for spread, wanted in (("10 %", 0.10), ("44 cm3/min", 0.10)):
        form = f'{{value = "440 cm3/min", spread = "{spread}"}}'
        build = from_text(changed('"440 cm3/min"', form))
        assert build.injectors.flow.spread == pytest.approx(wanted, rel=1e-12)
    build = from_text(changed('"43.5 psi"', '{value = "40 psi", spread = "2 psi"}'))
    assert build.regulator.set.spread == pytest.approx(2 * PSI, rel=1e-12)


def test_single_pump_flow_gets_a_shape_through_the_point() -> None:
    old = '[["0 psi", "250 L/h"], ["60 psi", "180 L/h"]]'
    build = from_text(changed(old, '"255 L/h"\nat_pressure = "40 psi"'))
    assert build.pump.single_point
    assert any(
        x == pytest.approx(40 * PSI) and y == pytest.approx(255e-3 / 3600)
        for x, y in zip(build.pump.curve.x, build.pump.curve.y, strict=True)
    )
    unsaid = from_text(changed(old, '"255 L/h"'))
    assert unsaid.pump.pressure_scale.grade == "assumed"
    assert unsaid.pump.pressure_scale.spread == pytest.approx(0.25)  # stated in assumed.toml


def test_library_names_give_sizes_with_grade_and_source() -> None:
    parts = """
[[feed]]
part = "hose"
size = "-6"
length = "1 m"
[[feed]]
part = "tube"
size = "-6"
[[feed]]
part = "fitting"
kind = "elbow-90"
size = "-6"
[wiring]
size = "10 AWG"
[fuel]"""
    build = from_text(changed("[fuel]", parts))
    hose, tube, fitting = build.feed
    assert hose.diameter and tube.diameter and fitting.loss
    # a -6 tube is 6/16 in outside; with 0.035 in wall it is 0.305 in inside (FAA handbook rule)
    assert tube.diameter.si == pytest.approx((6 / 16 - 2 * 0.035) * 0.0254, rel=1e-9)
    assert 0.3 * 0.0254 < hose.diameter.si < 6 / 16 * 0.0254
    assert fitting.loss.source and fitting.loss.grade == "handbook"
    # ASTM B258: 10 AWG is 0.1019 in across, half the last digit twice over in the area
    assert build.wiring.area.si == pytest.approx(math.pi / 4 * (0.1019 * 0.0254) ** 2, rel=1e-3)


REFUSED = [
    ('"43.5 psi"', '"0.6 psi"', ValueRefused, r"did you mean 60 psi\? \(or 0.6 MPa\)"),
    ('"250 L/h"', '"380 L/min"', ValueRefused, "did you mean 380 L/h"),
    ('"440 cm3/min"', '"550 L/h"', ValueRefused, "did you mean 550 cm3/min"),
    ('"2.0 L"', '"5.4 cm3"', ValueRefused, r"did you mean 5.4 L\?"),
    ('"2.0 L"', '"0 L"', ValueRefused, "above zero"),
    ('"2.0 L"', '"-2 L"', ValueRefused, "above zero"),
    ('"2.0 L"', "2.0", ValueRefused, "unit is missing"),
    ('"2.0 L"', "true", ValueRefused, "not a number with a unit"),
    ('"2.0 L"', "nan", ValueRefused, "not a finite"),
    ('"2.0 L"', '"inf L"', ValueRefused, "not a number"),
    ('"2.0 L"', '{value = "2 L", grade = "guess"}', ValueRefused, "no such grade"),
    ('"2.0 L"', '{value = "2 L", spred = "3 %"}', UnknownKey, "did you mean spread"),
    ('"2.0 L"', '{spread = "3 %"}', ValueRefused, "no `value`"),
    ('"2.0 L"', '{value = "2 L", spread = "-3 %"}', ValueRefused, "below zero"),
    ('"250 L/h"', '"250 gal/h"', AmbiguousValue, "US gallon .* or imperial"),
    ("cylinders = 4", "cylinders = 4.5", ValueRefused, "whole number"),
    ("cylinders = 4", "cylinders = 0", ValueRefused, "out of range"),
    ("redline =", "redlin =", BuildErrors, "did you mean redline"),
    ("[injectors]", "[injector]", BuildErrors, "did you mean injectors"),
    ('"rail"', '"rial"', ValueRefused, "did you mean rail"),
    ('"petrol"', '"petrol-e01"', ValueRefused, "did you mean petrol-e10"),
    ('"180 L/h"]', '"280 L/h"]', ValueRefused, "must fall"),
    ('["60 psi", "180', '["0 psi", "180', ValueRefused, "same first column"),
    ('["60 psi", "180 L/h"]', '["60 psi"]', ValueRefused, "pair"),
    ('reference = "manifold"', 'reference = "atmosphere"\nratio = 1.0', ValueRefused, "means noth"),
    ('"43.5 psi"', '"60 psi absolute"', ValueRefused, "not above vacuum"),
    ("[pump]", '[pump]\narrangement = "parallel"', ValueRefused, "contradicts count = 1"),
    ("[pump]", "[pump]\ncount = 2", ValueRefused, "not how they are joined"),
    ("[pump]", '[pump]\nat_pressure = "300 kPa"', ValueRefused, "contradicts `flow`"),
    ("[fuel]", '[site]\nbarometer = "99 kPa"\naltitude = "3000 m"\n[fuel]', ValueRefused,
     "disagree"),
    ("[fuel]", '[mixture]\nlambda = [["15 psi", 0.9], ["25 psi", 0.8]]\n[fuel]', AmbiguousValue,
     r"psi: gauge or absolute\?"),
    ("[fuel]", '[mixture]\nlambda = [["100 kPa", "12.5 AFR"], ["200 kPa", 0.8]]\n[fuel]',
     AmbiguousValue, "which fuel"),
    ("[fuel]", '[[feed]]\npart = "hose"\nsize = "-5"\n[fuel]', ValueRefused, "no such size"),
    ("[fuel]", '[[feed]]\npart = "fitting"\nkind = "elbow"\n[fuel]', ValueRefused, "elbow-"),
    ("[fuel]", '[[feed]]\npart = "hose"\nopening = "4 kPa"\n[fuel]', ValueRefused, "for a hose"),
    ("[fuel]", '[[feed]]\npart = "filter"\ndrop = "9 kPa"\n[fuel]', ValueRefused,
     "without its flow"),
    ("[fuel]", '[wiring]\nsize = "30 AWG"\n[fuel]', ValueRefused, "no such wire"),
    ("[fuel]", '[control]\ncalibrated_for = {pressure = "300 kPa", flow = "1500 cm3/min"}\n[fuel]',
     ValueRefused, "not the one in"),
    ("[fuel]", '[[option]]\nname = "x"\nchanges = {"pump.flov" = "300 L/h"}\n[fuel]',
     ValueRefused, "with this option"),
    ("[fuel]", '[blower]\nkind = "none"\nx = 1\n[fuel]', UnknownKey, "nothing reads"),
    ("version = 1", "version = 7", ValueRefused, "version cannot be read"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "kind", "words"), REFUSED, ids=[r[1][:40] for r in REFUSED])
def test_bad_values_are_refused_with_place_and_way_out(
    old: str, new: str, kind: type[BuildError], words: str
) -> None:
    with pytest.raises(kind) as caught:
        from_text(changed(old, new), "car/build.toml")
    assert re.search(words, str(caught.value), re.DOTALL), str(caught.value)
    assert "car/build.toml:" in str(caught.value)


def test_a_fault_names_its_line_key_and_text() -> None:
    with pytest.raises(ValueRefused) as caught:
        from_text(changed('"43.5 psi"', '"0.6 psi"'), "build.toml")
    assert caught.value.place.line == SMALL.splitlines().index('set = "43.5 psi"') + 1
    assert caught.value.place.key == "regulator.set"
    assert caught.value.typed == "0.6 psi"


def test_a_confirmed_oddity_is_taken_and_flagged() -> None:
    build = from_text(changed('"43.5 psi"', '{value = "0.6 psi", confirmed = true}'))
    assert build.regulator.set.si == pytest.approx(0.6 * PSI, rel=1e-12)
    assert len(build.flags) == 1 and "60 psi" in build.flags[0]


def test_all_faults_of_a_file_are_told_together_in_order() -> None:
    text = changed('"2.0 L"', '"0 L"').replace('"43.5 psi"', '"0.6 psi"')
    with pytest.raises(BuildErrors) as caught:
        from_text(text)
    assert [fault.place.key for fault in caught.value.faults] == [
        "engine.displacement", "regulator.set",
    ]  # fmt: skip


def test_missing_needed_keys_are_named() -> None:
    with pytest.raises(BuildErrors) as caught:
        from_text('version = 1\nname = "x"\n')
    keys = {fault.place.key for fault in caught.value.faults}
    assert {"engine.displacement", "pump.flow", "regulator.set", "injectors.flow"} <= keys


def test_changes_are_tried_without_touching_the_file() -> None:
    changes = {"pump.count": "2", "pump.arrangement": "parallel", "regulator.set": "300 kPa",
               "site.humidity": "20 %", "injectors.flow.grade": "measured"}  # fmt: skip
    build = from_text(SMALL, changes=changes)
    assert build.pump.count == 2
    assert build.regulator.set.si == pytest.approx(3e5, rel=1e-12)
    assert build.injectors.flow.grade == "measured"
    build = from_text(example("van-roots"), changes={"feed.5.length": "2 m"})
    assert build.feed[1].length is not None
    assert build.feed[1].length.si == pytest.approx(2.0)


def test_a_fault_in_a_change_blames_no_line_of_the_file() -> None:
    with pytest.raises(ValueRefused) as caught:
        from_text(SMALL, changes={"regulator.set": "0.6 psi"})
    assert caught.value.place.line is None
    assert caught.value.place.key == "regulator.set"


@pytest.mark.parametrize(
    "key", ["pump.flov", "pomp.flow", "feed.9.length", "feed.x.length", "", "pump..flow", "pump",
            "name.x", "feed", "feed.1", "feed.0.length", "option.1.changes.x"],
)  # fmt: skip
def test_a_change_of_no_key_is_refused(key: str) -> None:
    with pytest.raises(BuildError):
        from_text(example("van-roots"), changes={key: "3 m"})


FILES = [
    (b"", "is empty"),
    (b"  \n", "is empty"),
    (b"\x00\x01\x02" * 50, "not a text file"),
    (b'name = "\xff\xfe"', "not UTF-8"),
    (b"x" * 1_000_001, "too large"),
    (b"[engine\nx = 1", "not TOML"),
    (b"a = " + b"[" * 5000, "TOML"),
]


@pytest.mark.parametrize(
    ("content", "words"), FILES, ids=[row[1] + str(len(row[0])) for row in FILES]
)
def test_files_that_are_no_build_are_refused(tmp_path: Path, content: bytes, words: str) -> None:
    file = tmp_path / "build.toml"
    file.write_bytes(content)
    with pytest.raises(FileRefused, match=words):
        load(tmp_path)


def test_missing_file_and_folder_without_one(tmp_path: Path) -> None:
    for path in (tmp_path, tmp_path / "no" / "such", "bad\0name"):
        with pytest.raises(FileRefused):
            load(path)


def test_every_default_is_a_value_of_its_key() -> None:
    build = from_text(example("van-roots"))
    assert {item.grade for item in build.known()} >= {"assumed", "hearsay", "measured"}
    for key, row in assumed().items():
        section, name, *_ = key.split(".")
        assert name in sections()[section], key
        assert row["reason"], key
        assert row["spread"], key


def test_every_key_is_documented() -> None:
    page = Path(__file__).parents[2].joinpath("docs", "build-file.md").read_text(encoding="utf-8")
    for section, fields in sections().items():
        if section in ("top", "return"):
            head = page
        else:
            title = f"\n## `[{section}]`" if section not in MANY else f"\n## `[[{section}]]`"
            assert title in page, section
            head = page.partition(title)[2].partition("\n## ")[0]
        for field in fields.values():
            assert f"| `{field.name}` | {field.about} |" in head, (section, field.name)
    for key, row in assumed().items():
        assert f"| `{key}` |" in page, key
        assert row["reason"] in page, key
