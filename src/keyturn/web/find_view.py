"""The answer of `find` in the words and shares that the page is drawn from."""

from __future__ import annotations

from typing import Any

from keyturn.evidence.find import NOT_ENOUGH
from keyturn.evidence.result import CauseRow, FindResult, NextTest, Quantity, Verdict
from keyturn.report.find_words import (
    SAMPLES,
    SHORT,
    changed,
    kind_words,
    moved_words,
    range_words,
    speaks_words,
    value_words,
)
from keyturn.report.phrases import tidy
from keyturn.report.show import probability
from keyturn.web.entry import typable

FIRST_TESTS = 3
ROOM = 0.04  # empty share at each end of the bar of a quantity


def view(result: FindResult) -> dict[str, Any]:
    """Everything that the template shows."""
    words = {row.name: row.words for row in result.causes}
    tests = [_test(row, words) for row in result.next]
    return {
        "sentence": tidy(result.sentence),
        "enough": result.answer != NOT_ENOUGH,
        "threshold": probability(result.threshold, SAMPLES),
        "act": None if result.act is None else tidy(result.act.words),
        "causes": [_cause(row) for row in result.causes if row.p >= SHORT],
        "rare": [_cause(row) for row in result.causes if row.p < SHORT],
        "quantities": [_quantity(row) for row in result.quantities],
        "before": _verdict(result.verdict_before),
        "after": _verdict(result.verdict_after),
        "changed": changed(result.verdict_before, result.verdict_after),
        "parts": _parts(result.verdict_before, result.verdict_after),
        "tests": tests[:FIRST_TESTS],
        "more_tests": tests[FIRST_TESTS:],
        "worth": bool(result.next) and result.next[0].net > 0.0,
        "contradictions": [
            f"{kind_words(row.kind, row.state)}, {value_words(row.value, row.quantity)} "
            f"({probability(row.chance, SAMPLES)} a slip)"
            for row in result.trust.contradictions
        ],
        "silent": list(result.trust.silent),
        "notes": [*result.notes, *(moved_words(row) for row in result.moved)],
        "converged": result.trust.converged,
        "effective": round(result.trust.effective_samples),
        "readings": result.readings,
        "seconds": f"{result.seconds:.1f}",
    }


def _cause(row: CauseRow) -> dict[str, Any]:
    return {
        "name": row.name, "words": row.words, "p": round(row.p, 4), "prior": round(row.prior, 4),
        "p_words": probability(row.p, SAMPLES), "prior_words": probability(row.prior, SAMPLES),
        "speaks_for": [speaks_words(line) for line in row.speaks_for],
        "speaks_against": [speaks_words(line) for line in row.speaks_against],
        "repair": row.repair, "money": round(row.money), "hours": f"{row.hours:g}",
    }  # fmt: skip


def _quantity(row: Quantity) -> dict[str, Any]:
    low = min(row.prior.p05, row.posterior.p05)
    high = max(row.prior.p95, row.posterior.p95)
    wide = (high - low) or 1.0

    def at(value: float) -> float:
        return round(100.0 * (ROOM + (1.0 - 2.0 * ROOM) * (value - low) / wide), 2)

    return {
        "words": row.words, "unit": row.unit,
        "posterior": row.posterior, "prior": row.prior,
        "at": {name: (at(band.p05), at(band.p50), at(band.p95))
               for name, band in (("posterior", row.posterior), ("prior", row.prior))},
    }  # fmt: skip


def _verdict(row: Verdict) -> dict[str, str]:
    return {"verdict": row.verdict, "sentence": tidy(row.sentence)}


def _parts(before: Verdict, after: Verdict) -> list[dict[str, Any]]:
    old = {row.part: row for row in before.parts}
    return [
        {"part": row.part, "before": old[row.part].verdict if row.part in old else "–",
         "after": row.verdict, "p": probability(row.p_holds)}
        for row in after.parts
    ]  # fmt: skip


def _test(row: NextTest, words: dict[str, str]) -> dict[str, Any]:
    total = sum(item.chance for item in row.outcomes) or 1.0
    outcomes, x = [], 0.0
    for item in row.outcomes:
        wide = round(100.0 * item.chance / total, 2)
        outcomes.append({
            "range": range_words(item, row.quantity), "cause": words.get(item.cause, item.cause),
            "p": probability(item.p, SAMPLES), "chance": probability(item.chance, SAMPLES),
            "x": round(x, 2), "wide": wide,
        })  # fmt: skip
        x += wide
    return {
        "name": row.name, "words": row.words, "minutes": round(row.minutes),
        "money": round(row.money), "risk": row.risk, "tools": row.tools, "needs": list(row.needs),
        "after": row.after, "cautions": list(row.cautions), "tied": row.tied,
        "saves": round(max(row.net, 0.0)), "bits": f"{row.bits:.2f}", "outcomes": outcomes,
        "enter": row.name in typable(),
    }  # fmt: skip
