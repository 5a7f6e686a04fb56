"""The answer of `find` in words for the terminal and as plain data, schema keyturn.find.v1."""

from __future__ import annotations

import math
import textwrap
from dataclasses import asdict
from typing import Any

from keyturn.evidence.result import (
    Act,
    FindResult,
    MovedPrior,
    NextTest,
    Outcome,
    Quantity,
    Speaks,
    Verdict,
)
from keyturn.glossary import unit_of
from keyturn.report.phrases import INVENTED, tidy
from keyturn.report.show import number, probability, shown
from keyturn.report.svg import clean
from keyturn.report.tables import amount
from keyturn.system.result import Band

SCHEMA = "keyturn.find.v1"
WIDTH = 92
SAMPLES = 2000  # what a probability is said from
SHORT = 0.02  # causes below this are in the full answer only
TESTS = 3


def text(result: FindResult, width: int = WIDTH, *, full: bool = False) -> str:
    """The answer as plain text."""
    lines = [*textwrap.wrap(INVENTED, width), ""] if result.invented else []
    lines += textwrap.wrap(tidy(result.sentence), width)
    lines += _trust(result, width) + _causes(result, width, full=full)
    lines += ["", "What the readings say (5…95 %, in brackets before them)"]
    lines += [f"  {quantity_words(row)}" for row in result.quantities]
    lines += _verdicts(result, width) + _next(result, width, full=full)
    lines += ["", f"{result.readings} readings, seed {result.seed}"]
    return "\n".join(clean(line).rstrip() for line in lines)


def _item(words: str, width: int, indent: int = 2) -> list[str]:
    pad = " " * indent
    return textwrap.wrap(
        words, width, initial_indent=f"{pad}- ", subsequent_indent=f"{pad}  ",
        break_on_hyphens=False,
    )  # fmt: skip


def _trust(result: FindResult, width: int) -> list[str]:
    lines = []
    for row in result.trust.contradictions:
        said = value_words(row.value, row.quantity)
        lines += textwrap.wrap(
            f"Does not fit the others: {kind_words(row.kind, row.state)}, {said} "
            f"({probability(row.chance, SAMPLES)} a slip). Read it again.",
            width,
        )
    for words in result.trust.silent:
        lines += textwrap.wrap(f"Not used: {words}.", width)
    for words in result.notes:
        lines += textwrap.wrap(f"{words[:1].upper()}{words[1:]}.", width)
    for moved in result.moved:
        lines += textwrap.wrap(f"{moved_words(moved)}.", width)
    return lines


def moved_words(row: MovedPrior) -> str:
    """A prior that the user has moved."""
    why = f": {row.reason}" if row.reason else ""
    if row.moves == "spread":
        return f"Spread of the fault {row.name} taken {row.value:g} times ({row.where}){why}"
    usual = probability(row.usual, SAMPLES)
    return (
        f"Prior of {row.name} moved to {probability(row.value, SAMPLES)} from {usual} "
        f"({row.where}){why}"
    )


def _causes(result: FindResult, width: int, *, full: bool) -> list[str]:
    lines = ["", "Causes (before the readings in brackets)"]
    for row in result.causes:
        if row.p < SHORT and not full:
            continue
        share = probability(row.p, SAMPLES)
        lines.append(f"  {share:>5}  {row.words} ({probability(row.prior, SAMPLES)})")
        for name, spoken in (("for", row.speaks_for), ("against", row.speaks_against)):
            for line in spoken:
                lines += _item(f"{name}: {speaks_words(line)}", width, 9)
    return lines


def _verdicts(result: FindResult, width: int) -> list[str]:
    lines = ["", "Will it hold? Before the readings, and with them"]
    lines += _item(f"before: {tidy(result.verdict_before.sentence)}", width)
    lines += _item(f"with them: {tidy(result.verdict_after.sentence)}", width)
    lines += [f"    {words}" for words in changed(result.verdict_before, result.verdict_after)]
    return lines


