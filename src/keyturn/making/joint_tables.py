"""Gasket sheet, bolts, threads and flanges by name, and which sheet is refused for which fluid."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

from keyturn.build.schema import nearest, read_data
from keyturn.errors import Place, ValueRefused
from keyturn.physics.joint import stress_area

FLUIDS = ("air", "petrol", "e85", "methanol", "oil", "coolant")
# what the builder says -> the row that decides
ALIKE = {"petrol-e10": "petrol", "ethanol": "e85"}


@dataclass(frozen=True)
class Material:
    """One row of gasket_materials.toml; stresses [Pa], temperature [K], thickness [m]."""

    name: str
    label: str
    thickness: tuple[float, ...]
    temperature_max: float
    squeeze_low: float
    squeeze_high: float
    compressibility: float
    compressibility_stress: float
    stiffening: float
    seating_stress: float
    gasket_factor: float
    crush_stress: float
    creep: float
    creep_again: float
    loss_per_decade: float
    friction: float
    retorque: str  # "once" or "never"
    suits: tuple[str, ...]
    refuses: Mapping[str, str]
    boost: str
    grades: Mapping[str, str]
    grade: str
    source: str


@cache
def materials() -> dict[str, Material]:
    """All sheets by name, in the order of the file."""
    return {
        row["name"]: Material(
            **{**row, "thickness": tuple(row["thickness"]), "suits": tuple(row["suits"])}
        )
        for row in read_data("gasket_materials.toml")["material"]
    }


@cache
def rows(file: str, table: str) -> dict[str, Mapping[str, Any]]:
    """Rows of one table by name: bolts size and strength; joints state, thread and flange."""
    return {row["name"]: row for row in read_data(f"{file}.toml")[table]}


def row_of(file: str, table: str, name: str, key: str) -> Mapping[str, Any]:
    """One row; a name that is not there is refused with those that are."""
    known = rows(file, table)
    if name not in known:
        raise _unknown(name, tuple(known), key)
    return known[name]


def tension_area(size: Mapping[str, Any]) -> float:
    """Stress area of a row of bolts.toml [m2]."""
    if "area" in size:
        return float(size["area"])
    return float(stress_area(float(size["diameter"]), float(size["pitch"])))


def material_of(name: str) -> Material:
    """One sheet by name."""
    if name not in materials():
        raise _unknown(name, tuple(materials()), "material")
    return materials()[name]


def _unknown(name: str, known: tuple[str, ...], key: str) -> ValueRefused:
    near = nearest(name, known)
    return ValueRefused(
        "not in the table", Place(key=key), name, ", ".join(known),
        f"did you mean {near}?" if near else None,
    )  # fmt: skip


def bedding(material: Material) -> tuple[float, str]:
    """Stress that beds the sheet [Pa], and the value it leans on.

    Soft elastomers have a seating stress of zero in the code; they still want their least squeeze.
    """
    if material.seating_stress > 0.0:
        return material.seating_stress, "seating"
    share = material.squeeze_low / material.compressibility
    return material.compressibility_stress * share ** (1.0 / material.stiffening), "squeeze"


def check_fluid(material: Material, fluid: str) -> bool:
    """True when the sheet is listed for the fluid, False when nothing is known of it.

    A sheet that is wrong for it is refused with the reason and with those that are listed.
    """
    if fluid not in (*FLUIDS, *ALIKE):
        raise _unknown(fluid, (*FLUIDS, *ALIKE), "fluid")
    decides = ALIKE.get(fluid, fluid)
    if decides in material.refuses:
        others = [row.name for row in materials().values() if decides in row.suits]
        raise ValueRefused(
            f"{material.label} is the wrong sheet for {fluid}: {material.refuses[decides]}",
            Place(key="material"), material.name,
            ", ".join(others) or f"no sheet of the table is listed for {fluid}",
        )  # fmt: skip
    return decides in material.suits
