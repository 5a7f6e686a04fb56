"""Garage simulation in small: the thousand cases are run by `make validate`."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "garage"))

from report import Report
from run import markdown, summary

CASES = 30


def run(report: Report) -> None:
    """Needless parts, cost beside the bound, wrong all-clears."""
    result = summary(CASES, seed=1)
    print(markdown(result))
    means = result["groups"]["all"]
    own, usual, bound = means["keyturn"], means["fixed order"], means["oracle"]
    needless = own["needless"] / max(usual["needless"], 1e-9)
    report.want("garage, needless parts over the fixed order's", needless, "<=", 0.25)
    report.want(
        "garage, cost over the bound of an oracle", own["total"] / bound["total"], "<=", 1.5
    )
    report.want("garage, wrong all-clears", own["wrong"], "<=", 0.01)