def changed(before: Verdict, after: Verdict) -> list[str]:
    """Parts whose word the readings changed."""
    old = {row.part: row for row in before.parts}
    return [
        f"{row.part}: {old[row.part].verdict} -> {row.verdict}"
        for row in after.parts
        if row.part in old and old[row.part].verdict != row.verdict
    ]


def _next(result: FindResult, width: int, *, full: bool) -> list[str]:
    lines = ["", act_words(result.act)] if result.act is not None else []
    if not result.next:
        return lines
    head = "Test next"
    if result.next[0].net <= 0.0:
        head = "No test is expected to save more than it takes; the nearest to it"
    lines += ["", head]
    for row in result.next if full else result.next[:TESTS]:
        lines += _item(test_words(row), width)
        for outcome in row.outcomes:
            lines.append(f"      {outcome_words(outcome, row.quantity)}")
        for words in row.cautions:
            lines += [f"      {line}" for line in textwrap.wrap(f"caution: {words}", width - 6)]
    return lines


def act_words(row: Act) -> str:
    """What to do next, in one line."""
    if row.kind == "test":
        return f"Do next: test before buying anything: {row.words}"
    if row.kind == "repair":
        gain = f", expected to save {row.saves:.0f} over leaving it" if row.saves >= 1.0 else ""
        return f"Do next: {row.words} ({row.name}){gain}"
    left = probability(row.left, SAMPLES)
    if row.kind == "leave":
        return f"Do next: leave it; the chance of a fault that matters is {left}"
    return f"Do next: ask someone who sees the car; no test here tells more, {left} is left open"


def test_words(row: NextTest) -> str:
    """One test in a sentence."""
    tied = " (as good as the first)" if row.tied else ""
    needs = f", {', '.join(row.needs)}" if row.needs else ""
    first = f"; first make: {row.after}" if row.after else ""
    return (
        f"{row.words}{tied}: {row.minutes:.0f} min, {row.money:.0f} money, risk {row.risk} of 5"
        f"{needs}; saves {max(row.net, 0.0):.0f} after its own cost, "
        f"{row.bits:.2f} bit about the cause{first}"
    )


def outcome_words(row: Outcome, quantity: str) -> str:
    """What a result would mean."""
    share = probability(row.p, SAMPLES)
    return (
        f"{range_words(row, quantity)} ({probability(row.chance, SAMPLES)}): {row.cause}, {share}"
    )


def range_words(row: Outcome, quantity: str) -> str:
    """The range of a result."""
    if quantity == "yes_no":
        if math.isinf(row.low) and math.isinf(row.high):
            return "either way"
        return "no" if math.isinf(row.low) else "yes"
    if math.isinf(row.low) and math.isinf(row.high):
        return "whatever it reads"
    if math.isinf(row.low):
        return f"below {amount(row.high, quantity)}"
    if math.isinf(row.high):
        return f"above {amount(row.low, quantity)}"
    return f"{amount(row.low, quantity)} to {amount(row.high, quantity)}"


def value_words(value: float, quantity: str) -> str:
    """A value that was read."""
    return ("yes" if value > 0.5 else "no") if quantity == "yes_no" else amount(value, quantity)


def kind_words(kind: str, state: str) -> str:
    """A kind of reading at its state."""
    return f"{kind.replace('-', ' ')}, {state.replace('-', ' ')}"


def speaks_words(row: Speaks) -> str:
    """One reading against what is expected."""
    said = f"{kind_words(row.kind, row.state)}: {value_words(row.value, row.quantity)}"
    if math.isnan(row.expected.p50):
        return said
    how = "beside the other readings" if row.beside else "by itself"
    if row.quantity == "yes_no":
        return f"{said}; {how} a yes has {probability(row.expected.p50, SAMPLES)}"
    low, high = (
        amount(value, row.quantity, both=False) for value in (row.expected.p05, row.expected.p95)
    )
    return f"{said}; {how} {low} to {high} is expected"


