"""The example builds, read once."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import pytest

import keyturn
from keyturn.build.model import Build

EXAMPLES = Path(keyturn.__file__).parent / "examples"


@pytest.fixture(scope="session")
def builds() -> Mapping[str, Build]:
    return {path.name: keyturn.load(path) for path in EXAMPLES.iterdir() if path.is_dir()}
