"""What was found in a log, in words and as plain data."""

from __future__ import annotations

import math
from typing import Any

from keyturn.logs.found import Finding, LogFindings, Span
from keyturn.logs.readings import Measured

SHOWN = 4  # spans of one finding that are listed


def findings_text(found: LogFindings, measured: tuple[Measured, ...]) -> str:
    """The answer first, then every finding with its rows, then what was not judged and why."""
    lines = [verdict(found), ""]
    for one in found.findings:
        lines += [
            f"{one.kind.upper()} ({one.grade}): {one.sentence}",
            f"  where: {_where(one.spans)}",
            f"  next: {one.next_step}",
            "",
        ]
    if found.refusals:
        lines.append("cannot be used, or not there; next time:")
        lines += [f"  {one.problem}: {one.next_time}" for one in found.refusals]
        lines.append("")
    lines += [f"note: {note}" for note in found.notes]
    lines += [f"note: {words}" for words in _derived(found)]
    if measured:
        lines.append(f"{len(measured)} measured stretches; hand them to the journal: --readings")
    return "\n".join(lines).rstrip()


def verdict(found: LogFindings) -> str:
    """One sentence."""
    if not found.usable:
        return "This log cannot be judged."
    if found.findings:
        kinds = ", ".join(dict.fromkeys(one.kind for one in found.findings))
        return f"Found: {kinds}."
    return (
        "Nothing was found, of what this log allows to be judged: " + ", ".join(found.judged) + "."
        " That holds for the loads that were driven, and no further."
    )


def _where(spans: tuple[Span, ...]) -> str:
    shown = [
        f"{one.start:.1f} to {one.end:.1f} s (rows {one.first_row} to {one.last_row})"
        for one in spans[:SHOWN]
    ]
    more = len(spans) - len(shown)
    return "; ".join(shown) + (f"; and {more} more" if more > 0 else "")


def _derived(found: LogFindings) -> list[str]:
    log = found.log
    words = []
    if log.fuel_from is not None:
        words.append(f"fuel flow from {log.fuel_from}")
    if log.lag is not None:
        words.append(f"lambda comes {log.lag:.2f} s late and was shifted back by that")
    pulls = sum(one.kind == "pull" for one in found.stretches)
    steady = sum(one.kind == "steady" for one in found.stretches)
    return [*words, f"{pulls} pulls and {steady} steady stretches"]


def findings_json(found: LogFindings, measured: tuple[Measured, ...]) -> dict[str, Any]:
    """The same as plain data, SI."""
    return {
        "usable": found.usable,
        "verdict": verdict(found),
        "findings": [_finding(one) for one in found.findings],
        "judged": list(found.judged),
        "refusals": [vars(one) for one in found.refusals],
        "notes": list(found.notes),
        "lambda_lag": found.log.lag,
        "fuel_flow_from": found.log.fuel_from,
        "stretches": [
            {
                "kind": one.kind, "state": one.state, "start": one.start, "end": one.end,
                "first_row": one.first_row, "last_row": one.last_row,
            }
            for one in found.stretches
        ],
        "measured": [
            {
                "kind": one.reading.kind, "state": one.reading.state, "value": one.reading.value,
                "spread": one.reading.spread, "independent_rows": one.effective,
                "note": one.reading.note,
            }
            for one in measured
        ],
    }  # fmt: skip


def _finding(one: Finding) -> dict[str, Any]:
    return {
        "kind": one.kind,
        "grade": one.grade,
        "sentence": one.sentence,
        "size": one.size if math.isfinite(one.size) else None,
        "quantity": one.quantity or None,
        "spans": [vars(part) for part in one.spans],
        "next": one.next_step,
    }