def quantity_words(row: Quantity) -> str:
    """One quantity, after and before."""
    return f"{row.words}: {span_words(row.posterior, row.unit)} ({span_words(row.prior, row.unit)})"


def span_words(band: Band, quantity: str) -> str:
    """5 to 95 % with the unit."""
    low = number(shown(band.p05, quantity))
    return f"{low}…{amount(band.p95, quantity, both=False)}"


def to_json(result: FindResult) -> dict[str, Any]:
    """Plain data; numbers in SI, the unit beside them."""
    return {
        "schema": SCHEMA,
        "name": result.name,
        "invented": result.invented,
        "answer": result.answer,
        "sentence": result.sentence,
        "threshold": result.threshold,
        "causes": [
            {
                "cause": row.name,
                "words": row.words,
                "p": _number(row.p),
                "prior": _number(row.prior),
                "for": [_speaks(line) for line in row.speaks_for],
                "against": [_speaks(line) for line in row.speaks_against],
                "repair": row.repair,
                "money": row.money,
                "hours": row.hours,
            }
            for row in result.causes
        ],
        "quantities": [
            {
                "name": row.name,
                "words": row.words,
                **_band(row.posterior),
                "unit": _unit(row.unit),
                "prior": _band(row.prior),
            }
            for row in result.quantities
        ],
        "act": None if result.act is None else asdict(result.act),
        "next": [_test(row) for row in result.next],
        "verdict_before": _verdict(result.verdict_before),
        "verdict_after": _verdict(result.verdict_after),
        "trust": {
            "effective_samples": round(result.trust.effective_samples),
            "converged": result.trust.converged,
            "contradictions": [
                {
                    "kind": row.kind,
                    "state": row.state,
                    "value": _number(row.value),
                    "unit": _unit(row.quantity),
                    "p_slip": _number(row.chance),
                }
                for row in result.trust.contradictions
            ],
            "not_used": list(result.trust.silent),
        },
        "moved_priors": [asdict(row) for row in result.moved],
        "notes": list(result.notes),
        "readings": result.readings,
        "seed": result.seed,
    }


def _test(row: NextTest) -> dict[str, Any]:
    return {
        "test": row.name,
        "words": row.words,
        "saves": _number(row.saves),
        "net": _number(row.net),
        "bits": _number(row.bits),
        "tied": row.tied,
        "minutes": row.minutes,
        "money": row.money,
        "risk": row.risk,
        "tools": row.tools,
        "needs": list(row.needs),
        "after": row.after or None,
        "cautions": list(row.cautions),
        "unit": _unit(row.quantity),
        "outcomes": [
            {
                "low": _number(item.low),
                "high": _number(item.high),
                "chance": _number(item.chance),
                "cause": item.cause,
                "p": _number(item.p),
            }
            for item in row.outcomes
        ],
    }


def _speaks(row: Speaks) -> dict[str, Any]:
    return {
        "kind": row.kind,
        "state": row.state,
        "value": _number(row.value),
        "unit": _unit(row.quantity),
        "expected": _band(row.expected),
        "beside_the_others": row.beside,
        "bits": _number(row.bits),
        "words": speaks_words(row),
    }


def _verdict(row: Verdict) -> dict[str, Any]:
    return {
        "verdict": row.verdict,
        "sentence": row.sentence,
        "parts": [
            {"part": part.part, "verdict": part.verdict, "p_holds": _number(part.p_holds)}
            for part in row.parts
        ],
    }


def _unit(quantity: str) -> str:
    return "-" if quantity == "yes_no" else unit_of(quantity)


def _band(band: Band) -> dict[str, float | None]:
    return {name: _number(getattr(band, name)) for name in ("p05", "p50", "p95")}


def _number(value: float) -> float | None:
    return float(f"{value:.6g}") if math.isfinite(value) else None
