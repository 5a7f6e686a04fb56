"""The table of a recording: what its columns hold, and frames of it in SI."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from keyturn.errors import FileRefused, Place
from keyturn.logs.frame import Channel, Frame, Recording, Samples
from keyturn.logs.table import ROW_GROUP, Table

if TYPE_CHECKING:
    import polars as pl

SAMPLED = 20_000


@dataclass(frozen=True)
class Sampled:
    """Rows taken evenly from a table, with how full every column is."""

    rows: int
    columns: dict[str, Samples]  # of numbers only; NaN where empty
    filled: dict[str, float]  # share of rows with a value


def open_parquet(source: Path, target: Path) -> Table:
    """A Parquet log as a table of ours: numbers, truth values and times become numbers."""
    import polars as pl

    try:
        lazy = pl.scan_parquet(source)
        schema = lazy.collect_schema()
        chosen = []
        for name, kind in schema.items():
            if kind.is_numeric() or kind == pl.Boolean:
                chosen.append(pl.col(name).cast(pl.Float64))
            elif kind in (pl.Datetime, pl.Date):
                chosen.append(pl.col(name).dt.epoch("us").cast(pl.Float64) / 1e6)
            elif kind in (pl.Duration, pl.Time):
                chosen.append(pl.col(name).cast(pl.Int64).cast(pl.Float64) / _per_second(kind))
            elif kind == pl.String:
                chosen.append(pl.col(name))
        if not chosen:
            raise _refused(source, "holds no column of numbers")
        lazy = lazy.select(chosen)
        lazy.sink_parquet(target, compression="uncompressed", row_group_size=ROW_GROUP)
        rows = pl.scan_parquet(target).select(pl.len()).collect().item()
    except pl.exceptions.PolarsError as error:
        raise _refused(source, f"cannot be read as Parquet: {str(error).splitlines()[0]}") from None
    if rows < 2:
        raise _refused(source, "holds fewer than two rows")
    columns = tuple(lazy.collect_schema())
    timed = [name for name in columns if schema[name].is_temporal()]
    units = tuple("s" if name in timed else "" for name in columns)
    return Table(target, columns, units, rows)


def _per_second(kind: object) -> float:
    return {"ms": 1e3, "us": 1e6, "ns": 1e9}.get(getattr(kind, "time_unit", "ns"), 1e9)


def _refused(source: Path, what: str) -> FileRefused:
    return FileRefused(
        f"the file {what}",
        place=Place(file=source.name),
        accepted="a flat table with one column a channel",
        advice="export the log again, as CSV if need be",
    )


def sampled(table: Table) -> Sampled:
    """Evenly taken rows, in order, enough to judge ranges and what moves with what."""
    import polars as pl

    lazy = pl.scan_parquet(table.path)
    schema = lazy.collect_schema()
    numbers = [name for name in table.columns if schema[name] == pl.Float64]
    if not numbers:
        return Sampled(table.rows, {}, {})
    step = max(1, table.rows // SAMPLED)
    counts = lazy.select(pl.col(numbers).count()).collect(engine="streaming").row(0)
    filled = dict(zip(numbers, (count / table.rows for count in counts), strict=True))
    full = [name for name in numbers if filled[name] > 0.999 or not filled[name]]
    taken = lazy.select(full).gather_every(step).collect(engine="streaming") if full else None
    found: dict[str, Samples] = {}
    for name in numbers:
        if taken is not None and name in full:
            found[name] = _numbers(taken[name])
        else:
            # a slow channel has its cells in few rows: the last one stands for the rows between
            held = pl.read_parquet(table.path, columns=[name])[name].forward_fill()
            found[name] = _numbers(held.gather_every(step))
    return Sampled(table.rows, found, filled)


def column(path: Path, name: str) -> Samples:
    """One column of numbers, whole."""
    import polars as pl

    return _numbers(pl.read_parquet(path, columns=[name])[name])


def texts(path: Path, name: str) -> list[str | None]:
    """One column of text, whole."""
    import polars as pl

    found: list[str | None] = pl.read_parquet(path, columns=[name])[name].to_list()
    return found


def _numbers(series: pl.Series) -> Samples:
    values: Samples = series.cast(float).to_numpy().astype(np.float64, copy=False)
    if not np.isfinite(values).all():
        values = np.where(np.isfinite(values), values, np.nan)
    return values


def read_frame(
    recording: Recording,
    names: Iterable[str] | None = None,
    start: float | None = None,
    end: float | None = None,
    hold: bool = True,
) -> Frame:
    """Channels of a recording in SI, only the wanted ones, only the wanted stretch [s].

    A channel that was recorded more slowly than the rows has empty cells in between. With
    ``hold`` its last value stands for up to two of its own steps; past that, and always without
    ``hold``, a cell without value is NaN.
    """
    import polars as pl

    times = recording.times()
    low = 0 if start is None else int(np.searchsorted(times, start, "left"))
    high = len(times) if end is None else int(np.searchsorted(times, end, "right"))
    wanted = list(recording.channels) if names is None else list(names)
    rows = {name: recording.channels[name] for name in wanted}
    # enough rows before the window for a value that is held into it
    lead = max((_held(recording, row) for row in rows.values()), default=0) if hold else 0
    begin = max(0, low - lead)
    columns = list(dict.fromkeys(row.column for row in rows.values()))
    taken = (
        pl.scan_parquet(recording.path).select(columns).slice(begin, high - begin).collect()
        if columns
        else pl.DataFrame()
    )
    found: dict[str, Samples] = {}
    for name, row in rows.items():
        series = taken[row.column]
        if hold and _held(recording, row):
            series = series.forward_fill(_held(recording, row))
        values = _numbers(series)[low - begin :]
        found[name] = values * row.scale + row.offset
    return Frame(np.array(times[low:high]), found)


def _held(recording: Recording, channel: Channel) -> int:
    """Rows over which a value may be held: two steps of the channel, none if it fills every row."""
    if channel.rate <= 0.0 or channel.rate >= 0.999 * recording.rate:
        return 0
    return int(np.ceil(2.0 * recording.rate / channel.rate))
