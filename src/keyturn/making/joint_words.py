"""What is said about a joint: headline, retorque, sealer, notes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from keyturn.making.joint_draws import Draws
from keyturn.making.joint_given import Joint
from keyturn.making.joint_local import Local
from keyturn.making.joint_rows import JointRow
from keyturn.making.joint_tables import Material
from keyturn.making.land import Land

_OPENING = {
    "holds": "This joint holds as typed, under the assumptions below",
    "tight": "This joint has little to spare",
    "not proven": "Not proven",
    "short": "This joint does not hold as typed",
}
NEVER = (
    "Never retorque hot, under pressure or with the engine running; never bolts tightened to an"
    " angle or to yield, a joint with sleeves or limiters, or coated steel. A gasket that has"
    " leaked is replaced, not tightened."
)
ONCE = (
    "Retorque once: after the first heat cycle, stone cold, pressure off, same order, last torque"
    " only. Not again later."
)


@dataclass(frozen=True)
class Retorque:
    advice: Literal["once", "not needed", "never"]
    when: str
    never: str
    without: float  # probability that all sealing rows hold without it; NaN with nothing to seal
    with_it: float


def headline(deciding: JointRow, torque: float, proposed: bool, *, samples: int) -> str:
    """The verdict in one sentence: what decides it and at which torque."""
    at = f"at {torque:.1f} N m" + (" (proposed)" if proposed else "")
    return f"{_OPENING[deciding.verdict]}, {at}: {deciding.part} {deciding.why}."


def sealing_chance(rows: Sequence[JointRow]) -> float:
    """Least probability of what is sealed in service; the seating is over by then."""
    shares = [row.p_holds for row in rows if row.torque_helps and row.part != "seating"]
    return min(shares, default=float("nan"))


def retorque_of(
    joint: Joint,
    material: Material,
    rows: tuple[JointRow, ...],
    other: Sequence[JointRow],
) -> Retorque:
    """Whether to tighten again; ``other`` are the rows with the opposite choice."""
    now, then = sealing_chance(rows), sealing_chance(other)
    without, with_it = (then, now) if joint.retorque else (now, then)
    if material.retorque == "never" or joint.sleeved:
        why = "sleeves stop the squeeze" if joint.sleeved else f"{material.label} does not creep"
        return Retorque("never", f"Never: {why}.", NEVER, without, with_it)
    sealing = [row for row in (other if joint.retorque else rows) if row.torque_helps]
    if sealing and all(row.verdict == "holds" for row in sealing) and material.creep < 0.25:
        return Retorque("not needed", "Not needed to seal; allowed once, cold.", NEVER,
                        without, with_it)  # fmt: skip
    return Retorque("once", ONCE, NEVER, without, with_it)


def sealer_advice(joint: Joint, material: Material) -> tuple[str, ...]:
    """Adhesive and sealer: one face only, and what spoils the grip."""
    said = []
    if material.name.startswith(("cork", "vegetable", "fibre", "cotton")):
        said.append(
            "Fit dry, or hold it with a thin film of contact cement on one face only; let it dry"
            " before fitting. The other face stays dry so that it comes off again."
        )
    else:
        said.append("Fit dry and clean: no sealer, no grease, on neither face.")
    said.append(
        "Sealer only at corners and where three parts meet, never over the whole land: it"
        " lubricates a soft sheet, which then creeps out."
    )
    if joint.fluid not in ("air", "coolant"):
        said.append("No plain silicone where fuel, its vapour or oil reaches: it swells.")
    if joint.sealer in ("silicone", "grease"):
        said.append(
            f"Reckoned with {joint.sealer} on the faces: they grip far less, and the land blows"
            " out sooner."
        )
    return tuple(said)


def notes_of(
    joint: Joint,
    material: Material,
    local: Local,
    rows: tuple[JointRow, ...],
    strips: tuple[Land, ...],
    limits: tuple[float, float],
    mean: NDArray[np.float64],
    draws: Draws,
) -> tuple[str, ...]:
    """What a builder should know beside the verdict."""
    notes = [f"{material.label}: {material.boost}."] if joint.boost > 0.0 else []
    low, high = limits
    if low > high:
        asks = f"for {low:.1f} N m" if math.isfinite(low) else "for more than any torque gives"
        notes.append(
            f"No torque does both: sealing asks {asks}, the parts stand {high:.1f} N m"
            " (19 of 20). A stiffer flange, more bolts, another sheet, wider lands or a retorque"
            " help."
        )
    given = float(np.median(draws.squeezed(material, mean)))
    if not material.squeeze_low <= given <= material.squeeze_high:
        notes.append(
            f"Squeeze about {given:.0%} of the thickness on the whole sheet; usual for it"
            f" {material.squeeze_low:.0%} to {material.squeeze_high:.0%}."
        )
    notes += _spread_note(local)
    notes += [strip.proposal() for strip in strips if not strip.enough]
    if local.grid.cell > min(width for width, _, _ in local.stations) / 2.0:
        notes.append(
            f"The narrowest land is thinner than two cells of {local.grid.cell:.1f} mm: its local"
            " pressure is coarse."
        )
    notes.append(
        f"Flange reckoned as a plate of {joint.flange_thickness:g} mm"
        + (f" with a wall {joint.wall_height:g} mm high" if joint.wall_height > 0.0 else "")
        + " on a rigid, flat face; ribs are not in it, nor are warped faces."
    )
    if joint.sleeved:
        notes.append(
            "Sleeves take part of the preload: the pressure on the sheet is less than reckoned"
            " and set by the length of the sleeves."
        )
    return tuple(notes)


def _spread_note(local: Local) -> list[str]:
    """Least over mean pressure with every bolt alike: how far the flange carries between bolts."""
    even = local.soft.bolts.sum(axis=0)[local.grid.sealed]
    share = float(even.min() / even.mean())
    if share >= 0.7:
        return []
    if share <= 0.0:
        return ["The flange lifts off the sheet between bolts: too thin, or bolts too far apart."]
    return [
        f"Between bolts the sheet carries as little as {share:.0%} of its mean pressure: a thicker"
        " flange or more bolts even it out."
    ]
