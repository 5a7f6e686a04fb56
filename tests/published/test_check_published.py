"""A printed supercharged-engine example, run end to end through `check`."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import keyturn

BUILD = Path(__file__).parents[1] / "builds" / "boosted-4500.toml"
# What the books prints, half the last printed digit as tolerance; 0.27034 and 348.92 are its own
# intermediate figures recomputed from its inputs.
SOURCE = "Gupta, Fundamentals of IC Engines, ex. 15.5"
MECHANICAL = 0.85  # of the compressor drive, as the book gives it


@pytest.fixture(scope="module")
def full_load():  # type: ignore[no-untyped-def]
    return keyturn.check(keyturn.load(BUILD), samples=50).full_load


@pytest.mark.parametrize(
    ("quantity", "theirs", "tolerance", "factor"),
    [
        ("air_flow", 0.27034, 0.0003, 1.0),
        ("blower_outlet_temperature", 348.92, 0.05, 1.0),
        ("inlet_temperature", 330.0, 0.1, 1.0),
        ("cooler_heat", 5140.0, 10.0, 1.0),
        ("blower_power", 18830.0, 50.0, 1.0 / MECHANICAL),
        ("manifold_pressure", 180.0e3, 100.0, 1.0),
    ],
)
def test_supercharged_engine_as_printed(  # type: ignore[no-untyped-def]
    full_load, quantity: str, theirs: float, tolerance: float, factor: float
) -> None:
    """Gupta, Fundamentals of IC Engines, ex. 15.5, at its one speed, 4000 rev/min."""
    at = int(np.argmin(np.abs(full_load.engine_speed - 4000.0 / 60.0)))
    ours = float(getattr(full_load, quantity)[1][at]) * factor
    assert ours == pytest.approx(theirs, abs=tolerance)
