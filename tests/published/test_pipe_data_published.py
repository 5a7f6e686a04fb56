"""Sizes of tube, hose and wire in the data files against printed tables."""

from __future__ import annotations

import tomllib
from importlib.resources import files

import pytest

from keyturn.physics import wire

INCH, PSI = 0.0254, 6894.757


def table(name: str) -> list[dict[str, object]]:
    text = (files("keyturn") / "data" / f"{name}.toml").read_text(encoding="utf-8")
    return next(rows for rows in tomllib.loads(text).values() if isinstance(rows, list))


HOSES = {row["name"]: row for row in table("hoses")}


@pytest.mark.parametrize(
    ("dash", "bore", "working", "burst", "bend"),
    [
        (4, 3 / 16, 3000, 12000, 3.00),
        (6, 5 / 16, 2000, 9000, 4.00),
        (8, 13 / 32, 2000, 8000, 4.63),
        (10, 1 / 2, 1750, 7000, 5.50),
        (12, 5 / 8, 1750, 6000, 6.50),
        (16, 7 / 8, 800, 3200, 7.38),
    ],
)
def test_braided_hose(compare, dash, bore, working, burst, bend):
    row = HOSES[f"braided hose -{dash}"]
    for quantity, theirs, ours in (
        ("bore [in]", bore, row["diameter"] / INCH),
        ("working pressure [psi]", working, row["working_pressure"] / PSI),
        ("burst pressure [psi]", burst, row["burst_pressure"] / PSI),
        ("bend radius [in]", bend, row["bend_radius"] / INCH),
    ):
        compare(
            source="FAA AC 43.13-1B table 9-3, MIL-H-8794 hose",
            quantity=f"-{dash} hose {quantity}",
            theirs=theirs,
            ours=ours,
            tolerance=1e-5 * theirs,  # six digits are kept in the file
        )


def test_tube_by_dash_number(compare):
    compare(
        source="FAA Aviation Maintenance Technician Handbook, #10 x 0.065",
        quantity="bore of -10 tube with 0.065 in wall [in]",
        theirs=0.495,
        ours=HOSES["tube -10 wall 0.065 in"]["diameter"] / INCH,
        tolerance=0.0005,
    )
    assert HOSES["tube -6 wall 0.035 in"]["outside_diameter"] / INCH == pytest.approx(3 / 8)


def test_hose_bore_is_not_its_dash_number():
    # The slip this guards: reading -6 as 3/8 inch of bore.
    assert all(
        row["diameter"] < row["dash"] / 16 * INCH
        for row in HOSES.values()
        if str(row["name"]).startswith("braided")
    )


def test_wire_rows_agree_with_the_formula():
    for row in table("wires"):
        per_metre = wire.resistance(1.0, row["area"], 293.15)
        # area is printed with four digits
        assert row["resistance_per_length"] == pytest.approx(per_metre, rel=1e-3)


@pytest.mark.parametrize(("number", "most"), [(4, 0.28), (10, 1.26), (12, 2.02), (18, 6.23)])
def test_most_resistance_of_tinned_wire(compare, number, most):
    row = next(row for row in table("wires") if row["name"] == f"AWG {number}")
    compare(
        source="FAA AC 43.13-1B CHG 1 table 11-9",
        quantity=f"most ohm per 1000 ft, AWG {number}",
        theirs=most,
        ours=row["resistance_most"] * 304.8,
        tolerance=1e-5 * most,
    )


@pytest.mark.parametrize("name", ["hoses", "wires", "fittings"])
def test_every_row_has_source_and_grade(name):
    rows = table(name)
    assert len({row["name"] for row in rows}) == len(rows) > 10
    assert all(row["source"] and row["grade"] in {"handbook", "assumed"} for row in rows)
    # what has no source may not pass for a handbook value
    assert all(row["grade"] == "assumed" for row in rows if "assumed" in str(row["source"]))
