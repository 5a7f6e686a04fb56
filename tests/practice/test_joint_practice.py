"""Common practice, no source: 10 lb ft on a rubber-cork plenum gasket, and other rules."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from itertools import pairwise

import pytest

from keyturn.making import joint as making
from keyturn.making.joint import JointResult
from keyturn.making.joint_given import Joint
from keyturn.making.shape import ClosedPath, Corner, Hole, Outline
from keyturn.report.torque_card import LB_FT

TEN = 10.0 * LB_FT


def judge(joint: Joint) -> JointResult:
    return making.judge(joint, samples=80)


def rectangle(x0: float, y0: float, x1: float, y1: float) -> ClosedPath:
    return ClosedPath((Corner(x0, y0), Corner(x1, y0), Corner(x1, y1), Corner(x0, y1)))


def plenum(hole: float, columns: int = 5) -> Outline:
    """An invented plenum: 420 x 130 mm, lands of 21 mm, bolts 100 mm apart."""
    xs = [10.0 + 400.0 * n / (columns - 1) for n in range(columns)]
    holes = tuple(Hole(x, y, hole) for x in xs for y in (10.0, 120.0))
    return Outline(rectangle(0, 0, 420, 130), holes, (rectangle(21, 21, 399, 109),), thickness=1.5)


@cache
def at_ten(bolt: str, hole: float) -> JointResult:
    """10 lb ft dry on a cast plenum with walls, boost 8 psi."""
    return judge(Joint(
        plenum(hole), "cork-nbr-70", bolt, torque=TEN, boost=55e3, fluid="petrol",
        flange_thickness=10.0, wall_height=50.0, wall_thickness=6.0,
    ))  # fmt: skip


def word(result: JointResult, part: str) -> str:
    return next(row.verdict for row in result.rows if row.part == part)


@pytest.mark.parametrize(("bolt", "hole"), [("M6", 6.6), ("M8", 9.0)])
def test_ten_pound_feet_is_plausible_on_wide_spacing(bolt: str, hole: float) -> None:
    """Nothing is short, the bolts stay below their proof load, the squeeze is a usual one."""
    result = at_ten(bolt, hole)
    assert result.spacing[0] >= 90.0
    assert "short" not in {row.verdict for row in result.rows}
    assert result.proof_share.p50 < 1.0
    assert word(result, "sealing boost") == "holds"
    assert result.material.squeeze_low < result.squeeze.p50 < result.material.squeeze_high


def test_ten_pound_feet_is_too_much_for_small_bolts() -> None:
    result = at_ten("M5", 5.5)
    assert word(result, "bolts") == "short"
    assert result.proof_share.p50 > 1.2
    assert result.verdict == "short"


def test_card_takes_small_steps() -> None:
    passes = at_ten("M8", 9.0).bolting.passes
    assert len(passes) >= 5
    steps = [b.torque - a.torque for a, b in pairwise(passes)]
    assert max(steps[:-1]) <= 3.6
    assert passes[-1].name == "round"
    assert passes[-1].torque == passes[-2].torque == pytest.approx(TEN, abs=0.05)


def test_soft_joint_is_retorqued_once_and_steel_never() -> None:
    soft = at_ten("M6", 6.6)
    assert soft.retorque.advice == "once"
    assert "cold" in soft.retorque.when
    steel = judge(replace(soft.joint, material="coated-steel", thickness=0.25))
    assert steel.retorque.advice == "never"


def test_thin_cover_with_few_bolts_lifts_between_them() -> None:
    """A pressed cover needs closer bolts than a cast plenum."""
    joint = Joint(plenum(6.6, 3), "cork-nbr-70", "M6", torque=6.0, boost=55e3,
                  flange="steel", flange_thickness=3.0)  # fmt: skip
    result = judge(joint)
    assert word(result, "sealing boost") in ("short", "not proven")
    assert any("lifts off" in note for note in result.notes)
    assert result.least_stress.p50 < 0.2 * result.mean_stress.p50


def test_silicone_on_the_faces_lets_the_land_go_sooner() -> None:
    joint = replace(at_ten("M6", 6.6).joint, backfire=300e3)
    dry = next(row for row in judge(joint).rows if row.part == "blow-out")
    wet = next(row for row in judge(replace(joint, sealer="silicone")).rows
               if row.part == "blow-out")  # fmt: skip
    assert wet.ratio.p05 < dry.ratio.p05
    assert wet.ratio.p50 < dry.ratio.p50
