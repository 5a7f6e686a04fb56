"""A control unit of our own on python-can's virtual bus, written from the other side.

It encodes values by the formulas of SAE J1979 turned round, sends answers in one or more frames as
ISO 15765-2 asks, waits for flow control, and counts everything that it did not like.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable

import can

# parameter -> bytes of a value in the units of the standard
ENCODERS: dict[int, Callable[[float], bytes]] = {
    0x05: lambda degrees: bytes([round(degrees + 40)]),
    0x0A: lambda kpa: bytes([round(kpa / 3)]),
    0x0B: lambda kpa: bytes([round(kpa)]),
    0x0C: lambda rpm: round(rpm * 4).to_bytes(2, "big"),
    0x0F: lambda degrees: bytes([round(degrees + 40)]),
    0x24: lambda mix: round(mix * 32768).to_bytes(2, "big") + b"\x4c\xcc",
    0x33: lambda kpa: bytes([round(kpa)]),
    0x42: lambda volts: round(volts * 1000).to_bytes(2, "big"),
}


def lists(pids: set[int]) -> dict[int, bytes]:
    """Answers to the questions which parameters there are."""
    found = {}
    for start in (0x00, 0x20, 0x40):
        bits = 0
        for number in range(1, 33):
            last = number == 32 and any(pid > start + 0x20 for pid in pids)
            if start + number in pids or last:
                bits |= 1 << (32 - number)
        found[start] = bits.to_bytes(4, "big")
    return found


class Ecu:
    """Answers on 7E8 (or 18DAF110) from its own thread until it is closed."""

    def __init__(self, channel: str, values: dict[int, float], **ways: object) -> None:
        self.bus = can.Bus(interface=str(ways.get("interface", "virtual")), channel=channel)
        self.values = values
        self.extended = bool(ways.get("extended"))
        self.single_only = bool(ways.get("single_only"))  # refuses several parameters at once
        self.pending = bool(ways.get("pending"))  # says first that it needs longer
        self.lose_frame = bool(ways.get("lose_frame"))  # the second frame of an answer never comes
        self.silent = False
        self.requests: list[tuple[float, bytes]] = []
        self.answered: list[tuple[float, bytes]] = []  # when a whole answer was on its way
        self.strange: list[can.Message] = []  # what no reading tool would send
        self.flow = threading.Event()
        self._stop = threading.Event()
        self._work: list[bytes] = []
        self._due = threading.Event()
        self._threads = [threading.Thread(target=t, daemon=True) for t in (self._hear, self._tell)]
        for thread in self._threads:
            thread.start()

    @property
    def asked(self) -> tuple[int, int]:
        return (0x18DB33F1, 0x18DA10F1) if self.extended else (0x7DF, 0x7E0)

    @property
    def answers(self) -> int:
        return 0x18DAF110 if self.extended else 0x7E8

    def _hear(self) -> None:
        while not self._stop.is_set():
            frame = self.bus.recv(0.05)
            if frame is None:
                continue
            if frame.is_extended_id != self.extended and frame.arbitration_id in (
                0x7DF, 0x18DB33F1,
            ):  # fmt: skip
                continue  # the other length of identifiers is not ours
            data = bytes(frame.data)
            if frame.arbitration_id == self.asked[1] and data[:1] == b"\x30":
                self.flow.set()
            elif frame.arbitration_id in self.asked and 2 <= data[0] <= 7 and data[1] == 1:
                self.requests.append((time.monotonic(), data))
                self._work.append(data[2 : 1 + data[0]])
                self._due.set()
            else:
                self.strange.append(frame)

    def _tell(self) -> None:
        while not self._stop.is_set():
            if not self._due.wait(0.05):
                continue
            self._due.clear()
            while self._work:
                pids = self._work.pop(0)
                if not self.silent:
                    self._answer(pids)

    def _answer(self, pids: bytes) -> None:
        if self.single_only and len(pids) > 1:
            self._send(b"\x03\x7f\x01\x12")
            return
        if self.pending:
            self._send(b"\x03\x7f\x01\x78")
            time.sleep(0.2)
        known = lists(set(self.values))
        payload = b"\x41"
        for pid in pids:
            if pid in known:
                payload += bytes([pid]) + known[pid]
            elif pid in self.values:
                payload += bytes([pid]) + ENCODERS[pid](self.values[pid])
        if len(payload) > 1:
            self.answered.append((time.monotonic(), payload))
            self._send_payload(payload)

    def _send_payload(self, payload: bytes) -> None:
        if len(payload) <= 7:
            self._send(bytes([len(payload)]) + payload)
            return
        self.flow.clear()
        self._send((0x1000 | len(payload)).to_bytes(2, "big") + payload[:6])
        if not self.flow.wait(0.2):
            return
        rest, number = payload[6:], 1
        while rest:
            if not (self.lose_frame and number == 1):
                self._send(bytes([0x20 | number % 16]) + rest[:7])
            rest, number = rest[7:], number + 1

    def _send(self, data: bytes) -> None:
        self.bus.send(
            can.Message(
                arbitration_id=self.answers,
                data=data.ljust(8, b"\xaa"),
                is_extended_id=self.extended,
            )
        )

    def close(self) -> None:
        self._stop.set()
        for thread in self._threads:
            thread.join(2.0)
        self.bus.shutdown()
