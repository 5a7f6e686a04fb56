"""A build folder for logs, and the writers of the dialects."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))


@pytest.fixture
def car(tmp_path: Path) -> Path:
    """A build folder from an invented example; its barometer is near 99.5 kPa."""
    from keyturn.tasks.new import new

    new(tmp_path / "car", "van-roots")
    return tmp_path / "car"
