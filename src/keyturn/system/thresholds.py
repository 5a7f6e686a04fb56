"""Limits that decide a verdict, from data/thresholds.toml."""

from __future__ import annotations

import tomllib
from functools import cache
from importlib import resources


@cache
def _table() -> dict[str, dict[str, dict[str, object]]]:
    text = resources.files("keyturn").joinpath("data/thresholds.toml").read_text("utf-8")
    return tomllib.loads(text)


def limit(part: str, name: str) -> float:
    """One limit in SI units."""
    return float(str(_table()[part][name]["value"]))
