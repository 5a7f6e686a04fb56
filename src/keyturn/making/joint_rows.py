"""What each part of a joint must stand and can stand, over samples; the verdict on each."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from keyturn.build.schema import read_data
from keyturn.making.joint_draws import Draws
from keyturn.making.joint_given import Joint
from keyturn.making.joint_local import Local
from keyturn.making.joint_tables import Material, bedding, row_of
from keyturn.making.plate import weakest_path
from keyturn.physics import gasket as sheet
from keyturn.physics import joint as screw
from keyturn.system.result import VERDICTS, Band
from keyturn.system.thresholds import limit
from keyturn.system.verdict import WEAK, band

FloatArray = NDArray[np.float64]
ROOM = 293.15  # [K]
CLIP = (0.01, 100.0)  # ratios beyond say no more
SLIPPERY = {"silicone": 0.4, "grease": 0.3}  # share of the dry friction left; engineering judgement

# what would settle a value that is badly known
SETTLES = {
    "seating": "the seating stress from the maker of the sheet",
    "creep": "one heat cycle on an offcut between two plates: tighten again cold and note how far"
    " each bolt turns at the same torque",
    "crush": "an offcut squeezed between two plates in a vice: thickness before, under load, after",
    "squeeze": "an offcut squeezed to a known load: its thickness then",
    "friction": "whether the faces are dry, clean and free of grease",
    "nut factor": "clean threads in one stated state, oiled alike, tightened with one wrench",
    "thread": "the alloy of the tapped part, and the depth of full thread",
    "bearing": "the alloy of the flange",
    "temperature": "the temperature of the flange after a heat soak",
    "pressure": "the boost that a gauge shows",
}


@dataclass(frozen=True)
class JointRow:
    """One part: what it must stand, what it can; the fields as in the answer of `check`."""

    part: str
    quantity: str
    need: Band
    has: Band
    unit: str  # glossary quantity
    ratio: Band
    p_holds: float
    verdict: str
    why: str
    settles: str | None
    torque_helps: bool | None  # more torque makes it better, worse, or changes nothing


def rows_of(
    joint: Joint,
    material: Material,
    draws: Draws,
    local: Local,
    torque: float,
    *,
    listed: bool,
) -> tuple[JointRow, ...]:
    """Every part at one torque, worst first."""
    pull = draws.pull(joint, torque, local)
    tight = draws.tight(joint, material, local, torque)
    rows = _metal(joint, draws, local, pull, draws.retained(joint, material))
    rows.append(_crush(material, draws, local, tight))
    stress, leans = bedding(material)
    need = stress * 1e-6 * draws.factor(leans)
    ratio = weakest_path(local.grid, np.clip(tight / need[:, None, None], *CLIP))
    rows.append(_row(
        "seating", "contact stress on the weakest way out, after tightening", need * 1e6,
        need * ratio * 1e6, "gasket_stress", draws, tuple(dict.fromkeys((leans, "squeeze"))), True,
    ))  # fmt: skip
    rows += service_rows(joint, material, draws, local, torque)
    rows.append(_heat(joint, material, draws))
    if not listed:
        rows.append(_unlisted(joint, material))
    return tuple(sorted(rows, key=_rank))


def service_rows(
    joint: Joint, material: Material, draws: Draws, local: Local, torque: float
) -> list[JointRow]:
    """What is sealed with the stress that creep has left."""
    if max(joint.boost, joint.backfire) <= 0.0:
        return [_nothing_to_seal()]
    tight = draws.tight(joint, material, local, torque)
    left = tight * draws.retained(joint, material)[:, None, None]
    lift = draws.lift(joint, material, local, torque)
    rows = [
        _sealing(name, pressure, material, draws, local, left, lift)
        for name, pressure in (("boost", joint.boost), ("backfire", joint.backfire))
        if pressure > 0.0
    ]
    return [*rows, _blow_out(joint, material, draws, local, left, lift)]


def _rank(row: JointRow) -> tuple[int, float, float]:
    chance, ratio = (-1.0 if np.isnan(v) else v for v in (row.p_holds, row.ratio.p50))
    return -VERDICTS.index(row.verdict), chance, ratio  # what is not known before what is


def worst(rows: tuple[JointRow, ...]) -> JointRow:
    """The row that decides."""
    return min(rows, key=_rank)


def _metal(
    joint: Joint, draws: Draws, local: Local, pull: FloatArray, left: FloatArray
) -> list[JointRow]:
    """Bolt, thread and face under the head.

    Beyond its proof load a bolt stretches for good, which any one of them should not; thread,
    face and breaking load count for the one that friction lets be pulled most.
    """
    size = row_of("bolts", "size", joint.bolt, "bolt")
    thread = row_of("joints", "thread", joint.thread, "thread")
    flange = row_of("joints", "flange", joint.flange, "flange")
    peak = max(joint.boost, joint.backfire) * 1e-6
    added = local.bolt_share * peak * local.lift_area / len(local.bolts)
    # creep has let go of part of the pull before a pressure adds to it
    worked = np.maximum(pull, pull * left[:, None] + added)
    any_one, most = worked[:, 0], worked.max(axis=1)
    area = screw.tapped_shear_area(
        float(size["diameter"]), float(size["pitch"]), (joint.engagement or 0.0) * 1e-3
    )
    strips = screw.strip_load(
        area, float(thread["tensile"]) * draws.factor("thread"), float(thread["shear_ratio"])
    )
    hole = max(bolt.diameter for bolt in local.bolts) * 1e-3
    head = float(size["washer" if joint.washer else "bearing"])
    under = np.asarray(screw.bearing_stress(most, head, hole))
    proof = np.full(draws.samples, local.proof_load)
    limit_under = float(flange["bearing_limit"]) * draws.factor("bearing")
    return [
        _row("bolts", "preload of any one bolt against its proof load", any_one, proof,
             "preload", draws, ("nut factor",), False),
        _row("bolt breaking", "preload of the most loaded bolt against its breaking load", most,
             proof * local.break_over_proof, "preload", draws, ("nut factor",), False),
        _row("threads", f"preload against stripping {joint.thread}", most, np.asarray(strips),
             "preload", draws, ("thread", "nut factor"), False),
        _row("flange face", "pressure under head or washer", under, limit_under,
             "gasket_stress", draws, ("bearing", "nut factor"), False),
    ]  # fmt: skip


def _crush(material: Material, draws: Draws, local: Local, tight: FloatArray) -> JointRow:
    peak = tight[:, local.grid.sealed].max(axis=1) * 1e6
    stands = material.crush_stress * draws.factor("crush")
    return _row("crush", "greatest contact stress, under the bolts", peak, stands,
                "gasket_stress", draws, ("crush", "squeeze"), False)  # fmt: skip


def _sealing(
    name: str,
    pressure: float,
    material: Material,
    draws: Draws,
    local: Local,
    left: FloatArray,
    lift: FloatArray,
) -> JointRow:
    """Bolt load over the bolt load at which the weakest way out just opens.

    Every cell on the way needs m p and what the pressure lifts off it.
    """
    p = pressure * 1e-6 * draws.factor("pressure")[:, None, None]
    factor = material.gasket_factor * draws.factor("seating")[:, None, None]
    needed = np.maximum(p * (factor + lift), 1e-9)
    ratio = weakest_path(local.grid, np.clip(left / needed, *CLIP))
    need = (p * factor)[:, 0, 0] * 1e6
    return _row(f"sealing {name}", "contact stress left on the weakest way out, after creep",
                need, need * ratio, "gasket_stress", draws,
                ("creep", "seating", "squeeze", "pressure"), True)  # fmt: skip


def _blow_out(
    joint: Joint,
    material: Material,
    draws: Draws,
    local: Local,
    left: FloatArray,
    lift: FloatArray,
) -> JointRow:
    """Friction of the land against the pressure on its edge, at the worst stretch.

    The sheet hangs together: stations over one width of land carry each other.
    """
    from scipy.ndimage import uniform_filter1d

    p = max(joint.boost, joint.backfire) * 1e-6 * draws.factor("pressure")[:, None]
    friction = material.friction * SLIPPERY.get(joint.sealer, 1.0) * draws.factor("friction")
    width, row, column = (np.array(values) for values in zip(*local.stations, strict=True))
    holds = sheet.blow_out_pressure(1.0, width[None, :], joint.thickness or 0.0, friction[:, None])
    needed = p / np.asarray(holds) + p * lift[:, row, column]
    stretch = [uniform_filter1d(v, local.bridge, axis=1, mode="wrap")
               for v in (left[:, row, column], needed)]  # fmt: skip
    ratio = np.clip(stretch[0] / np.maximum(stretch[1], 1e-9), *CLIP).min(axis=1)
    return _row("blow-out", "friction of the thinnest or least pressed land against the pressure"
                " on its edge", p[:, 0] * 1e6, p[:, 0] * 1e6 * ratio, "sealed_pressure", draws,
                ("friction", "creep", "pressure"), True)  # fmt: skip


def _heat(joint: Joint, material: Material, draws: Draws) -> JointRow:
    spread = float(read_data("grades.toml")["absolute"]["temperature"][draws.grade["temperature"]])
    stands = material.temperature_max + spread * draws.deviate["temperature"]
    need = np.full(draws.samples, joint.temperature)
    rise = max(joint.temperature - ROOM, 1.0)
    ratio = np.clip((stands - ROOM) / rise, *CLIP)
    return _row("temperature", "flange temperature against that of the sheet", need, stands,
                "temperature", draws, ("temperature",), None, ratio=ratio)  # fmt: skip


def _unlisted(joint: Joint, material: Material) -> JointRow:
    unknown = Band(float("nan"), float("nan"), float("nan"))
    return JointRow(
        "fluid", f"whether {joint.fluid} harms the sheet", unknown, unknown, "ratio", unknown,
        float("nan"), "not proven", f"has no entry for {material.label} in {joint.fluid}",
        "an offcut left in the fluid for a week: thickness, weight and hardness after", None,
    )  # fmt: skip


def _nothing_to_seal() -> JointRow:
    unknown = Band(float("nan"), float("nan"), float("nan"))
    return JointRow(
        "sealing", "contact stress left against the pressure", unknown, unknown, "sealed_pressure",
        unknown, float("nan"), "not proven", "has no pressure stated that it must seal",
        "the boost that a gauge shows, or the pressure of a backfire", None,
    )  # fmt: skip


def _row(
    part: str,
    quantity: str,
    need: FloatArray,
    has: FloatArray,
    unit: str,
    draws: Draws,
    leans: tuple[str, ...],
    torque_helps: bool | None,
    *,
    ratio: FloatArray | None = None,
) -> JointRow:
    """Verdict word by the rule of the house: never better than its evidence."""
    ratio = has / need if ratio is None else ratio
    spread = band(ratio)
    p_holds = float(np.mean(ratio >= 1.0))
    telling = _telling(ratio, draws, leans)
    weak = any(draws.grade[name] in WEAK for share, name in telling if share > 0.05)
    word = _word(p_holds, spread, weak=weak)
    if word == "holds" and ratio.size < limit("verdict", "least_draws"):
        word = "not proven"
    times = f"{spread.p50:.2f} times what it must (from {spread.p05:.2f} to {spread.p95:.2f})"
    leading = telling[0][1] if telling else leans[0]
    grade = draws.grade[leading]
    why = {
        "not proven": f"can do {times}; the spread comes mostly from {leading} ({grade})",
        "short": f"can do only {times}",
    }.get(word, f"can do {times}")
    settles = SETTLES[leading] if word == "not proven" else None
    return JointRow(
        part, quantity, band(need), band(has), unit, spread, p_holds, word, why, settles,
        torque_helps,
    )  # fmt: skip


def _telling(ratio: FloatArray, draws: Draws, leans: tuple[str, ...]) -> list[tuple[float, str]]:
    """Share of the spread that each value explains (squared correlation), largest first."""
    rank = np.log(np.maximum(ratio, 1e-9))
    if float(np.ptp(rank)) < 1e-9:
        return []
    shares = [(float(np.corrcoef(rank, draws.deviate[name])[0, 1] ** 2), name) for name in leans]
    return sorted(shares, reverse=True)


def _word(p_holds: float, ratio: Band, *, weak: bool) -> str:
    if p_holds >= limit("verdict", "holds"):
        wide = p_holds == 1.0 and ratio.p05 >= limit("verdict", "weak_margin")
        return "not proven" if weak and not wide else "holds"
    if p_holds <= limit("verdict", "short") and ratio.p50 < 1.0:
        return "not proven" if weak and ratio.p95 >= 1.0 else "short"
    if weak:
        return "not proven"
    return "tight" if ratio.p50 >= 1.0 else "short"
