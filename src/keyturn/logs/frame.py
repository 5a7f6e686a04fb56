"""What a recording is once imported, and the piece of it that a reader works on.

A recording points to the original, which is never altered, and to an Arrow table of the same
numbers in the units of the logger. Its channels say how a column becomes SI; so a wrong mapping
is put right without reading the original again.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

Samples = NDArray[np.float64]


@dataclass(frozen=True)
class Channel:
    """How a column of the table becomes a channel in SI: number * ``scale`` + ``offset``."""

    name: str  # canonical, a row of data/channels.toml
    column: str  # as the logger calls it
    unit: str  # as it was taken: "psi gauge", "AFR of petrol"
    scale: float
    offset: float
    rate: float  # values a second [1/s]; less than the rows of the file where cells are empty


@dataclass(frozen=True)
class Gap:
    """A stretch without rows, longer than several usual steps."""

    start: float
    end: float


@dataclass(frozen=True)
class Reset:
    """The logger's clock went back: its recording started again within the file."""

    row: int
    before: float  # on the logger's clock
    after: float
    at: float  # on our clock, which goes on


@dataclass(frozen=True)
class Recording:
    """One imported log."""

    name: str
    source: Path  # the original, in logs/
    path: Path  # the Arrow table, in made/logs/
    rows: int
    columns: tuple[str, ...]
    channels: dict[str, Channel] = field(default_factory=dict)
    rate: float = 0.0  # rows a second, median
    duration: float = 0.0
    gaps: tuple[Gap, ...] = ()
    resets: tuple[Reset, ...] = ()
    notes: tuple[str, ...] = ()
    refused: tuple[tuple[int, str], ...] = ()  # line of the original, why; the first hundred
    refused_rows: int = 0

    @property
    def clock(self) -> Path:
        """Seconds of every row from the start, rising, as a NumPy file that can be mapped."""
        return self.path.with_suffix(".time.npy")

    def times(self) -> Samples:
        """The clock, mapped from disk."""
        found: Samples = np.load(self.clock, mmap_mode="r")
        return found


@dataclass(frozen=True)
class Frame:
    """Channels in SI on one clock; a sample that is not there is NaN."""

    time: Samples  # [s]
    channels: Mapping[str, Samples]  # may be read from disk when it is asked for

    def __len__(self) -> int:
        return len(self.time)

    def __getitem__(self, name: str) -> Samples:
        return self.channels[name]

    def __contains__(self, name: object) -> bool:
        return name in self.channels

    def window(self, start: float, end: float) -> Frame:
        """The rows from ``start`` to ``end`` [s], both included."""
        low = int(np.searchsorted(self.time, start, "left"))
        high = int(np.searchsorted(self.time, end, "right"))
        parts = {name: values[low:high] for name, values in self.channels.items()}
        return Frame(self.time[low:high], parts)


def to_text(recording: Recording) -> str:
    """A recording as JSON; only the names of its files, so that a build folder may be moved."""
    plain = asdict(recording)
    plain["source"], plain["path"] = recording.source.name, recording.path.name
    return json.dumps(plain, indent=1, ensure_ascii=False)


def from_text(text: str, originals: Path, made: Path) -> Recording:
    """Back from `to_text`, with the folders where the two files are."""
    plain: dict[str, Any] = json.loads(text)
    return Recording(
        **{
            **plain,
            "source": originals / plain["source"],
            "path": made / plain["path"],
            "columns": tuple(plain["columns"]),
            "channels": {name: Channel(**row) for name, row in plain["channels"].items()},
            "gaps": tuple(Gap(**row) for row in plain["gaps"]),
            "resets": tuple(Reset(**row) for row in plain["resets"]),
            "notes": tuple(plain["notes"]),
            "refused": tuple((int(line), str(why)) for line, why in plain["refused"]),
        }
    )


def with_channels(recording: Recording, channels: Mapping[str, Channel]) -> Recording:
    """The same table under another mapping."""
    return replace(recording, channels=dict(channels))
