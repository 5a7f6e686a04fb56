"""Will a flat gasket seal under its bolts: the answer for one outline, sheet and torque.

Outline in millimetres, everything else SI. The bolts press a flange that bends on a gasket that
gives; what is left after creep has to stop every way out of every port.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from keyturn.making.bolting import Bolting, bolting
from keyturn.making.joint_draws import Draws
from keyturn.making.joint_given import Joint, checked
from keyturn.making.joint_local import Local, local_of
from keyturn.making.joint_rows import CLIP, JointRow, rows_of, service_rows, worst
from keyturn.making.joint_tables import Material, check_fluid, material_of, row_of, tension_area
from keyturn.making.joint_words import (
    Retorque,
    headline,
    notes_of,
    retorque_of,
    sealer_advice,
)  # fmt: skip
from keyturn.making.land import Land, lands
from keyturn.physics import gasket as sheet
from keyturn.physics import joint as screw
from keyturn.system.result import Band
from keyturn.system.verdict import band

FloatArray = NDArray[np.float64]
SAMPLES = 200
SHOWN = 0.1  # share of a cell that is sheet from which its pressure is told
TORQUE_STEP = 0.5  # [N m] a proposed torque is rounded to this


@dataclass(frozen=True)
class PressureMap:
    """Median contact pressure after tightening [Pa]; NaN where there is no sheet."""

    cell: float  # [mm]
    left: float
    bottom: float
    pressure: FloatArray  # (rows, columns), lowest row first


@dataclass(frozen=True)
class JointResult:
    joint: Joint
    material: Material
    verdict: str
    headline: str
    rows: tuple[JointRow, ...]  # worst first
    samples: int
    seed: int
    torque: float  # [N m] that was judged
    proposed: bool  # no torque was given: this one is proposed
    torque_low: float  # [N m] least that seals in 19 of 20 samples; infinite: none does
    torque_high: float  # [N m] most that bolt, thread, flange and sheet stand in 19 of 20
    preload: Band  # [N] of a bolt
    proof_share: Band  # preload over proof load
    mean_stress: Band  # [Pa] on the whole sheet after tightening
    least_stress: Band  # [Pa] least local
    most_stress: Band  # [Pa] most local
    squeeze: Band  # at the mean stress
    retained: Band  # share of the stress left in service
    bolt_share: float  # of a pressure's lift that bolts feel; the check takes all off the sheet
    wm1: float  # [N] appendix 2, operating
    wm2: float  # [N] appendix 2, seating
    spacing: tuple[float, float]  # [mm] least and greatest distance of neighbours
    bolting: Bolting
    map: PressureMap
    lands: tuple[Land, ...]
    retorque: Retorque
    sealer: tuple[str, ...]
    notes: tuple[str, ...]


def judge(joint: Joint, *, samples: int = SAMPLES, seed: int = 1) -> JointResult:
    """Verdict on a joint; a choice that cannot work is refused with the reason."""
    joint = checked(joint)
    material = material_of(joint.material)
    listed = check_fluid(material, joint.fluid)
    draws = Draws.of(material, joint, samples, np.random.default_rng(seed))
    start = _start_torque(joint, material)
    local = local_of(joint, material, start)
    rows = rows_of(joint, material, draws, local, start, listed=listed)
    torque = joint.torque if joint.torque is not None else start
    proposed = joint.torque is None and joint.preload is None
    if proposed:
        torque = _proposal(joint, rows, start)
        rows = rows_of(joint, material, draws, local, torque, listed=listed)
    return _result(joint, material, draws, local, rows, torque, proposed, seed)


def _start_torque(joint: Joint, material: Material) -> float:
    """The torque to look at first: given, for the wanted preload, or half of what a bolt takes."""
    size = row_of("bolts", "size", joint.bolt, "bolt")
    state = row_of("joints", "state", joint.state, "state")
    strength = row_of("bolts", "strength", joint.strength, "strength")
    if joint.torque is not None:
        return joint.torque
    diameter, factor = float(size["diameter"]), float(state["nut_factor"])
    wanted = joint.preload
    if wanted is None:
        wanted = 0.4 * float(strength["proof"]) * tension_area(size)
    return float(screw.preload_torque(wanted, diameter, factor))


def window(rows: tuple[JointRow, ...], torque: float) -> tuple[float, float]:
    """Torques between which 19 of 20 samples seal and nothing gives, from rows at ``torque``."""
    low = [
        torque / row.ratio.p05 if row.ratio.p05 > 2.0 * CLIP[0] else math.inf
        for row in rows
        if row.torque_helps is True
    ]
    high = [torque * row.ratio.p05 for row in rows if row.torque_helps is False]
    return max(low, default=0.0), min(high, default=math.inf)


def _proposal(joint: Joint, rows: tuple[JointRow, ...], start: float) -> float:
    """Between the least and the most, on the sheet's side of the middle."""
    low, high = window(rows, start)
    wanted = math.sqrt(max(low, 0.3 * high) * high) if low <= high else high
    return max(TORQUE_STEP, math.floor(wanted / TORQUE_STEP) * TORQUE_STEP)


