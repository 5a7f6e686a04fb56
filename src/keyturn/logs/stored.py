"""Our own table of a recording: what its columns hold, and frames of it in SI."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from keyturn.logs.frame import Channel, Frame, Recording, Samples
from keyturn.logs.table import Table

if TYPE_CHECKING:
    import polars as pl

SAMPLED = 10_000
BLOCK = 1 << 18  # rows that are held at a time


@dataclass(frozen=True)
class Sampled:
    """Rows taken evenly from a table, with how full every column is."""

    rows: int
    columns: dict[str, Samples]  # of numbers only; NaN where empty
    filled: dict[str, float]  # share of rows with a value


def sampled(table: Table) -> Sampled:
    """Evenly taken rows, in order, enough to judge ranges and what moves with what."""
    import polars as pl

    schema = table.lazy().collect_schema()
    numbers = [name for name in table.columns if schema[name].is_float()]
    if not numbers:
        return Sampled(table.rows, {}, {})
    step = max(1, table.rows // SAMPLED)
    parts, empty = [], np.zeros(len(numbers))
    for start in range(0, table.rows, BLOCK):
        block = table.part(numbers, start, BLOCK)
        empty += [block[name].null_count() for name in numbers]
        parts.append(block[np.arange(-start % step, block.height, step)])
    shares = 1.0 - empty / table.rows
    filled = dict(zip(numbers, shares.tolist(), strict=True))
    taken = pl.concat(parts)
    found: dict[str, Samples] = {}
    for name in numbers:
        if 0.0 < filled[name] <= 0.999:
            # a slow channel has its cells in few rows: the last one stands for the rows between
            held = table.part([name])[name].forward_fill()
            found[name] = _numbers(held.gather_every(step))
        else:
            found[name] = _numbers(taken[name])
    return Sampled(table.rows, found, filled)


def in_four_bytes(table: Table, name: str) -> bool:
    """Whether a column keeps no more than seven digits: too few for a clock."""
    import polars as pl

    return table.lazy().collect_schema()[name] == pl.Float32


def column(table: Table, name: str, scale: float = 1.0) -> Samples:
    """One column of numbers, whole, in the unit of the logger times ``scale``."""
    return _numbers(table.part([name])[name], scale)


def _numbers(series: pl.Series, scale: float = 1.0, offset: float = 0.0) -> Samples:
    """The numbers in eight bytes, times ``scale`` plus ``offset``; NaN where there is none."""
    values: Samples = series.to_numpy(writable=True).astype(np.float64, copy=False)
    if scale != 1.0:
        values *= scale
    if offset:
        values += offset
    with np.errstate(invalid="ignore", over="ignore"):
        whole = bool(np.isfinite(values.sum()))  # only if all are, and cheaper to tell
    if not whole:
        values[~np.isfinite(values)] = np.nan
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
        pl.scan_ipc(recording.path).select(columns).slice(begin, high - begin).collect()
        if columns
        else pl.DataFrame()
    )
    found: dict[str, Samples] = {}
    for name, row in rows.items():
        series = taken[row.column]
        if hold and _held(recording, row):
            series = series.forward_fill(_held(recording, row))
        found[name] = _numbers(series, row.scale, row.offset)[low - begin :]
    return Frame(times[low:high], found)


class OnDisk(Mapping[str, Samples]):
    """Every channel of a recording in SI, read anew each time it is asked for: none is kept."""

    def __init__(self, recording: Recording) -> None:
        self.recording = recording

    def __getitem__(self, name: str) -> Samples:
        return read_frame(self.recording, [name])[name]

    def __contains__(self, name: object) -> bool:
        return name in self.recording.channels

    def __iter__(self) -> Iterator[str]:
        return iter(self.recording.channels)

    def __len__(self) -> int:
        return len(self.recording.channels)


def _held(recording: Recording, channel: Channel) -> int:
    """Rows over which a value may be held: two steps of the channel, none if it fills every row."""
    if channel.rate <= 0.0 or channel.rate >= 0.999 * recording.rate:
        return 0
    return int(np.ceil(2.0 * recording.rate / channel.rate))
