"""ASAM MDF4 recordings, through asammdf where it is installed."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from keyturn.errors import FileRefused, Place
from keyturn.logs.frame import Samples
from keyturn.logs.table import Table, sink

CHANNELS = 2_000
TIME = "time"


def open_mdf(source: Path, target: Path) -> Table:
    """All channels of numbers on one clock: a row for every moment at which any was taken."""
    try:
        from asammdf import MDF
    except ImportError:
        raise FileRefused(
            "this is an MDF recording and its reader is not installed",
            place=Place(file=source.name),
            accepted="MDF4 with the package asammdf, or CSV, TSV, Parquet without",
            advice="pip install 'keyturn[mdf]', or export the log as CSV",
        ) from None
    try:
        with MDF(str(source)) as opened:
            signals = [signal for signal in opened.iter_channels() if signal.samples.ndim == 1]
    except Exception as error:  # asammdf raises many kinds on a broken file
        raise FileRefused(
            f"the file cannot be read as MDF: {type(error).__name__}: {error}"[:200],
            place=Place(file=source.name),
            accepted="an MDF4 file that was closed properly",
            advice="let the logger finish its file, or export the log as CSV",
        ) from None
    kept = [signal for signal in signals if signal.samples.dtype.kind in "fiub"]
    kept = [signal for signal in kept if len(signal.timestamps) and signal.name != TIME][:CHANNELS]
    if not kept:
        raise FileRefused(
            "the MDF file holds no channel of numbers",
            place=Place(file=source.name),
            accepted="channels with numbers against time",
            advice="choose the channels in the logger and record again",
        )
    clock = np.unique(np.concatenate([signal.timestamps for signal in kept]))
    columns: dict[str, Samples] = {TIME: clock}
    units = ["s"]
    for signal in kept:
        name, number = str(signal.name), 1
        while name in columns:
            number += 1
            name = f"{signal.name} #{number}"
        values = np.full(len(clock), np.nan)
        values[np.searchsorted(clock, signal.timestamps)] = signal.samples.astype(np.float64)
        columns[name] = values
        units.append(str(signal.unit or ""))
    return _write(columns, tuple(units), target)


def _write(columns: dict[str, Samples], units: tuple[str, ...], target: Path) -> Table:
    import polars as pl

    frame = pl.DataFrame(columns).fill_nan(None)
    sink(frame.lazy(), target)
    return Table(target, tuple(columns), units, frame.height)
