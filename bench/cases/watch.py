"""Live watch: from a frame on the bus to the alarm, and whether a fast bus loses frames.

A frame stands for values of every channel of the step; the alarm is measured with the limit that
has no hold, so that nothing but our own work lies between. Sender and watch share one
interpreter on python-can's virtual bus: a real interface leaves the watch more time.
"""

from __future__ import annotations

import statistics
import tempfile
import threading
import time
from pathlib import Path
from typing import Any

import can
import numpy as np

from keyturn.logs.alarm import Judge, Numbers
from keyturn.logs.can_bus import CanSource, Named
from keyturn.logs.decide import Context
from keyturn.logs.live import Live
from keyturn.logs.record import Recorder
from report import Report

DBC = """VERSION ""
NS_ :
BS_:
BU_: ECU
BO_ 512 Fuel: 8 ECU
 SG_ rail_gauge : 0|16@1+ (0.1,0) [0|6500] "kPa gauge" ECU
 SG_ manifold_pressure : 16|16@1+ (0.1,0) [0|6500] "kPa absolute" ECU
 SG_ engine_speed : 32|16@1+ (0.25,0) [0|16000] "rpm" ECU
 SG_ voltage : 48|16@1+ (0.001,0) [0|65] "V" ECU
"""
NUMBERS = Numbers(
    "L9", "full", ("rail-pressure", "pump-voltage"), {"rail-pressure": 380e3, "pump-voltage": 12.8},
    100.0, 80e3, 100e3, 150e3, 1.0, np.array([1e5, 2e5]), np.array([1.0, 0.8]), 0.04,
)  # fmt: skip
SECONDS = 6.0


class _Watch:
    """The path of the task: judged first, recorded after."""

    def __init__(self, folder: Path, channel: str) -> None:
        names = folder / "bus.dbc"
        names.write_text(DBC)
        self.live, self.judge = Live(), Judge(NUMBERS, time.monotonic())
        self.recorder = Recorder(folder / f"{channel}.csv")
        self.source = CanSource(
            can.Bus(interface="virtual", channel=channel), Named(names, {}, Context())
        )
        self.taken = 0
        self.alarms: list[float] = []
        self.stop = threading.Event()
        self.thread = threading.Thread(target=self.source.run, args=(self.take, self.stop))
        self.thread.start()

    def take(self, samples: Any, at: float) -> None:
        self.taken += 1
        self.live.put(samples, at)
        for change in self.judge.see(at, self.live):
            if change.began:
                self.alarms.append(time.perf_counter())
        self.recorder.put(at, {one.name: one.value for one in samples})

    def end(self) -> None:
        self.stop.set()
        self.thread.join()
        self.recorder.close()
        self.source.bus.close()


def run(report: Report) -> None:
    """All rows of this case."""
    with tempfile.TemporaryDirectory() as folder:
        _delay(report, Path(folder))
        _fast(report, Path(folder))


def _frame(rail: float) -> can.Message:
    values = (round(rail / 100), 1500, 12000, 13500)
    data = b"".join(value.to_bytes(2, "little") for value in values)
    return can.Message(arbitration_id=512, data=data, is_extended_id=False)


def _delay(report: Report, folder: Path) -> None:
    """100 frames a second; every 1.5 s one far below the limit."""
    watch = _Watch(folder, "delay")
    sender = can.Bus(interface="virtual", channel="delay")
    sent, start = [], time.perf_counter()
    for number in range(round(SECONDS * 100)):
        bad = number % 150 == 100
        if bad:
            sent.append(time.perf_counter())
        sender.send(_frame(340e3 if bad else 400e3))
        time.sleep(max(0.0, start + (number + 1) / 100 - time.perf_counter()))
    watch.end()
    sender.shutdown()
    if len(watch.alarms) != len(sent):
        raise RuntimeError(f"{len(sent)} alarms were due, {len(watch.alarms)} came")
    delays = [b - a for a, b in zip(sent, watch.alarms, strict=True)]
    print(f"alarms {len(delays)}, median {statistics.median(delays) * 1e3:.2f} ms", flush=True)
    report.want("frame to alarm at 100 frames/s, longest [ms]", max(delays) * 1e3, "<=", 50.0)


def _fast(report: Report, folder: Path) -> None:
    """2,000 frames a second, all named, judged and recorded."""
    watch = _Watch(folder, "fast")
    sender = can.Bus(interface="virtual", channel="fast")
    count, start = round(SECONDS * 2000), time.perf_counter()
    busy = time.process_time()
    for number in range(count):
        sender.send(_frame(400e3))
        if number % 10 == 9:
            time.sleep(max(0.0, start + (number + 1) / 2000 - time.perf_counter()))
    took = time.perf_counter() - start
    end = time.monotonic() + 5.0
    while watch.taken < count and time.monotonic() < end:
        time.sleep(0.01)
    share = (time.process_time() - busy) / took
    watch.end()
    sender.shutdown()
    lines = watch.recorder.acknowledged - 1
    print(f"sent at {count / took:.0f} frames/s, {share:.0%} of one core with the sender")
    report.want("frames lost at 2,000 frames/s", float(count - watch.taken), "<=", 0.0)
    report.want("lines not recorded of these", float(count - lines), "<=", 0.0)
