"""Live watch: from a frame on the bus to the alarm, and whether a fast bus loses frames.

The watch is the one that users have, with the limits of a step of an invented car, its judge, its
witness, its record and its raw frames on the disk. A frame stands for four channels; the alarm is
measured with the limit that has no hold, so that nothing but our own work lies between. Sender and
watch share one interpreter on python-can's virtual bus: a real interface leaves the watch more
time.
"""

from __future__ import annotations

import statistics
import tempfile
import time
from pathlib import Path
from typing import Any

import can

from live_bus import frame, pickup, watched
from report import Report

SECONDS = 6.0
GOOD, BAD = 400e3, 240e3  # [Pa] of rail pressure; the step asks for some 345 kPa at this load


class _Watch:
    """A watch of full boost by a bus with names; alarms with when they were cried."""

    def __init__(self, folder: Path, channel: str) -> None:
        self.alarms: list[float] = []
        self.it = watched(pickup(folder / channel), channel, self._heard)

    def _heard(self, changes: Any, status: Any) -> None:
        now = time.perf_counter()
        self.alarms += [now for one in changes if one.began and one.name == "pressure, at once"]


def run(report: Report) -> None:
    """All rows of this case."""
    with tempfile.TemporaryDirectory() as folder:
        _delay(report, Path(folder))
        _fast(report, Path(folder))


def _delay(report: Report, folder: Path) -> None:
    """100 frames a second; every 1.5 s one far below the limit."""
    watch = _Watch(folder, "delay")
    sender = can.Bus(interface="virtual", channel="delay")
    sent, start = [], time.perf_counter()
    for number in range(round(SECONDS * 100)):
        bad = number % 150 == 100
        if bad:
            sent.append(time.perf_counter())
        sender.send(frame(BAD if bad else GOOD))
        time.sleep(max(0.0, start + (number + 1) / 100 - time.perf_counter()))
    watch.it.stop()
    sender.shutdown()
    if len(watch.alarms) != len(sent):
        raise RuntimeError(f"{len(sent)} alarms were due, {len(watch.alarms)} came")
    delays = [b - a for a, b in zip(sent, watch.alarms, strict=True)]
    print(f"alarms {len(delays)}, median {statistics.median(delays) * 1e3:.2f} ms", flush=True)
    report.want("frame to alarm at 100 frames/s, longest [ms]", max(delays) * 1e3, "<=", 50.0)


def _fast(report: Report, folder: Path) -> None:
    """2,000 frames a second, all named, judged and recorded, and kept as they came."""
    watch = _Watch(folder, "fast")
    sender = can.Bus(interface="virtual", channel="fast")
    count, start = round(SECONDS * 2000), time.perf_counter()
    busy = time.process_time()
    for number in range(count):
        sender.send(frame(GOOD))
        if number % 10 == 9:
            time.sleep(max(0.0, start + (number + 1) / 2000 - time.perf_counter()))
    took = time.perf_counter() - start
    end = time.monotonic() + 5.0
    while watch.it.taken < count and time.monotonic() < end:
        time.sleep(0.01)
    share = (time.process_time() - busy) / took
    left = watch.it.stop()
    sender.shutdown()
    text = left.path.read_text(encoding="utf-8").splitlines()[1:]
    lines = sum(not row.endswith('"') for row in text)  # those with a word are no frames
    print(f"sent at {count / took:.0f} frames/s, {share:.0%} of one core with the sender")
    report.want("frames lost at 2,000 frames/s", float(count - watch.it.taken), "<=", 0.0)
    report.want("lines not recorded of these", float(count - lines), "<=", 0.0)
    report.want("raw frames not kept of these", float(count - left.frame_lines), "<=", 0.0)
