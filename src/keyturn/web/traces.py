"""Traces of a log for a screen: least and greatest of each pixel, or the samples themselves.

A channel is read once and kept with its reduced levels (`logs.pyramid`) as long as there is room;
after that a zoom costs as many steps as there are pixels. An answer is binary, 32-bit floats, the
low byte first. For each channel a head of four (form, how many, least and greatest of the whole
log), then for each channel two rows of that many numbers:

- form 0: least and greatest of each pixel. NaN: nothing is there, the line ends. Infinity: no
  sample falls into this pixel, but the line goes on.
- form 1: place in the window (0 to 1) and value of each sample, where there are not many more
  samples than pixels; one more on either side. NaN ends the line.
"""

from __future__ import annotations

import threading
import zipfile
from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import cast

import numpy as np
from numpy.typing import NDArray

from keyturn.logs.frame import Gap, Recording, Samples
from keyturn.logs.pyramid import Pyramid
from keyturn.logs.stored import read_frame

MOST_BYTES = 256 * 1024 * 1024  # of channels kept for all logs together
SAMPLES_A_PIXEL = 2  # up to which the samples themselves are sent
PIXELS, SAMPLES = 0.0, 1.0  # forms
LARGEST = 3e38
AT_ONCE = 2_000_000  # rows up to which all channels are read together

Numbers = NDArray[np.float32]


@dataclass(frozen=True)
class Trace:
    """One channel, ready to be drawn at any zoom."""

    pyramid: Pyramid
    gap_starts: Samples
    gap_ends: Samples
    low: float
    high: float

    @property
    def bytes(self) -> int:
        levels = self.pyramid.levels
        return int(levels[0][1].nbytes + sum(a.nbytes + b.nbytes for _, a, b in levels[1:]))

    def view(self, start: float, end: float, pixels: int) -> tuple[float, Numbers, Numbers]:
        """(form, first row, second row) of what is to be drawn from ``start`` to ``end`` [s]."""
        time = self.pyramid.time
        first = int(np.searchsorted(time, start, "left"))
        last = int(np.searchsorted(time, end, "right"))
        if last - first <= SAMPLES_A_PIXEL * pixels:
            return SAMPLES, *self._samples(start, end, max(0, first - 1), last + 1)
        found = self.pyramid.view(start, end, pixels)
        low, high = found.low.astype(np.float32), found.high.astype(np.float32)
        goes_on = self._without_rows(found.edges) & ~self._in_gap(found.edges)
        low[goes_on] = high[goes_on] = np.inf
        return PIXELS, low, high

    def _samples(self, start: float, end: float, first: int, last: int) -> tuple[Numbers, Numbers]:
        time = np.asarray(self.pyramid.time[first:last])
        values = self.pyramid.levels[0][1][first:last].astype(np.float32)
        place = ((time - start) / (end - start)).astype(np.float32)
        # the row after each gap, within this piece; a row of nothing goes before it
        after = np.searchsorted(time, self.gap_ends, "left")
        after = np.unique(after[(after > 0) & (after < len(time))])
        return (
            np.insert(place, after, place[after]),
            np.insert(values, after, np.float32(np.nan)),
        )

    def _without_rows(self, edges: Samples) -> NDArray[np.bool_]:
        cuts = np.searchsorted(self.pyramid.time, edges, "left")
        cuts[-1] = np.searchsorted(self.pyramid.time, edges[-1], "right")
        empty: NDArray[np.bool_] = np.diff(cuts) == 0
        return empty

    def _in_gap(self, edges: Samples) -> NDArray[np.bool_]:
        ended = np.searchsorted(self.gap_ends, edges[:-1], "right")
        begun = np.searchsorted(self.gap_starts, edges[1:], "left")
        inside: NDArray[np.bool_] = ended < begun
        return inside

    def at(self, time: float) -> tuple[float, int, float]:
        """Time, row and value of the sample nearest to ``time`` [s]."""
        times = self.pyramid.time
        after = int(np.clip(np.searchsorted(times, time, "left"), 1, len(times) - 1))
        row = after - int(time - times[after - 1] < times[after] - time)
        return float(times[row]), row, float(self.pyramid.levels[0][1][row])


