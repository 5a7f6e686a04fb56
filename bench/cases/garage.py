"""Garage simulation in small: the thousand cases are run by `make validate`."""

from __future__ import annotations

import importlib.util
from pathlib import Path

from report import Report

CASES = 15
FIRST = 30_000
DRAWS = 6_000  # of each cause: a fourth of the full run's, causes that need more are sampled anew


def run(report: Report) -> None:
    """Needless parts, cost beside the bound, wrong all-clears."""
    # `bench/run.py` is a `run` as well: the simulation's is loaded by its place
    path = Path(__file__).resolve().parents[1] / "garage" / "run.py"
    spec = importlib.util.spec_from_file_location("garage_run", path)
    assert spec is not None and spec.loader is not None
    garage = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(garage)
    result = garage.summed(garage.cases(CASES, FIRST, draws=DRAWS), FIRST)
    print(garage.markdown(result))
    for name, value, goal in garage.goals(result):
        report.want(f"garage, {name}", value, "<=", goal)
