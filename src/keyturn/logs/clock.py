"""The clock of a recording: from what the logger wrote to seconds that only go forward."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date

import numpy as np

from keyturn.errors import CannotAnswer
from keyturn.logs.frame import Gap, Reset, Samples
from keyturn.logs.table import Table

MOST_RESETS = 50
DAY, HOUR = 86400.0, 3600.0  # [s]
AROUND = 0.05  # of a day or hour, within which a clock has to fall to have passed its end
CLOCK = r"((?:\d+:)?\d+:\d+(?:[.,]\d+)?)\s*(?:[+-]\d\d:?\d\d|([AaPp])\.?[Mm]\.?)?$"
DATE = r"(\d{4}-\d\d?-\d\d?|\d\d?[./]\d\d?[./](?:\d{4}|\d\d)\b)"
GAP_STEPS = 5.0  # usual steps without a row that make a gap
SHORTEST_GAP = 0.25  # [s]
BLOCK = 1 << 16  # rows whose steps are made at a time
MEDIAN_OF, PIECES = 1 << 16, 16  # steps that the usual one is told from, in so many pieces


@dataclass(frozen=True)
class Clock:
    """Seconds from the first row, and what was found on the way."""

    seconds: Samples
    rate: float  # rows a second, median
    gaps: tuple[Gap, ...]
    resets: tuple[Reset, ...]
    notes: tuple[str, ...]


def from_texts(table: Table, name: str) -> Samples:
    """Seconds from "12:03:04.5", "03:04.5", "1:03:04 PM", or a date with one; NaN where neither.

    A clock without a date goes on where it passes midnight, and one without hours at the full hour.
    """
    import polars as pl

    text = pl.col(name).str.strip_chars(" \t\"'Z")
    cells = table.lazy().select(
        text.str.extract(CLOCK, 1).str.replace(",", ".", literal=True).alias("clock"),
        text.str.extract(CLOCK, 2).str.to_lowercase().alias("half"),
        text.str.extract(DATE, 1).alias("date"),
    )
    parts = pl.col("clock").str.split(":")
    last, middle, first = (
        parts.list.get(-at, null_on_oob=True).cast(pl.Float64, strict=False) for at in (1, 2, 3)
    )
    plain = last + middle * 60.0 + first.fill_null(0.0) * 3600.0
    # half a day is said with hours and minutes at least: "3:04 PM" has no seconds
    hour, minute = pl.coalesce(first, middle), pl.when(first.is_null()).then(last).otherwise(middle)
    second = pl.when(first.is_null()).then(0.0).otherwise(last)
    later = pl.when(pl.col("half") == "p").then(12.0).otherwise(0.0)
    halved = (hour % 12.0 + later) * 3600.0 + minute * 60.0 + second
    seconds = pl.when(pl.col("half").is_null()).then(plain).otherwise(halved)
    hours = (first.is_not_null() | pl.col("half").is_not_null()).alias("hours")
    taken = cells.select(seconds.alias("s"), "date", hours).collect()
    found: Samples = taken["s"].to_numpy().astype(np.float64)
    days = _days([text for text in taken["date"].unique().to_list() if text])
    if len(set(days.values())) > 1:
        numbers = taken["date"].replace_strict(days, default=None, return_dtype=pl.Float64)
        return found + DAY * numbers.fill_null(strategy="forward").fill_null(0.0).to_numpy()
    return _wound_on(found, DAY if taken["hours"].any() else HOUR)


def _wound_on(seconds: Samples, period: float) -> Samples:
    """A clock that falls from the end of its day or hour to the start of it goes on."""
    found = seconds.copy()
    good = np.flatnonzero(np.isfinite(found))
    raw = found[good]
    before = np.concatenate((raw[:1], raw[:-1]))
    round_once = (before > (1.0 - AROUND) * period) & (raw < AROUND * period)
    found[good] += period * np.cumsum(round_once & (before < period))
    return found


def _days(dates: list[str]) -> dict[str, float]:
    """Days from the first of some dates; dates that cannot be are left out.

    Of "01/12/2024" either number may be the month: the order is taken under which all are dates
    and lie closest together, for a log is shorter than a month.
    """
    best: dict[str, float] = {}
    for order in ((1, 0), (0, 1)):
        found = {text: day for text in dates if (day := _ordinal(text, order)) is not None}
        if not found:
            continue
        low = min(found.values())
        shifted = {text: float(day - low) for text, day in found.items()}
        longer = len(found) > len(best)
        if longer or (len(found) == len(best) and max(shifted.values()) < max(best.values())):
            best = shifted
    return best


def _ordinal(text: str, order: tuple[int, int]) -> int | None:
    """The number of a day; ``order`` says where month and day stand when the year comes last."""
    parts = [int(part) for part in re.split(r"[-./]", text)]
    year, rest = (parts[0], parts[1:]) if parts[0] > 31 else (parts[2], parts[:2])
    month, day = rest if parts[0] > 31 else (rest[order[0]], rest[order[1]])
    try:
        return date(year + (2000 if year < 100 else 0), month, day).toordinal()
    except ValueError:
        return None


def run(raw: Samples, file: str) -> Clock:
    """A rising clock from the logger's own in seconds; refuses one that is no clock."""
    notes: list[str] = []
    least, most = _steps(raw)
    if not np.isfinite(least):
        raw = _between(raw, file, notes)
        least, most = _steps(raw)
    back = np.flatnonzero(np.diff(raw) < 0) if least < 0 else np.empty(0, dtype=np.int64)
    if len(back) > MOST_RESETS or len(back) > 0.02 * len(raw) + 1:
        raise _no_clock(file, f"the time runs backwards {len(back)} times")
    if not most > 0:
        raise _no_clock(file, "the time never moves")
    seconds, resets = _mended(raw, back, _usual(raw))
    if not least > 0:
        seconds, spread = _spread(seconds)
        notes += [spread] if spread else []
    usual = _usual(seconds)
    return Clock(seconds, 1.0 / usual, _gaps(seconds, usual), resets, tuple(notes))