def trace(time: Samples, values: Samples, gaps: Sequence[Gap] = ()) -> Trace:
    """A trace of its samples; kept in 32 bits, for that is what a screen gets of them."""
    bounded = np.clip(values, -LARGEST, LARGEST)  # a logger's 1e300 would become an infinity
    pyramid = Pyramid(time, cast(Samples, bounded.astype(np.float32)))
    _, low, high = pyramid.levels[-1]
    there = bool(np.isfinite(low).any())
    return Trace(
        pyramid,
        np.array([gap.start for gap in gaps]),
        np.array([gap.end for gap in gaps]),
        float(np.nanmin(low)) if there else np.nan,
        float(np.nanmax(high)) if there else np.nan,
    )


class Traces:
    """Channels of the logs that are looked at; what was not looked at longest goes first."""

    def __init__(self, most: int = MOST_BYTES) -> None:
        self.most = most
        self._rows: OrderedDict[tuple[object, ...], Trace] = OrderedDict()
        self._lock = threading.Lock()

    @property
    def bytes(self) -> int:
        return sum(row.bytes for row in self._rows.values())

    def of(
        self, recording: Recording, names: Sequence[str], derived: Path | None = None
    ) -> list[Trace]:
        """The channels of that name; those that are not recorded come from the file ``derived``."""
        keys = {name: _key(recording, name, derived) for name in names}
        with self._lock:  # two pages that ask for the same make it once
            found = {name: self._rows[key] for name, key in keys.items() if key in self._rows}
            found |= _read(recording, [name for name in keys if name not in found], derived)
            for name, key in keys.items():
                self._rows[key] = found[name]
                self._rows.move_to_end(key)
            while len(self._rows) > 1 and self.bytes > self.most:
                self._rows.popitem(last=False)
        return [found[name] for name in names]


def derived_names(file: Path) -> list[str]:
    """Channels in a file of derived ones; none where it is not there or cannot be read."""
    try:
        with np.load(file) as rows:
            return [name for name in rows.files if name != "time"]
    except (OSError, ValueError, zipfile.BadZipFile):
        return []


def _read(recording: Recording, names: list[str], derived: Path | None) -> dict[str, Trace]:
    recorded = [name for name in names if name in recording.channels]
    found: dict[str, Trace] = {}
    # a long log one channel after the other: together they would stand there twice
    together = recorded and recording.rows <= AT_ONCE
    for some in [recorded] if together else [[name] for name in recorded]:
        frame = read_frame(recording, some)
        time = np.asarray(recording.times())  # mapped from disk, not copied for each channel
        found |= {name: trace(time, frame[name], recording.gaps) for name in some}
    others = [name for name in names if name not in found]
    if others and derived is not None:
        with np.load(derived) as rows:
            found |= {name: trace(rows["time"], rows[name], recording.gaps) for name in others}
    return found


def _key(recording: Recording, name: str, derived: Path | None) -> tuple[object, ...]:
    """Another one whenever the table, its clock or the reading of the column is another."""
    if name not in recording.channels and derived is not None:
        state = derived.stat()
        return str(derived), state.st_mtime_ns, state.st_size, name
    table, clock = recording.path.stat(), recording.clock.stat()
    channel = recording.channels[name]
    return (
        str(recording.path), table.st_mtime_ns, table.st_size, clock.st_mtime_ns,
        channel.column, channel.scale, channel.offset, channel.rate,
    )  # fmt: skip


def packed(traces: Sequence[Trace], start: float, end: float, pixels: int) -> bytes:
    """The binary answer; see the head of this file."""
    views = [one.view(start, end, pixels) for one in traces]
    heads = [
        (form, len(first), one.low, one.high)
        for one, (form, first, _) in zip(traces, views, strict=True)
    ]
    rows = [np.array(heads, dtype="<f4").ravel()]
    rows += [row.astype("<f4", copy=False) for _, *both in views for row in both]
    return b"".join(row.tobytes() for row in rows)
