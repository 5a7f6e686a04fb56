"""Invented logs for the pages: a drive of the model's own car, and a long one of four channels."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl
from browser import EXAMPLES

from keyturn.build.read import load
from keyturn.logs.simulate import drive

# column of the logger: channel, scale and digits of what it writes
WRITTEN = {
    "Time (s)": ("", 1.0, 3), "RPM": ("engine_speed", 60.0, 0),
    "MAP (kPa abs)": ("manifold_pressure", 1e-3, 1),
    "Fuel Press (kPa)": ("rail_gauge", 1e-3, 1), "Lambda": ("lambda", 1.0, 3),
    "Lambda Target": ("lambda_target", 1.0, 3), "Duty (%)": ("duty", 100.0, 1),
    "Battery (V)": ("voltage", 1.0, 2), "TPS (%)": ("throttle", 100.0, 1),
}  # fmt: skip
ROWS, RATE = 1_000_000, 100.0
LONG = ("RPM", "MAP (kPa abs)", "Fuel Press (kPa gauge)", "Lambda")
LONG_CHANNELS = ("engine_speed", "manifold_pressure", "rail_gauge", "lambda")


def drive_csv(
    path: Path, cause: str | None = "supply limit", minutes: float = 4.0, seed: int = 5
) -> Path:
    """A drive of the pickup with a cause planted; the inlet temperature does not say its unit."""
    frame = drive(load(EXAMPLES / "pickup-screw"), cause, seed, minutes=minutes).frame
    columns = {
        name: (frame.time if not channel else frame[channel] * scale).round(digits)
        for name, (channel, scale, digits) in WRITTEN.items()
    }
    columns["IAT"] = (frame["inlet_temperature"] - 273.15).round(1)
    pl.DataFrame(columns).write_csv(path)
    return path


def long_log(path: Path, spikes: dict[int, float], rows: int = ROWS, gap: bool = False) -> Path:
    """Four channels at 100 rows a second; ``spikes`` are rows at which rail pressure is planted."""
    time = np.arange(rows) / RATE
    if gap:
        time[rows // 2 :] += 0.2 * rows / RATE  # the logger was off for a fifth of that time
    load_ = np.clip(np.sin(time / 9.0), 0.0, 1.0)
    rail = 300.0 + 100.0 * load_
    for row, value in spikes.items():
        rail[row] = value
    columns = (850.0 + 4000.0 * load_, 38.0 + 110.0 * load_, rail, 1.0 - 0.15 * load_)
    frame = pl.DataFrame({"Time (s)": time, **dict(zip(LONG, columns, strict=True))})
    frame.write_parquet(path)
    return path
