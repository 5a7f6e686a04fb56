"""Geometry of one joint, and the pressure that each bolt and each port puts on its sheet."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from keyturn.build.schema import read_data
from keyturn.errors import Place, ValueRefused
from keyturn.making.joint_given import Joint
from keyturn.making.joint_tables import Material, row_of, tension_area
from keyturn.making.plate import Fields, Grid, grid_of, unit_fields
from keyturn.making.shape import Hole, flattened
from keyturn.physics import gasket as sheet
from keyturn.physics import joint as screw

LEAST_LAND = 0.5  # [mm]
STATION = 3.0  # [mm] between points along a port at which the land is looked at


@dataclass(frozen=True)
class Local:
    """Geometry and unit pressures of one joint; lengths mm, stresses MPa."""

    grid: Grid
    bolts: tuple[Hole, ...]
    soft: Fields  # at the bed of the middle values
    hard: Fields  # at twice that bed
    bed: float  # [N/mm3]
    gasket_area: float  # [mm2]
    lift_area: float  # [mm2]
    seal_length: float  # [mm]
    effective: float  # [mm] appendix 2
    stations: tuple[tuple[float, int, int], ...]  # width of the land [mm], row, column
    bridge: int  # stations over which the sheet carries a weak place sideways
    proof_load: float  # [N]
    break_over_proof: float
    bolt_share: float


def local_of(joint: Joint, material: Material, torque: float) -> Local:
    """Solve the flange on its gasket for each bolt and for the pressure."""
    size = row_of("bolts", "size", joint.bolt, "bolt")
    flange = row_of("joints", "flange", joint.flange, "flange")
    strength = row_of("bolts", "strength", joint.strength, "strength")
    factor = float(row_of("joints", "state", joint.state, "state")["nut_factor"])
    bolts = tuple(hole for hole in joint.outline.holes if hole.role == "bolt")
    raw = _lands(joint)
    narrow = min(width for width, _, _ in raw)
    if narrow < LEAST_LAND:
        raise ValueRefused(
            f"a port comes within {narrow:.2f} mm of the edge or of a hole: no land to seal on",
            Place(key="outline"),
            accepted=f"lands of {LEAST_LAND} mm and more; wider than 5 mm for a soft sheet",
        )
    grid = grid_of(joint.outline, max(narrow, 1.0), cover=joint.lid)
    area = float(grid.gasket.sum() * grid.cell**2)
    diameter = float(size["diameter"])
    pull = float(screw.preload(torque, diameter, factor))
    mean = pull * len(bolts) / area
    bed = _bed(material, mean, joint.thickness or 0.0)
    width = float(np.median([w for w, _, _ in raw]))
    effective = float(sheet.effective_width(width * 1e-3)) * 1e3
    reach = max(width - effective, 0.0)
    head = float(size["washer" if joint.washer else "bearing"]) * 1e3
    plate = float(
        sheet.plate_stiffness(
            float(flange["modulus"]) * 1e-6, stiff_thickness(joint, 2.0 * width),
            float(flange["poisson"]),
        )
    )  # fmt: skip
    where = [(hole.x, hole.y) for hole in bolts]
    soft, hard = unit_fields(
        grid, plate, float(flange["poisson"]), (bed, 2.0 * bed), where, head, reach
    )
    stress = tension_area(size)
    length = joint.flange_thickness + (joint.thickness or 0.0) + 0.5 * diameter * 1e3
    modulus = float(read_data("joints.toml")["bolt"]["modulus"])
    one_bolt = float(screw.rod_stiffness(modulus, stress, length * 1e-3))
    share = screw.bolt_share(one_bolt * len(bolts), bed * area * 1e3)
    return Local(
        grid=grid,
        bolts=bolts,
        soft=soft,
        hard=hard,
        bed=bed,
        gasket_area=area,
        lift_area=soft.lift_area,
        seal_length=_seal_length(joint, reach),
        effective=effective,
        stations=tuple((w, *grid.at(x, y)) for w, x, y in raw),
        bridge=max(1, round(width / STATION)),
        proof_load=stress * float(strength["proof"]),
        break_over_proof=float(strength["tensile"]) / float(strength["proof"]),
        bolt_share=float(share),
    )


def stiff_thickness(joint: Joint, width: float) -> float:
    """Thickness [mm] of the flat plate that bends like the flange with its wall.

    Both about their common axis (Steiner) over a strip of ``width``; at most three times the
    flange, as the lip beside the wall still bends by itself.
    """
    flange, wall = joint.flange_thickness, joint.wall_thickness
    if joint.wall_height <= 0.0 or wall <= 0.0:
        return flange
    areas = (width * flange, wall * joint.wall_height)
    middles = (flange / 2.0, flange + joint.wall_height / 2.0)
    axis = (areas[0] * middles[0] + areas[1] * middles[1]) / (areas[0] + areas[1])
    own = width * flange**3 / 12.0 + wall * joint.wall_height**3 / 12.0
    moved = sum(a * (m - axis) ** 2 for a, m in zip(areas, middles, strict=True))
    return float(min((12.0 * (own + moved) / width) ** (1.0 / 3.0), 3.0 * flange))


def _bed(material: Material, stress: float, thickness: float) -> float:
    """Stress [MPa] over squeeze distance [mm] at a mean stress."""
    given = float(
        sheet.squeeze(
            stress * 1e6, material.compressibility, material.compressibility_stress,
            material.stiffening,
        )
    )  # fmt: skip
    return stress / (given * thickness)


def _lands(joint: Joint) -> list[tuple[float, float, float]]:
    """Width of the land and its middle [mm], all along every port."""
    from shapely.geometry import LinearRing, Point
    from shapely.ops import nearest_points, unary_union

    outside = unary_union(
        [LinearRing(flattened(joint.outline.outer))]
        + [Point(h.x, h.y).buffer(h.diameter / 2.0).exterior for h in joint.outline.holes]
    )
    found = []
    for port in joint.outline.ports:
        ring = LinearRing(flattened(port))
        count = max(8, round(ring.length / STATION))
        for n in range(count):
            here = ring.interpolate(n / count, normalized=True)
            there = nearest_points(outside, here)[0]
            middle = ((here.x + there.x) / 2.0, (here.y + there.y) / 2.0)
            found.append((float(here.distance(there)), *middle))
    return found


def _seal_length(joint: Joint, reach: float) -> float:
    """Length of the line at which the gasket pushes back [mm]."""
    from shapely.geometry import Polygon

    grown = [Polygon(flattened(port)).buffer(reach, 64) for port in joint.outline.ports]
    return float(sum(shape.exterior.length for shape in grown))
