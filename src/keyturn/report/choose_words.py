"""The answer of `choose` in words for the terminal and as plain data, schema keyturn.choose.v1."""

from __future__ import annotations

import math
import textwrap
from typing import Any

from keyturn.evidence.choose import ENOUGH, LITTLE, Choice, ChooseResult, Gain
from keyturn.report.phrases import INVENTED, tidy
from keyturn.report.show import probability, shown
from keyturn.report.svg import clean

SCHEMA = "keyturn.choose.v1"
WIDTH = 92
MOST_ROWS = 6  # of the frontier on a terminal
MOST_GAINS = 5
LONGEST = 165  # characters of names in one line of the answer


def text(result: ChooseResult, width: int = WIDTH, *, full: bool = False) -> str:
    """The answer as plain text, at most 40 lines unless ``full``."""
    lines = [*textwrap.wrap(INVENTED, width), ""] if result.invented else []
    lines += textwrap.wrap(tidy(clean(_said(result))), width)
    lines += textwrap.wrap(f"Judged on {result.basis}.", width)
    lines += ["", f"Cost against the probability that {asked(result)}"]
    rows = result.frontier if full else thinned(result.frontier)
    for row in rows:
        lines += _item(choice_words(row, result, full=full), width)[: None if full else 3]
    if len(rows) < len(result.frontier):
        lines.append(f"  ({len(result.frontier) - len(rows)} more steps with --full)")
    lines += _corrected(result, width)
    lines += _gains(result, width, full=full)
    lines += ["", *(part for words in limits(result) for part in textwrap.wrap(words, width))]
    return "\n".join(clean(line).rstrip() for line in lines)


def asked(result: ChooseResult) -> str:
    """What the probability is of."""
    words = "every part holds at full load"
    if result.power is not None:
        words += f" and {shown(result.power, 'power'):.0f} kW are reached"
    return words


def thinned(rows: tuple[Choice, ...]) -> tuple[Choice, ...]:
    """First, last and the cheapest that reaches enough always; the others evenly."""
    if len(rows) <= MOST_ROWS:
        return rows
    enough = next((n for n, row in enumerate(rows) if row.p >= ENOUGH), len(rows) - 1)
    last = len(rows) - 1
    even = [round(n * last / (MOST_ROWS - 2)) for n in range(MOST_ROWS - 1)]
    return tuple(rows[n] for n in sorted({*even, enough}))


def choice_words(row: Choice, result: ChooseResult, *, full: bool = False) -> str:
    """One set in a line or two; long names are cut unless ``full``."""
    head = f"{row.price:.0f}, {row.hours:.1f} h, {probability(row.p, result.samples)}"
    if not math.isnan(row.p_power):
        head += (
            f" (holds {probability(row.p_holds, result.samples)}, "
            f"power {probability(row.p_power, result.samples)})"
        )
    tail = ""
    if row.p >= ENOUGH and row.verdict != "holds":
        tail = f"; but {row.limiting} is {row.verdict}: measure first"
    names = " + ".join(row.options) or "nothing bought"
    room = max(20, LONGEST - len(head) - len(tail))
    return f"{head}: {names if full else _short(names, room)}{tail}"


def _said(result: ChooseResult) -> str:
    """The sentence; names that would fill the screen are cut, what follows them is not."""
    head, but, tail = result.sentence.partition(" But its ")
    return _short(head, LONGEST) + but + tail


def _short(words: str, most: int) -> str:
    return words if len(words) <= most else words[: most - 1] + "…"


def _item(words: str, width: int) -> list[str]:
    return textwrap.wrap(
        clean(words), width, initial_indent="  ", subsequent_indent="      ",
        break_on_hyphens=False,
    )  # fmt: skip


def _corrected(result: ChooseResult, width: int) -> list[str]:
    if result.corrected is None:
        return []
    before = probability(result.as_it_is.p, result.samples)
    after = probability(result.corrected.p, result.samples)
    words = (
        f"Free: leave the pressure and tell the control unit the real one ({before} -> {after}); "
        "assumes that it is read with a gauge good to 2 % and that the injectors are as rated."
    )
    return ["", *textwrap.wrap(words, width)]


def _gains(result: ChooseResult, width: int, *, full: bool) -> list[str]:
    idle = [row for row in result.gains if row.useless and not row.free]
    if not idle:
        return []
    head = "Buys near nothing here (adds less than 1 % to every combination above)"
    lines = ["", head]
    for row in idle if full else idle[:MOST_GAINS]:
        lines += _item(gain_words(row), width)
    if len(idle) > MOST_GAINS and not full:
        lines.append(f"  ({len(idle) - MOST_GAINS} more with --full)")
    return lines


def gain_words(row: Gain) -> str:
    """What an option buys."""
    if math.isnan(row.most):
        return f"{_short(row.option, 50)} ({row.price:.0f}): goes with none of them"
    if row.most < -LITTLE:
        return (
            f"{_short(row.option, 50)} ({row.price:.0f}): makes it less likely, by "
            f"{-100 * row.most:.0f} % at the least"
        )
    return f"{_short(row.option, 50)} ({row.price:.0f})"


def limits(result: ChooseResult) -> list[str]:
    """What the answer does not cover, and how far its numbers can be trusted."""
    lines = []
    if result.bounded:
        lines.append(
            f"There are more combinations: only the cheapest {result.considered} were judged."
        )
    if result.refused:
        names, why = result.refused[0]
        words = (
            f"{len(result.refused)} combinations could not be judged and count as not "
            f"holding, such as {' + '.join(names)}: {clean(why)}"
        )
        lines.append(_short(words, 2 * WIDTH))
    seen = math.ceil(100 * 1.96 * math.sqrt(0.25 / result.samples))
    lines.append(
        f"{result.considered} combinations, {result.samples} samples, seed {result.seed}; "
        f"a probability carries a sampling error of up to {seen} %."
    )
    return lines


def to_json(result: ChooseResult) -> dict[str, Any]:
    """Plain data of the whole answer."""
    return {
        "schema": SCHEMA,
        "name": clean(result.name),
        "invented": result.invented,
        "sentence": clean(result.sentence),
        "basis": result.basis,
        "power": result.power,
        "threshold": ENOUGH,
        "as_it_is": _choice(result.as_it_is),
        "frontier": [_choice(row) for row in result.frontier],
        "cheapest": None if result.cheapest is None else _choice(result.cheapest),
        "corrected": None if result.corrected is None else _choice(result.corrected),
        "options": [
            {
                "name": clean(row.option),
                "price": row.price,
                "gain": _known(row.most),
                "useless": row.useless,
                "free": row.free,
            }
            for row in result.gains
        ],
        "considered": result.considered,
        "bounded": result.bounded,
        "refused": [
            {"options": [clean(name) for name in names], "why": clean(why)}
            for names, why in result.refused
        ],
        "samples": result.samples,
        "seed": result.seed,
        "seconds": result.seconds,
    }


def _choice(row: Choice) -> dict[str, Any]:
    return {
        "options": [clean(name) for name in row.options],
        "price": row.price,
        "hours": row.hours,
        "p": row.p,
        "p_holds": row.p_holds,
        "p_power": _known(row.p_power),
        "verdict": row.verdict,
        "limiting": row.limiting,
    }


def _known(value: float) -> float | None:
    return None if math.isnan(value) else value
