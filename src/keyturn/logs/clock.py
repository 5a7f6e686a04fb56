"""The clock of a recording: from what the logger wrote to seconds that only go forward."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from keyturn.errors import CannotAnswer
from keyturn.logs.frame import Gap, Reset, Samples

MOST_RESETS = 50
GAP_STEPS = 5.0  # usual steps without a row that make a gap
SHORTEST_GAP = 0.25  # [s]


@dataclass(frozen=True)
class Clock:
    """Seconds from the first row, and what was found on the way."""

    seconds: Samples
    rate: float  # rows a second, median
    gaps: tuple[Gap, ...]
    resets: tuple[Reset, ...]
    notes: tuple[str, ...]


def from_texts(path: Path, name: str) -> Samples:
    """Seconds from "12:03:04.5", "03:04.5", or a date with one of these; NaN where neither."""
    import polars as pl

    text = pl.col(name).str.strip_chars(" \t\"'Z")
    clock = text.str.extract(r"((?:\d+:)?\d+:\d+(?:[.,]\d+)?)\s*(?:[+-]\d\d:?\d\d)?$", 1)
    parts = clock.str.replace(",", ".", literal=True).str.split(":")
    seconds = (
        parts.list.get(-1, null_on_oob=True).cast(pl.Float64, strict=False)
        + parts.list.get(-2, null_on_oob=True).cast(pl.Float64, strict=False) * 60.0
        + parts.list.get(-3, null_on_oob=True).cast(pl.Float64, strict=False).fill_null(0.0)
        * 3600.0
    )
    day = pl.coalesce(
        text.str.extract(r"(\d{4}-\d\d?-\d\d?)", 1).str.to_date("%Y-%m-%d", strict=False),
        text.str.extract(r"(\d\d?\.\d\d?\.\d{4})", 1).str.to_date("%d.%m.%Y", strict=False),
        # only whole days apart matter here, and a log that runs over midnight is rare: both orders
        text.str.extract(r"(\d\d?/\d\d?/\d{4})", 1).str.to_date("%d/%m/%Y", strict=False),
        text.str.extract(r"(\d\d?/\d\d?/\d{4})", 1).str.to_date("%m/%d/%Y", strict=False),
    )
    days = (day - day.drop_nulls().first()).dt.total_days().cast(pl.Float64).fill_null(0.0)
    taken = pl.scan_parquet(path).select((seconds + days * 86400.0).alias("s")).collect()["s"]
    found: Samples = taken.to_numpy().astype(np.float64)
    return found


def run(raw: Samples, file: str) -> Clock:
    """A rising clock from the logger's own in seconds; refuses one that is no clock."""
    good = np.isfinite(raw)
    notes: list[str] = []
    if good.sum() < 2 or good.mean() < 0.5:
        raise _no_clock(file, "the time column is empty in most rows")
    if not good.all():
        notes.append(f"{int((~good).sum())} rows have no time; they stand between their neighbours")
        index = np.arange(len(raw))
        raw = np.interp(index, index[good], raw[good])
    steps = np.diff(raw)
    back = np.flatnonzero(steps < 0)
    if len(back) > MOST_RESETS or len(back) > 0.02 * len(steps) + 1:
        raise _no_clock(file, f"the time runs backwards {len(back)} times")
    forward = steps[steps > 0]
    if not len(forward):
        raise _no_clock(file, "the time never moves")
    seconds, resets = _mended(raw, back, float(np.median(forward)))
    seconds, spread = _spread(seconds)
    if spread:
        notes.append(spread)
    usual = float(np.median(np.diff(seconds)))
    usual = usual if usual > 0 else float(np.median(forward))
    gaps = _gaps(seconds, usual)
    return Clock(seconds, 1.0 / usual, gaps, resets, tuple(notes))


def _no_clock(file: str, problem: str) -> CannotAnswer:
    return CannotAnswer(
        f"{file}: {problem}",
        ("a time that runs forward: switch the logger's time stamp on and record again",),
    )


def _mended(raw: Samples, back: np.ndarray, usual: float) -> tuple[Samples, tuple[Reset, ...]]:
    """After each jump back the clock goes on, one second later: a gap, not a moment."""
    if not len(back):
        return raw - raw[0], ()
    shift = np.zeros(len(raw))
    for row in back:
        shift[row + 1 :] += raw[row] - raw[row + 1] + max(1.0, 2 * GAP_STEPS * usual)
    seconds = raw + shift - raw[0]
    resets = tuple(
        Reset(int(row) + 1, float(raw[row]), float(raw[row + 1]), float(seconds[row + 1]))
        for row in back
    )
    return seconds, resets


def _spread(seconds: Samples) -> tuple[Samples, str | None]:
    """Rows that share a stamp are spread evenly up to the next: the clock is coarser than they."""
    first = np.flatnonzero(np.diff(seconds, prepend=-np.inf) > 0)
    if len(first) == len(seconds):
        return seconds, None
    counts = np.diff(first, append=len(seconds))
    stamps = seconds[first]
    lengths = np.diff(stamps)
    usual = float(np.median(lengths))
    # the last stamp has no next one; a long one is not to smear its rows over a gap
    lengths = np.minimum(np.append(lengths, usual), max(2.0 * usual, 0.0))
    inside = np.arange(len(seconds)) - np.repeat(first, counts)
    spread = np.repeat(stamps, counts) + inside * np.repeat(lengths / counts, counts)
    shared = len(seconds) - len(first)
    return spread, f"{shared} rows share a time stamp with another; they were spread between stamps"


def _gaps(seconds: Samples, usual: float) -> tuple[Gap, ...]:
    steps = np.diff(seconds)
    wide = np.flatnonzero(steps > max(GAP_STEPS * usual, SHORTEST_GAP))
    return tuple(Gap(float(seconds[i]), float(seconds[i + 1])) for i in wide[:10_000])
