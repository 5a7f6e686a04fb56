"""What is known of one joint, and whether it is one that can be looked at."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

from keyturn.errors import BuildError, BuildErrors, Place, ValueRefused
from keyturn.making.joint_tables import check_fluid, material_of, row_of
from keyturn.making.shape import Outline, flattened

SEALERS = ("none", "contact cement", "silicone", "grease")


@dataclass(frozen=True)
class Joint:
    """What is known of one joint; lengths in mm with the outline, the rest SI."""

    outline: Outline
    material: str
    bolt: str  # "M6"
    strength: str = "8.8"
    thread: str = "cast aluminium"  # what the bolts go into; "nut" for a nut
    engagement: float | None = None  # [mm]; None takes the usual one of the table
    torque: float | None = None  # [N m]; None with no preload asks for a proposal
    preload: float | None = None  # [N] wanted in each bolt
    state: str = "dry"
    flange: str = "cast aluminium"
    flange_thickness: float = 8.0  # [mm]
    wall_height: float = 0.0  # [mm] of a wall that stands on the flange along the ports
    wall_thickness: float = 0.0  # [mm]
    lid: bool = False  # the flange runs on across the ports
    washer: bool = True
    boost: float = 0.0  # [Pa] above ambient
    backfire: float = 0.0  # [Pa] above ambient, a short peak; 0 = not looked at
    temperature: float = 363.15  # [K]
    fluid: str = "petrol"
    thickness: float | None = None  # [mm] of the sheet; None takes that of the outline
    heat_cycles: float = 100.0
    retorque: bool = False  # once, cold, after the first heat cycle
    sleeved: bool = False  # sleeves or limiters in the holes stop the squeeze
    sealer: str = "none"


def checked(joint: Joint) -> Joint:
    """The joint with what the tables add, or a refusal; every fault of what was typed together."""
    thickness = joint.thickness if joint.thickness is not None else joint.outline.thickness
    full = replace(joint, thickness=thickness)
    names = (("bolts", "size", "bolt"), ("bolts", "strength", "strength"),
             ("joints", "state", "state"), ("joints", "thread", "thread"),
             ("joints", "flange", "flange"))  # fmt: skip
    looks: list[Callable[[], object]] = [
        lambda: check_fluid(material_of(joint.material), joint.fluid),
        *(partial(row_of, file, table, getattr(joint, key), key) for file, table, key in names),
        *(partial(_within, full, *row) for row in LIMITS),
        partial(_chosen, full),
    ]
    faults: list[BuildError] = []
    for look in looks:
        try:
            look()
        except BuildError as fault:
            faults.append(fault)
    if faults:
        raise faults[0] if len(faults) == 1 else BuildErrors(faults)
    size = row_of("bolts", "size", joint.bolt, "bolt")
    if full.engagement is None:
        thread = row_of("joints", "thread", joint.thread, "thread")
        usual = float(thread["engagement"]) * float(size["diameter"]) * 1e3
        full = replace(full, engagement=usual)
    _fits(full, size)
    return full


def _fits(joint: Joint, size: Mapping[str, Any]) -> None:
    """Bolts that go through their holes, with heads that do not, on the sheet."""
    from shapely.geometry import Point, Polygon

    bolts = [hole for hole in joint.outline.holes if hole.role == "bolt"]
    if len(bolts) < 2:
        raise _refused("outline", f"{len(bolts)} bolt holes", "an outline with two bolts or more")
    if not joint.outline.ports:
        raise _refused("outline", "no port: nothing to seal", "an outline with a port")
    small = [hole for hole in bolts if hole.diameter < float(size["diameter"]) * 1e3]
    if small:
        raise _refused(
            "bolt", f"{joint.bolt} does not pass a hole of {small[0].diameter:.2f} mm",
            "a bolt that goes through every hole",
        )  # fmt: skip
    bears = float(size["washer" if joint.washer else "bearing"]) * 1e3
    wide = [hole for hole in bolts if hole.diameter >= bears]
    if wide:
        raise _refused(
            "bolt", f"the head or washer of {bears:.1f} mm falls into a hole of "
            f"{wide[0].diameter:.2f} mm", "a larger washer or a smaller hole",
        )  # fmt: skip
    outer = Polygon(flattened(joint.outline.outer))
    ports = [Polygon(flattened(port)) for port in joint.outline.ports]
    for n, hole in enumerate(bolts, 1):
        here = Point(hole.x, hole.y)
        if not outer.contains(here) or any(port.contains(here) for port in ports):
            raise _refused(
                "outline", f"bolt hole {hole.name or n} does not lie on the sheet",
                "bolt holes inside the outline and outside the ports",
            )  # fmt: skip


# numbers that no joint of this kind has lie outside of these: least, most, the unit they are said
# in, one of it, and its nought
LIMITS = (
    ("thickness", 0.1, 10.0, "mm", 1.0, 0.0),
    ("engagement", 1.0, 60.0, "mm of full thread", 1.0, 0.0),
    ("torque", 0.2, 400.0, "N m", 1.0, 0.0),
    ("preload", 50.0, 2e5, "N", 1.0, 0.0),
    ("flange_thickness", 1.0, 60.0, "mm", 1.0, 0.0),
    ("wall_height", 0.0, 200.0, "mm", 1.0, 0.0),
    ("wall_thickness", 0.0, 40.0, "mm", 1.0, 0.0),
    ("boost", 0.0, 1e6, "kPa above ambient", 1e3, 0.0),
    ("backfire", 0.0, 2e6, "kPa above ambient", 1e3, 0.0),
    ("temperature", 233.15, 693.15, "degrees Celsius", 1.0, 273.15),
    ("heat_cycles", 0.0, 1e5, "heat cycles", 1.0, 0.0),
)


def _within(
    joint: Joint, key: str, low: float, high: float, unit: str, one: float, nought: float
) -> None:
    value = getattr(joint, key)
    if value is None or low <= value <= high:
        return
    said, least, most = (f"{round((v - nought) / one, 6):g}" for v in (value, low, high))
    raise _refused(key, f"{said} {unit} is outside what is looked at", f"{least} to {most} {unit}")


def _chosen(joint: Joint) -> None:
    if joint.thickness is None:
        raise _refused("thickness", "the thickness of the sheet is missing", "such as 1.5 mm")
    if joint.sealer not in SEALERS:
        raise _refused("sealer", f"{joint.sealer!r} is not known", ", ".join(SEALERS))
    if joint.torque is not None and joint.preload is not None:
        raise _refused("torque", "torque and preload are both given", "one of them")


def _refused(key: str, problem: str, accepted: str) -> ValueRefused:
    return ValueRefused(problem, Place(key=key), accepted=accepted)
