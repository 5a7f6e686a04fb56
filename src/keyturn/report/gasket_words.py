"""What is told of a flat part, of its cut and of its joint: in words and as JSON."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from keyturn.making.shape import ClosedPath, Outline
from keyturn.report.outline_figure import sides, size_rows
from keyturn.report.show import number, probability

if TYPE_CHECKING:
    from keyturn.making.cutting import Job
    from keyturn.making.joint import JointResult
    from keyturn.making.proof import Proof, Wanted

REAL = (
    "Renderings check this, no real part yet: count on 0.15 mm in the middle of all holes and"
    " 0.3 mm at the worst until you have measured one."
)


def outline_text(part: Outline) -> str:
    """The part in a few lines: size, features with their uncertainty, what is to be known."""
    width, height = sides(part.outer)
    rows = [f"{part.name}: {width:.1f} x {height:.1f} mm, the {part.side} is drawn"]
    rows += [f"  {row}" for row in size_rows(part)]
    if not part.scale_verified:
        rows.append("  The scale is not confirmed: measure both check lengths, or do the proof.")
    rows += [f"  ! {note}" for note in part.notes]
    if any(hole.source in ("photo", "scan") for hole in part.holes):
        rows.append(f"  {REAL}")
    return "\n".join(rows)


def outline_json(part: Outline) -> dict[str, Any]:
    """The part as data, millimetres, schema keyturn.outline.v1."""
    return {
        "schema": "keyturn.outline.v1", "unit": "mm", "name": part.name, "side": part.side,
        "thickness": part.thickness, "scale_verified": part.scale_verified,
        "outer": _path(part.outer), "ports": [_path(port) for port in part.ports],
        "holes": [
            {
                "name": hole.name, "x": hole.x, "y": hole.y, "diameter": hole.diameter,
                "role": hole.role, "centre_uncertainty": hole.centre_uncertainty,
                "diameter_uncertainty": hole.diameter_uncertainty, "source": hole.source,
                "open_to_edge": hole.open_to_edge,
            }
            for hole in part.holes
        ],
        "notes": list(part.notes),
    }  # fmt: skip


def _path(path: ClosedPath) -> dict[str, Any]:
    return {"name": path.name, "uncertainty": path.uncertainty, "source": path.source,
            "corners": [[c.x, c.y, c.bulge] for c in path.corners]}  # fmt: skip


def measured_text(part: Outline, worst: float, following: str) -> str:
    rows = [outline_text(part), f"  Holes are held to {worst:.2f} mm or better (95 %)."]
    if following:
        rows.append(f"  A further distance would help most from {following}.")
    return "\n".join(rows)


def measured_json(part: Outline, worst: float, following: str) -> dict[str, Any]:
    return outline_json(part) | {"worst_uncertainty": worst, "next_distance": following}


def wanted_text(rows: Sequence[Wanted]) -> str:
    """What to measure on the part, with what the drawing has."""
    told = [f"  {n}. {row.words}: drawn {row.value:.2f} mm" for n, row in enumerate(rows, 1)]
    return "\n".join(["Measure on the part, and give them in this order:", *told])


def proof_text(found: Proof) -> str:
    rows = [found.sentence()]
    rows += [
        f"  {row.words}: drawn {row.drawn:.2f}, measured {row.measured:.2f}, left {row.left:+.2f}"
        for row in found.rows
    ]
    return "\n".join([*rows, *(f"  ! {note}" for note in found.notes)])


def proof_json(found: Proof) -> dict[str, Any]:
    return {
        "schema": "keyturn.proof.v1", "unit": "mm", "confirmed": found.confirmed,
        "sentence": found.sentence(), "scale": [found.scale_x, found.scale_y],
        "uncertainty": [found.uncertainty_x, found.uncertainty_y], "largest": found.largest,
        "rows": [{"words": row.words, "drawn": row.drawn, "measured": row.measured,
                  "left": row.left} for row in found.rows],
        "notes": list(found.notes),
    }  # fmt: skip


def cut_json(job: Job, narrow: Sequence[str], seconds: float | None) -> dict[str, Any]:
    nested = job.nested
    return {
        "schema": "keyturn.cut.v1", "unit": "mm", "parts": len(job.parts),
        "cut_length": job.order.cut, "idle_length": job.order.idle, "pierces": job.order.pierces,
        "duration": seconds, "kerf": job.cutting.kerf, "narrow": list(narrow),
        "sheet": None if nested is None else list(nested.sheet),
        "used": None if nested is None else list(nested.used),
        "waste": None if nested is None else nested.waste,
    }  # fmt: skip


def cut_text(job: Job, narrow: Sequence[str], seconds: float | None, files: Sequence[str]) -> str:
    rows = [
        f"{len(job.parts)} {'part' if len(job.parts) == 1 else 'parts'}: {job.order.cut / 1e3:.2f}"
        f" m to cut, {job.order.pierces} starts"
        + ("" if seconds is None else f", about {_time(seconds)} without corners")
    ]
    if job.nested is not None:
        used = job.nested.used
        rows.append(f"  uses {used[0]:.0f} x {used[1]:.0f} mm of the sheet,"
                    f" {100 * job.nested.waste:.0f} % of that is waste")  # fmt: skip
    rows += [f"  ! {words}" for words in narrow]
    rows += [f"  {path} written, read back and found equal" for path in files]
    if not files:
        rows.append("  nothing was written: say --dxf, --svg or --pdf")
    return "\n".join(rows)


def _time(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < 120.0 else f"{seconds / 60.0:.0f} min"


def _window(result: JointResult) -> str:
    low, high = result.torque_low, result.torque_high
    stands = f"{high:.1f} N m" if math.isfinite(high) else "what is not known"
    if low <= high:
        return f"window {low:.1f} N m to {stands}"
    asks = f"{low:.1f} N m" if math.isfinite(low) else "more than any torque gives"
    return f"no torque does both: sealing asks for {asks}, the parts stand {stands}"


def joint_text(result: JointResult, *, full: bool) -> str:
    """The verdict standing up: headline, what limits, torque and order, what to do."""
    rows = [f"{result.verdict.upper()}. {result.headline}"]
    shown = result.rows if full else result.rows[:5]
    rows += [
        f"  {row.part:<18} {row.verdict:<11} can / must {number(row.ratio.p50, 2):>5}"
        f"  {probability(row.p_holds, result.samples)}"
        for row in shown
    ]
    rows.append(f"  torque {result.torque:.1f} N m{' (proposed)' if result.proposed else ''};"
                f" {_window(result)} (19 of 20 samples)")  # fmt: skip
    rows.append("  order  " + " ".join(str(n + 1) for n in result.bolting.order)
                + "  (bolt holes as in the outline file)")  # fmt: skip
    rows.append("  passes " + ", ".join(f"{step.torque:.1f}" for step in result.bolting.passes)
                + " N m, the last once round")  # fmt: skip
    asked = next((row for row in result.rows if row.settles), None)
    if asked is not None:
        rows.append(f"  Would settle {asked.part}: {asked.settles}.")
    rows.append(f"  Retorque: {result.retorque.when}")
    if full:
        rows += [f"  {words}" for words in (*result.sealer, *result.notes)]
    rows.append("  The card has the picture, both unit systems and the cautions: --card FILE")
    return "\n".join(rows)
