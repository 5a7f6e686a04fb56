"""What decides a verdict: its limits, from data/thresholds.toml, and how much is drawn."""

from __future__ import annotations

import tomllib
from functools import cache
from importlib import resources

# draws that every question makes unless it is told otherwise, so that all its answers agree
SAMPLES, SEED = 400, 0


@cache
def _table() -> dict[str, dict[str, dict[str, object]]]:
    text = resources.files("keyturn").joinpath("data/thresholds.toml").read_text("utf-8")
    return tomllib.loads(text)


def limit(part: str, name: str) -> float:
    """One limit in SI units."""
    return float(str(_table()[part][name]["value"]))
