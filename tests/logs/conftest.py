"""A build folder for logs, and the writers of the dialects."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from keyturn.build.model import Build
from keyturn.system.result import CheckResult

sys.path.insert(0, str(Path(__file__).parent))


@pytest.fixture
def car(tmp_path: Path) -> Path:
    """A build folder from an invented example; its barometer is near 99.5 kPa."""
    from keyturn.tasks.new import new

    new(tmp_path / "car", "van-roots")
    return tmp_path / "car"


@pytest.fixture(scope="package")
def build() -> Build:
    """An invented pickup with a blower, whose check holds."""
    from importlib import resources

    from keyturn.build.read import load

    return load(str(resources.files("keyturn").joinpath("examples/pickup-screw/build.toml")))


@pytest.fixture(scope="package")
def check(build: Build) -> CheckResult:
    """What the model says about it."""
    from keyturn.system.check import run

    return run(build, samples=200, seed=0)