def _steps(time: Samples) -> tuple[float, float]:
    """The least and the largest step, block by block: a whole array of them is dear to make."""
    found = [
        (steps.min(), steps.max())
        for at in range(0, len(time) - 1, BLOCK)
        if len(steps := np.diff(time[at : at + BLOCK + 1]))
    ]
    if not found:
        return np.nan, np.nan
    least, most = zip(*found, strict=True)
    return float(np.min(least)), float(np.max(most))


def _between(raw: Samples, file: str, notes: list[str]) -> Samples:
    """A row without a time stands between its neighbours."""
    good = np.isfinite(raw)
    if good.sum() < 2 or good.mean() < 0.5:
        raise _no_clock(file, "the time column is empty in most rows")
    notes.append(f"{int((~good).sum())} rows have no time; they stand between their neighbours")
    index = np.arange(len(raw))
    return np.interp(index, index[good], raw[good])


def _usual(time: Samples) -> float:
    """Median of the steps forward; of a long log that of pieces of it, evenly taken."""
    piece = max(1, MEDIAN_OF // PIECES)
    apart = max(piece, len(time) // PIECES)
    seen = np.concatenate(
        [np.diff(time[at : at + piece + 1]) for at in range(0, len(time) - 1, apart)]
    )
    forward = seen[seen > 0]
    if not len(forward):
        steps = np.diff(time)
        forward = steps[steps > 0]
    return float(np.median(forward))


def rate_of(time: Samples) -> float:
    """Rows a second [1/s] of a clock that runs [s]; 1 where it has no step."""
    return 1.0 / _usual(time) if _steps(time)[1] > 0.0 else 1.0


def _no_clock(file: str, problem: str) -> CannotAnswer:
    return CannotAnswer(
        f"{file}: {problem}",
        ("a time that runs forward: switch the logger's time stamp on and record again",),
    )


def _mended(raw: Samples, back: np.ndarray, usual: float) -> tuple[Samples, tuple[Reset, ...]]:
    """After each jump back the clock goes on, one second later: a gap, not a moment."""
    if not len(back):
        return (raw - raw[0] if raw[0] else raw), ()  # most loggers start at nought: no copy
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
    longest = max(GAP_STEPS * usual, SHORTEST_GAP)
    if _steps(seconds)[1] <= longest:
        return ()
    wide = np.flatnonzero(np.diff(seconds) > longest)
    return tuple(Gap(float(seconds[i]), float(seconds[i + 1])) for i in wide[:10_000])
