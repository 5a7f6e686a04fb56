"""The garage simulation of bench/garage, at the count that the page shows."""

from __future__ import annotations

import importlib.util
import json
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

from validation.section import ROOT, say

HOW = """{cases} random faults on the example builds, tested and repaired until called clear: by the
ranking of keyturn, by the usual fixed order, by the cheapest test first, and by one who knows.
"""
PROGRAM = ROOT / "bench" / "garage" / "run.py"


def run(cars: int, workers: int) -> tuple[Any, bool]:
    """Its results, and whether its goals are met; None where there is no such simulation."""
    if not PROGRAM.exists():
        say("  there is no garage simulation yet")
        return None, True
    command = [sys.executable, str(PROGRAM), "--cases", str(cars)]
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "garage.json"
        outcome = subprocess.run(
            [*command, "--workers", str(workers), "--json", str(file)],
            cwd=ROOT,
            check=False,
        )
        results = json.loads(file.read_text(encoding="utf-8")) if file.exists() else None
    if results is not None:
        results.pop("rows", None)  # the page shows means; every case is too much to keep
    return results, outcome.returncode == 0


def render(results: Any) -> str:
    """Its own table."""
    spec = importlib.util.spec_from_file_location("garage_run", PROGRAM)
    if spec is None or spec.loader is None:
        raise FileNotFoundError(PROGRAM)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return f"\n{HOW.format(cases=results['cases'])}\n{module.markdown(results)}"
