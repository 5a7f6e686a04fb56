"""Torque card: bolts numbered where they are, passes in both unit systems, when to tighten again.

Drawn to be laid beside the job: on paper two sheets, on a phone as wide as the screen.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from keyturn.making.joint import JointResult
from keyturn.making.shape import ClosedPath, flattened
from keyturn.report.headroom_figure import LOOK
from keyturn.report.show import both_pressures, number, probability
from keyturn.report.svg import LINE, SMALL, TEXT, THICK, THIN, Drawing, clean, points, wrap
from keyturn.report.typeset import sheet

LB_FT = 0.3048 * 4.4482216152605  # N m, by definition
LB_IN = LB_FT / 12.0
GAP = 16.0
Part = Callable[[Drawing, JointResult, float], float]
NOTICE = 70.0  # room that the words on a missing torque take from the picture
RADIUS = 10.5  # of the ring around a bolt's number
NO_TORQUE = (
    "In 19 of 20 samples what seals is more than bolt, thread, flange or sheet stand. A softer or"
    " thicker sheet, a stiffer flange, more bolts or larger ones; then reckon again."
)
OTHER_TORQUE = "What is short stands above; the torques between which the joint holds stand below."
CAUTIONS = (
    "Engine cold, fuel pressure let off, battery off where wires are near. Eye protection on.",
    "Stop at once when a bolt turns on without getting tighter: the thread is stripping.",
    "First run under pressure: stand clear, second person and extinguisher near, soap every edge.",
    "This is a calculation from what was typed, not an inspection. The maker's figures come first.",
)


def torque_card(result: JointResult, width: float = 720.0, *, inline: bool = False) -> str:
    """The whole card as SVG, ``width`` units wide."""
    return _drawn(result, (*JOB, *WHY), width, inline=inline)


def card_pdf(result: JointResult) -> bytes:
    """The card on two A4 sheets: what the job needs, and what it rests on."""
    return sheet("drawings", [_drawn(result, part) for part in (JOB, WHY)])


def _drawn(
    result: JointResult, parts: Sequence[Part], width: float = 720.0, *, inline: bool = False
) -> str:
    numbered = place_of(result.bolting.order)
    about = f"{result.headline} Order: {_listed(range(len(numbered)))} as numbered."
    d = Drawing(f"torque{width:.0f}", width, f"Torque card, {result.joint.outline.name}", about,
                inline=inline)  # fmt: skip
    y = _head(d, result)
    for part in parts:
        y = part(d, result, y + GAP)
    d.height = _foot(d, result, y + GAP)
    return d.render()


def place_of(order: Sequence[int]) -> dict[int, int]:
    """Bolt of the outline -> its number on the card, 1 is tightened first."""
    return {bolt: n for n, bolt in enumerate(order, 1)}


def in_pounds(torque: float) -> tuple[str, str]:
    """A torque [N m] in lb ft and lb in, as a wrench is read."""
    return f"{torque / LB_FT:.1f}", f"{torque / LB_IN:.0f}"


def _listed(numbers: Sequence[int]) -> str:
    return " ".join(str(n) for n in numbers)


def _head(d: Drawing, result: JointResult) -> float:
    """Title block: what it is for, and lines to be written on by hand."""
    joint = result.joint
    d.text(0, 16, "TORQUE CARD", 15.0, bold=True)
    y = 20.0
    for line in wrap(clean(joint.outline.name), d.width, 13.0):
        y += 15
        d.text(0, y, line, 13.0)
    engagement = f"{joint.engagement:.1f} mm in {joint.thread}"
    said = (
        f"{result.material.label}, {joint.thickness:g} mm | {len(result.bolting.order)} x"
        f" {joint.bolt} {joint.strength}, {engagement}, {joint.state}"
        f"{', washers' if joint.washer else ', no washers'} | {joint.flange} flange"
        f" {joint.flange_thickness:g} mm | boost {both_pressures(joint.boost)}, backfire"
        f" {both_pressures(joint.backfire) if joint.backfire else 'not looked at'} |"
        f" {joint.fluid}, {joint.temperature - 273.15:.0f} °C"
    )
    for line in wrap(said, d.width, SMALL):
        y += 14
        d.text(0, y, line, SMALL)
    y += 24
    half = d.width / 2
    for x, words in ((0.0, "Done by"), (half, "Date")):
        d.text(x, y, words, SMALL, colour="quiet")
        d.line(x + 50, y + 2, x + half - 12, y + 2, "quiet", THIN)
    d.line(0, y + 10, d.width, y + 10, width=THICK)
    return y + 10


def _verdict(d: Drawing, result: JointResult, y: float) -> float:
    token = LOOK[result.verdict][0] if result.verdict != "not proven" else "ink"
    dash = "2 3" if result.verdict == "not proven" else None
    box = 16.0 + 9.0 * len(result.verdict)
    d.path(points(((0, y), (box, y), (box, y + 24), (0, y + 24)), close=True), token,
           THICK if result.verdict == "short" else LINE, dash=dash)  # fmt: skip
    if result.verdict == "tight":
        d.box(3, y + 3, box - 6, 18, stroke=token)
    d.text(box / 2, y + 17, result.verdict, 13.0, anchor="middle", colour=token, bold=True)
    y += 24
    for line in wrap(result.headline, d.width):
        y += 16
        d.text(0, y, line)
    return y


def _picture(d: Drawing, result: JointResult, y: float) -> float:
    """The part to scale, seen on the drawn face, each bolt with its number in a ring."""
    numbered = place_of(result.bolting.order)
    outline = result.joint.outline
    outer = flattened(outline.outer, 0.1)
    xs, ys = [p[0] for p in outer], [p[1] for p in outer]
    wide, high = max(xs) - min(xs), max(ys) - min(ys)
    room = d.width - 2 * RADIUS
    tall = (460.0 if d.width >= 600 else 380.0) - (NOTICE if _neither(result) else 0.0)
    scale = min(room / wide, tall / high)
    left = (d.width - wide * scale) / 2

    def at(x: float, v: float) -> tuple[float, float]:
        return left + (x - min(xs)) * scale, y + RADIUS + (max(ys) - v) * scale

    def drawn(path: ClosedPath) -> str:
        return points((at(*p) for p in flattened(path, 0.1)), close=True)

    d.path(drawn(outline.outer), width=LINE, fill="quiet", opacity=0.12)
    for port in outline.ports:
        d.path(drawn(port), width=LINE, fill="paper")
    bolts = [hole for hole in outline.holes if hole.role == "bolt"]
    spots = _clear([at(hole.x, hole.y) for hole in bolts], d.width)
    for hole in outline.holes:
        if hole.role != "bolt":
            d.ring(*at(hole.x, hole.y), max(hole.diameter / 2 * scale, 2.0), "quiet")
    for n, (hole, spot) in enumerate(zip(bolts, spots, strict=True)):
        x, v = at(hole.x, hole.y)
        if math.dist(spot, (x, v)) > 1.0:
            d.line(x, v, *spot, "ink", THIN)
            d.ring(x, v, 2.5)
        first = numbered[n] == 1
        d.ring(*spot, RADIUS, "ink", "ink" if first else "paper")
        d.text(spot[0], spot[1] + 4, str(numbered[n]), TEXT, anchor="middle",
               colour="paper" if first else "ink", bold=True)  # fmt: skip
    bottom = y + 2 * RADIUS + high * scale + 16
    words = f"Seen on the {outline.side} face; numbers are the order, from {_start(result)}."
    for line in wrap(words, d.width, SMALL):
        d.text(0, bottom, line, SMALL)
        bottom += 13
    return bottom - 13


def _start(result: JointResult) -> str:
    if result.bolting.pattern == "cross":
        return "side to side across the middle (cross)"
    return "the middle outwards (spiral)"


def _clear(spots: list[tuple[float, float]], width: float) -> list[tuple[float, float]]:
    """Rings pushed apart until none covers another; small gaskets on a phone need it."""
    least = 2 * RADIUS + 2
    moved = [list(spot) for spot in spots]
    for _ in range(60):
        touching = False
        for a in range(len(moved)):
            for b in range(a):
                gap = math.dist(moved[a], moved[b])
                if gap >= least:
                    continue
                touching = True
                push = (least - gap) / 2 + 0.2
                along = [(p - q) / gap if gap else 1.0 for p, q in
                         zip(moved[a], moved[b], strict=True)]  # fmt: skip
                for axis in (0, 1):
                    moved[a][axis] += push * along[axis]
                    moved[b][axis] -= push * along[axis]
        for spot in moved:
            spot[0] = min(max(spot[0], RADIUS + 1), width - RADIUS - 1)
        if not touching:
            break
    return [(x, y) for x, y in moved]


def _tightening(d: Drawing, result: JointResult, y: float) -> float:
    """The passes; none for a joint that is short: a torque that does not do is no instruction."""
    neither = _neither(result)
    if neither:
        y = _list(d, "No torque does both", (NO_TORQUE,), y)
    if result.verdict != "short":
        y = _passes(d, result, y + (GAP if neither else 0.0))
    elif not neither:
        y = _list(d, f"Not to be tightened to {result.torque:.1f} N m", (OTHER_TORQUE,), y)
    y += 24
    for line in wrap(_window(result), d.width, SMALL):
        d.text(0, y, line, SMALL)
        y += 14
    return y - 14


def _neither(result: JointResult) -> bool:
    """No torque both seals and is borne."""
    return result.torque_low > result.torque_high


def _passes(d: Drawing, result: JointResult, y: float) -> float:
    """One line a pass, a box to tick, the order below it where it is not 1, 2, 3."""
    numbered = place_of(result.bolting.order)
    wide = d.width >= 600
    columns = (28.0, 150.0, 240.0, 330.0) if wide else (26.0, 142.0, 210.0, 282.0)
    heads = ("Pass", "N m", "lb ft", "lb in")
    d.text(0, y + 12, "Snug every bolt by hand first. Then:", bold=True)
    y += 30
    for x, words in zip(columns, heads, strict=True):
        d.text(x, y, words, SMALL, colour="quiet")
    for step in result.bolting.passes:
        y += 8
        d.line(0, y, d.width, y, "quiet", THIN)
        y += 17
        d.box(2, y - 12, 14, 14, stroke="ink", line=LINE)
        last = step.name == "round"
        cells = ("round" if last else step.name.removeprefix("pass "), number_of(step.torque),
                 *in_pounds(step.torque))  # fmt: skip
        for x, words in zip(columns, cells, strict=True):
            d.text(x, y, words, 13.0, bold=True)
        order = [numbered[bolt] for bolt in step.order]
        if last or order != sorted(order):
            words = f"clockwise, until no bolt moves: {_listed(order)}"
            room = d.width - (400.0 if wide else 26.0)
            for n, line in enumerate(wrap(words, room, SMALL)):
                y += 0 if wide and n == 0 else 15
                d.text(400.0 if wide else 26.0, y, line, SMALL)
    d.line(0, y + 8, d.width, y + 8, "quiet", THIN)
    return y


def number_of(torque: float) -> str:
    """A torque as a wrench is set."""
    return f"{torque:.1f}"


def _percent(share: float) -> str:
    return f"{share * 100.0:.0f} %"


def _window(result: JointResult) -> str:
    """Between which torques it seals and nothing gives."""
    low, high = result.torque_low, result.torque_high
    least = f"for at least {low:.1f} N m ({in_pounds(low)[0]} lb ft)"
    if not math.isfinite(low):
        least = "for more than any torque gives"
    elif low <= 0.0:
        least = "for nothing that was stated"
    most = f"{high:.1f} N m ({in_pounds(high)[0]} lb ft)" if math.isfinite(high) else "not known"
    return (
        f"The seal asks {least}; bolt, thread, flange and sheet stand up to {most};"
        f" each in 19 of 20 samples. Preload about {number(result.preload.p50 / 1e3)} kN,"
        f" {_percent(result.proof_share.p50)} of the proof load. Friction lets it spread from"
        f" {number(result.preload.p05 / 1e3)} to {number(result.preload.p95 / 1e3)} kN."
    )


def _advice(d: Drawing, result: JointResult, y: float) -> float:
    lines = [f"Threads {result.joint.state}: the torque counts for this state only. Oil on threads"
             " meant dry overloads the bolt.", *result.sealer]  # fmt: skip
    y = _list(d, "Threads, sealer, adhesive", lines, y)
    retorque = result.retorque
    said = [retorque.when]
    if retorque.advice != "never" and not math.isnan(retorque.without):
        said.append(
            f"It seals with a probability of {probability(retorque.without, result.samples)}"
            f" without, {probability(retorque.with_it, result.samples)} with it; about"
            f" {_percent(result.retained.p50)} of the pressure is left as reckoned"
            f" ({'with' if result.joint.retorque else 'without'} it)."
        )
    said += [retorque.never] if retorque.never not in said else []
    return _list(d, "Retorque", said, y + GAP)


def _parts(d: Drawing, result: JointResult, y: float) -> float:
    """Each part with its verdict, ratio and probability."""
    d.text(0, y + 12, "What was looked at", bold=True)
    right = d.width
    wide = d.width >= 600
    d.text(right, y + 12, "probability", SMALL, anchor="end", colour="quiet")
    d.text(right - 90, y + 12, "can / must", SMALL, anchor="end", colour="quiet")
    y += 14
    for row in result.rows:
        y += 16
        token = LOOK[row.verdict][0] if row.verdict != "not proven" else "ink"
        d.text(0, y, row.part, SMALL, bold=True)
        if not wide:
            y += 14
        d.text(150.0 if wide else 12.0, y, row.verdict, SMALL, colour=token)
        d.text(right - 90, y, number(row.ratio.p50, 2), SMALL, anchor="end")
        d.text(right, y, probability(row.p_holds, result.samples), SMALL, anchor="end")
    asked = next((row for row in result.rows if row.settles), None)
    if asked is not None:
        y += 6
        for line in wrap(f"Would settle {asked.part}: {asked.settles}.", d.width, SMALL):
            y += 14
            d.text(0, y, line, SMALL)
    return y


def _list(d: Drawing, title: str, items: Sequence[str], y: float) -> float:
    d.text(0, y + 12, title, bold=True)
    y += 14
    for item in items:
        for n, line in enumerate(wrap(item, d.width - 14, SMALL)):
            y += 15 if n == 0 else 13
            if n == 0:
                d.text(0, y, "–", SMALL)
            d.text(14, y, line, SMALL)
    return y


def _cautions(d: Drawing, result: JointResult, y: float) -> float:
    del result
    return _list(d, "Cautions", CAUTIONS, y)


def _assumed(d: Drawing, result: JointResult, y: float) -> float:
    return _list(d, "Assumed", result.notes, y)


def _foot(d: Drawing, result: JointResult, y: float) -> float:
    d.line(0, y, d.width, y, width=LINE)
    words = (
        f"keyturn | {result.samples} samples, seed {result.seed} | sheet: {result.material.grade},"
        f" {result.material.source}"
    )
    for line in wrap(words, d.width, SMALL):
        y += 14
        d.text(0, y, line, SMALL, colour="quiet")
    return y + 10


# what lies beside the job, and what it rests on
JOB: tuple[Part, ...] = (_verdict, _picture, _tightening, _cautions)
WHY: tuple[Part, ...] = (_advice, _parts, _assumed)
