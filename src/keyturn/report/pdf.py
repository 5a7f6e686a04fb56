"""The answer as a PDF to print and take to the car, set with typst and its own fonts."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from keyturn.evidence.choose import ChooseResult
from keyturn.evidence.result import FindResult
from keyturn.report import tables
from keyturn.report.figures import WIDE, all_figures
from keyturn.report.page import page_data
from keyturn.report.typeset import sheet
from keyturn.system.result import CheckResult


def _table(table: tables.Table) -> dict[str, Any]:
    return {"head": table.head, "rows": table.rows, "right": table.right}


def pdf_data(
    result: CheckResult,
    find: FindResult | None = None,
    choose: ChooseResult | None = None,
    unanswered: Sequence[str] = (),
) -> dict[str, Any]:
    """What the template reads; words travel as data, so nothing in them is run."""
    whole = page_data(result, find, choose, unanswered)
    captions = whole["captions"]
    shown = {key: value for key, value in whole.items() if key != "result"}
    shown = {
        key: _table(value) if isinstance(value, tables.Table) else value
        for key, value in shown.items()
    }
    return shown | {
        "name": result.name,
        "verdict": result.verdict,
        "figures": {
            name: {"svg": svg, "title": captions[name][0], "about": captions[name][1]}
            for name, svg in all_figures(result, WIDE, find=find, choose=choose).items()
        },
        "samples": result.samples,
        "seed": result.seed,
    }


def pdf(
    result: CheckResult,
    find: FindResult | None = None,
    choose: ChooseResult | None = None,
    unanswered: Sequence[str] = (),
) -> bytes:
    """The PDF file; the same answer gives the same bytes."""
    return sheet("sheet", pdf_data(result, find, choose, unanswered))
