"""OBD-II current data (service 01) over CAN: requests, answers in one or more frames, a poller.

ISO 15765-4 for identifiers and timing, ISO 15765-2 for frames, SAE J1979 for the parameters. The
poller keeps one request outstanding, a cap on its rate, and backs off from a silent car.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from threading import Event
from typing import Any

from keyturn.build.schema import read_data
from keyturn.logs.can_bus import (
    FUNCTIONAL,
    FUNCTIONAL_29,
    AskingBus,
    Frame,
    Put,
    SourceLost,
    package,
)
from keyturn.logs.live import Sample, steady

ANSWER = 0x41
REFUSED, BUSY, PENDING = 0x7F, 0x21, 0x78
LIST = 0x20  # a parameter list stands at every multiple of this
LISTS = (0x00, 0x20, 0x40)
TIMEOUT = 0.1  # [s] for an answer: 50 ms by the standard, and as much for our side
LONGER = 1.0  # [s] when the unit said that it needs longer
BETWEEN = 0.25  # [s] between two frames of one answer
RATE = 20.0  # requests a second at most
BACK_OFF = (0.1, 0.2, 0.5, 1.0, 2.0)  # [s] after one, two, ... requests without answer
LOST = 8  # unanswered requests after which the car counts as gone
PAD = 0x00


@dataclass(frozen=True)
class Parameter:
    """One value of a parameter; a parameter may carry several."""

    pid: int
    bytes: int
    name: str
    at: tuple[int, int]
    times: float
    per: float
    offset: float
    top: int | None
    bottom: int | None
    poll: str

    def value(self, raw: int) -> float:
        """SI value of a raw number."""
        return raw * self.times / self.per + self.offset


@cache
def parameters() -> Mapping[int, tuple[Parameter, ...]]:
    """Every parameter that is understood, by its number."""
    found: dict[int, tuple[Parameter, ...]] = {}
    for row in read_data("obd.toml")["row"]:
        one = Parameter(
            row["pid"], row["bytes"], row["name"], tuple(row.get("at", (0, row["bytes"]))),
            row.get("times", 1), row.get("per", 1), row.get("offset", 0.0), row.get("top"),
            row.get("bottom"), row.get("poll", ""),
        )  # fmt: skip
        found[one.pid] = (*found.get(one.pid, ()), one)
    return found


def decode(pid: int, data: bytes) -> list[Sample]:
    """Values of one parameter; at the end of its scale a sensor says nothing."""
    found = []
    for row in parameters().get(pid, ()):
        if len(data) != row.bytes:
            continue
        raw = int.from_bytes(data[row.at[0] : row.at[0] + row.at[1]], "big")
        if raw in (row.top, row.bottom):
            side = "more" if raw == row.top else "less"
            note = f"at the end of its scale, {row.value(raw):.6g} in SI or {side}"
            found.append(Sample(row.name, math.nan, note))
        else:
            found.append(Sample(row.name, row.value(raw)))
    return found


def parted(payload: bytes) -> Iterator[tuple[int, bytes]]:
    """The parameters in an answer to service 01; ends where one is not understood or cut off."""
    at = 1
    while at < len(payload):
        pid = payload[at]
        length = 4 if pid % LIST == 0 else next((p.bytes for p in parameters().get(pid, ())), 0)
        data = payload[at + 1 : at + 1 + length]
        if not length or len(data) < length:
            return
        yield pid, data
        at += 1 + length


def listed(pid: int, data: bytes) -> set[int]:
    """The parameters that the list at ``pid`` names."""
    bits = int.from_bytes(data[:4], "big")
    return {pid + 1 + number for number in range(32) if bits >> (31 - number) & 1}


@dataclass
class Gathered:
    """An answer that comes in several frames."""

    length: int
    data: bytearray
    next: int = 1


@dataclass
class Transport:
    """Puts frames of answers together, for each unit by itself."""

    extended: bool = False
    open: dict[int, Gathered] = field(default_factory=dict)

    def take(self, frame: Frame) -> tuple[bytes | None, bool]:
        """A whole payload once there is one, and whether a flow control is due."""
        data, unit = bytes(frame.data), frame.arbitration_id
        kind = data[0] >> 4 if data else -1
        if kind == 0:
            length = data[0]
            return (data[1 : 1 + length], False) if 0 < length < len(data) else (None, False)
        if kind == 1 and len(data) == 8:
            length = (data[0] & 0xF) << 8 | data[1]
            if length <= 7:
                return None, False
            self.open[unit] = Gathered(length, bytearray(data[2:]))
            return None, True
        waiting = self.open.get(unit)
        if kind != 2 or waiting is None:
            return None, False
        if data[0] & 0xF != waiting.next % 16:
            # a frame was lost: half an answer is none
            del self.open[unit]
            return None, False
        waiting.data += data[1:]
        waiting.next += 1
        if len(waiting.data) < waiting.length:
            return None, False
        del self.open[unit]
        return bytes(waiting.data[: waiting.length]), False

    def is_answer(self, frame: Frame) -> bool:
        """Whether the frame comes from a unit that answers diagnostics."""
        if frame.is_extended_id != self.extended or frame.is_remote_frame or frame.is_error_frame:
            return False
        if self.extended:
            return frame.arbitration_id & ~0xFF == 0x18DAF100
        return 0x7E8 <= frame.arbitration_id <= 0x7EF

    def asked_at(self, unit: int) -> int:
        """Where a unit is asked that answers as ``unit``."""
        return 0x18DA00F1 | (unit & 0xFF) << 8 if self.extended else unit - 8


class Poller:
    """Asks a car for what it offers and is understood; the fast values in every round."""

    def __init__(
        self,
        bus: Any,
        rate: float = RATE,
        clock: Callable[[], float] = steady,
        timeout: float = TIMEOUT,
    ) -> None:
        self.bus = AskingBus(bus)
        self._can, self._clock = package("can"), clock
        self.rate, self.timeout = min(rate, RATE), timeout
        self._asked = -math.inf
        self._silent = 0
        self.transport = Transport()
        self.unit = 0
        self.offered: set[int] = set()
        self.together = True  # several parameters in a request, until the car does not like it

    def run(self, put: Put, stop: Event) -> None:
        """Find out what the car offers, then ask for it round after round."""
        while not self.offered and not stop.is_set():
            self.discover(stop)
        rounds = self._rounds()
        while not stop.is_set():
            wanted = next(rounds)
            for part in [wanted] if self.together else [(pid,) for pid in wanted]:
                answer = self._ask(self.transport.asked_at(self.unit), part, stop)
                samples = [s for pid, data in parted(answer) for s in decode(pid, data)]
                if samples:
                    put(samples, self._clock())
                elif len(part) > 1 and self._silent >= 2 and not stop.is_set():
                    self.together = False

    def discover(self, stop: Event) -> None:
        """Which unit offers most of what is understood: eleven bits first, then twenty-nine."""
        for extended in (False, True):
            self.transport = Transport(extended)
            found: dict[int, set[int]] = {}
            for start in LISTS:
                if start and not any(start in pids for pids in found.values()):
                    break
                target = FUNCTIONAL_29 if extended else FUNCTIONAL
                for unit, payload in self._all(target, (start,), stop):
                    for pid, data in parted(payload):
                        if pid == start and payload[0] == ANSWER:
                            found.setdefault(unit, set()).update(listed(pid, data))
            known = {u: {p for p in pids if _polled(p)} for u, pids in found.items()}
            if known:
                self.unit = max(known, key=lambda unit: len(known[unit]))
                self.offered = known[self.unit]
            if self.offered or stop.is_set():
                return
        raise SourceLost("no unit on the bus offers anything that is watched here")

    def _rounds(self) -> Iterator[tuple[int, ...]]:
        fast = [pid for pid in sorted(self.offered, key=_first) if _polled(pid) == "fast"]
        slow = [pid for pid in sorted(self.offered) if _polled(pid) == "slow"]
        extra = [pid for pid in sorted(self.offered) if _polled(pid) == "extra"]
        turn = 0
        while True:
            # one by one there is no time for what no limit needs: the rest would grow stale
            turns = slow + extra if self.together else slow
            more = [turns[turn % len(turns)]] if turns else []
            turn += 1
            yield tuple((fast[:5] + more)[:6])

    def _ask(self, target: int, pids: tuple[int, ...], stop: Event) -> bytes:
        for _, payload in self._all(target, pids, stop, first=True):
            if payload[:1] == bytes([ANSWER]):
                return payload
        return b""

    def _all(
        self, target: int, pids: tuple[int, ...], stop: Event, first: bool = False
    ) -> list[tuple[int, bytes]]:
        """Send one request and take its answers: the first whole one, or all within the time."""
        self._wait(stop)
        data = bytes([1 + len(pids), 0x01, *pids]).ljust(8, bytes([PAD]))
        self.transport.open.clear()
        self._empty()
        self._send(target, data)
        found: list[tuple[int, bytes]] = []
        deadline = self._clock() + self.timeout
        while not stop.is_set() and (left := deadline - self._clock()) > 0.0:
            frame = self.bus.recv(left)
            if frame is None or not self.transport.is_answer(frame):
                continue
            unit = frame.arbitration_id
            if first and unit != self.unit:
                continue  # asked by somebody else on the bus
            payload, due = self.transport.take(frame)
            if due:
                self._send(self.transport.asked_at(unit), b"\x30\x00\x00".ljust(8, bytes([PAD])))
            if self.transport.open:
                deadline = self._clock() + BETWEEN
            if payload is None:
                continue
            if payload[:2] == bytes([REFUSED, 0x01]):
                if payload[2:3] == bytes([PENDING]):
                    deadline = self._clock() + LONGER
                elif first:
                    break
                continue
            if len(payload) > 1 and payload[0] == ANSWER and payload[1] in pids:
                found.append((unit, payload))
                if first:
                    break
        self._silent = 0 if found else self._silent + 1
        if self._silent >= LOST:
            raise SourceLost(f"the car did not answer {LOST} requests")
        return found

    def _empty(self) -> None:
        """Throw away what came before the request: an answer to an older one is not live."""
        until = self._clock() + 0.02
        while self.bus.recv(0.0) is not None and self._clock() < until:
            pass

    def _send(self, target: int, data: bytes) -> None:
        self.bus.send(
            self._can.Message(
                arbitration_id=target, data=data, is_extended_id=self.transport.extended
            )
        )

    def _wait(self, stop: Event) -> None:
        """Keep to the rate, and longer away from a car that does not answer."""
        pause = 1.0 / self.rate
        if self._silent:
            pause = max(pause, BACK_OFF[min(self._silent, len(BACK_OFF)) - 1])
        left = self._asked + pause - self._clock()
        if left > 0.0:
            stop.wait(left)
        self._asked = self._clock()


def _polled(pid: int) -> str:
    return next((row.poll for row in parameters().get(pid, ()) if row.poll), "")


def _first(pid: int) -> int:
    """Pressure before everything else."""
    order: Sequence[int] = (0x22, 0x0A, 0x0B, 0x0C, 0x24, 0x23)
    return order.index(pid) if pid in order else len(order)