def _result(
    joint: Joint,
    material: Material,
    draws: Draws,
    local: Local,
    rows: tuple[JointRow, ...],
    torque: float,
    proposed: bool,
    seed: int,
) -> JointResult:
    low, high = window(rows, torque)
    pull = draws.pull(joint, torque, local)
    tight = draws.tight(joint, material, local, torque)
    mean = pull.sum(axis=1) / local.gasket_area * 1e6
    points = [(hole.x, hole.y) for hole in local.bolts]
    middle = np.where(local.grid.gasket > SHOWN, np.median(tight, axis=0) * 1e6, np.nan)
    grid = local.grid
    other = replace(joint, retorque=not joint.retorque)
    retorque = retorque_of(
        joint, material, rows, service_rows(other, material, draws, local, torque)
    )
    verdict = worst(rows)
    spacing = _spacing(points)
    strips = lands(joint.outline)
    inside = tight[:, grid.sealed] * 1e6
    return JointResult(
        joint=joint,
        material=material,
        verdict=verdict.verdict,
        headline=headline(verdict, torque, proposed, samples=draws.samples),
        rows=rows,
        samples=draws.samples,
        seed=seed,
        torque=torque,
        proposed=proposed,
        torque_low=low,
        torque_high=high,
        preload=band(pull),
        proof_share=band(pull / local.proof_load),
        mean_stress=band(mean),
        least_stress=band(inside.min(axis=1)),
        most_stress=band(inside.max(axis=1)),
        squeeze=band(draws.squeezed(material, mean)),
        retained=band(draws.retained(joint, material)),
        bolt_share=local.bolt_share,
        wm1=_wm1(joint, material, local),
        wm2=_wm2(material, local),
        spacing=spacing,
        bolting=bolting(points, torque),
        map=PressureMap(grid.cell, grid.left, grid.bottom, middle),
        lands=strips,
        retorque=retorque,
        sealer=sealer_advice(joint, material),
        notes=notes_of(joint, material, local, rows, strips, (low, high), mean, draws),
    )


def _wm1(joint: Joint, material: Material, local: Local) -> float:
    pressure = max(joint.boost, joint.backfire)
    return float(
        sheet.operating_load(
            local.lift_area * 1e-6, local.seal_length * 1e-3, local.effective * 1e-3,
            material.gasket_factor, pressure,
        )
    )  # fmt: skip


def _wm2(material: Material, local: Local) -> float:
    return float(
        sheet.seating_load(
            local.seal_length * 1e-3, local.effective * 1e-3, material.seating_stress
        )
    )


def _spacing(points: list[tuple[float, float]]) -> tuple[float, float]:
    """Least and greatest distance from a bolt to its nearest neighbour but one side [mm]."""
    nearest: list[float] = []
    for n, here in enumerate(points):
        others = sorted(math.dist(here, there) for m, there in enumerate(points) if m != n)
        nearest += others[:2]
    return min(nearest), max(nearest)


def as_plain(result: JointResult) -> dict[str, Any]:
    """The numbers of a result for JSON: no arrays, SI; the outline stays in its own file."""
    rows = [
        {
            "part": row.part, "quantity": row.quantity, "verdict": row.verdict,
            "p_holds": row.p_holds, "ratio": [row.ratio.p05, row.ratio.p50, row.ratio.p95],
            "why": row.why, "settles": row.settles,
        }
        for row in result.rows
    ]  # fmt: skip
    bands = ("preload", "proof_share", "mean_stress", "least_stress", "most_stress", "squeeze",
             "retained")  # fmt: skip
    numbers = {name: vars(getattr(result, name)) for name in bands}
    return {
        "verdict": result.verdict, "headline": result.headline, "rows": rows,
        "samples": result.samples, "seed": result.seed, "torque": result.torque,
        "proposed": result.proposed,
        "torque_low": result.torque_low if math.isfinite(result.torque_low) else None,
        "torque_high": result.torque_high if math.isfinite(result.torque_high) else None,
        "wm1": result.wm1, "wm2": result.wm2, "bolt_share": result.bolt_share,
        "pattern": result.bolting.pattern,
        "passes": [
            {"name": step.name, "torque": step.torque, "order": [n + 1 for n in step.order]}
            for step in result.bolting.passes
        ],
        "retorque": result.retorque.advice, "sealer": list(result.sealer),
        "notes": list(result.notes), "spacing": [v / 1e3 for v in result.spacing],
        **numbers,
    }  # fmt: skip
