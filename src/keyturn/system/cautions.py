"""Cautions that belong to a build."""

from __future__ import annotations

import tomllib
from functools import cache
from importlib import resources

from keyturn.build.model import Build


@cache
def _rows() -> tuple[dict[str, str], ...]:
    text = resources.files("keyturn").joinpath("data/cautions.toml").read_text("utf-8")
    return tuple(tomllib.loads(text)["caution"])


def cautions(build: Build) -> tuple[str, ...]:
    """The cautions that apply to this build, in the order of the data file."""
    shown = {"always"}
    if build.blower is not None:
        shown.add("blower")
    if build.regulator.place == "tank":
        shown.add("tank")
    return tuple(row["text"] for row in _rows() if row["when"] in shown)
