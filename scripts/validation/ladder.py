"""Random cars on the load ladder, at the count that the page shows."""

from __future__ import annotations

import importlib.util
import sys
from types import ModuleType
from typing import Any

from validation.section import ROOT

HOW = """{cases} random cars of the example builds. The first three shares are of runs that ever go
past an abort limit: straight to full load; step by step, stopping when a gauge shows a limit near;
by the ladder, where a step opens at {at_least:.0%} and not below. Sound cars hold every limit at
every step; the last two columns say how many of these reach the top. What keeps the others below is
said to the builder as what to measure.
"""
PROGRAM = ROOT / "bench" / "ladder.py"
MOST = 0.05  # of all runs: each step is opened at 95 % or more


def _program() -> ModuleType:
    spec = importlib.util.spec_from_file_location("ladder_run", PROGRAM)
    if spec is None or spec.loader is None:
        raise FileNotFoundError(PROGRAM)
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # its dataclasses look themselves up there
    spec.loader.exec_module(module)
    return module


def run(cars: int) -> tuple[Any, bool]:
    """Shares of all cars, and whether the ladder does what it says."""
    results = _program().run(cars)
    shares = results["all"]
    good = shares["ladder"] <= MOST and shares["ladder"] < shares["stepping"] < shares["straight"]
    return results, good


def render(results: Any) -> str:
    """Its own table."""
    words = HOW.format(cases=results["cases"], at_least=results["at_least"])
    return f"\n{words}\n{_program().markdown(results)}"
