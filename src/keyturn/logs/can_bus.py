"""The bus: opened through python-can, kept from sending, its signals named by a DBC file.

What is only watched is wrapped so that it cannot send at all. What asks for diagnostics is wrapped
so that two kinds of frames leave and nothing else: a request of service 01 (current data, which
reads and changes nothing), and the flow control without which an answer in several frames stops.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from threading import Event
from typing import Any, Protocol

import numpy as np

from keyturn.errors import FileRefused, KeyturnError, Place, ValueRefused
from keyturn.logs.columns import Column, kinds, plain
from keyturn.logs.decide import Context, decide
from keyturn.logs.live import Sample, steady
from keyturn.logs.units_seen import read_unit

BITRATE = 500_000
WAIT = 0.1  # [s] for a frame before it is looked whether to end
PADDING = (0x00, 0x55, 0xAA, 0xCC, 0xFF)
FUNCTIONAL, PHYSICAL = 0x7DF, range(0x7E0, 0x7E8)
FUNCTIONAL_29, PHYSICAL_29 = 0x18DB33F1, 0x18DA00F1  # the second: the middle byte is the unit
SERVICE = 0x01
MOST_PIDS = 6
INSTALL = "pip install 'keyturn[can]'"

Put = Callable[[Sequence[Sample], float], None]
Tap = Callable[[Any, bool], None]  # a frame, and whether it was sent


class Source(Protocol):
    """Where live values come from."""

    def run(self, put: Put, stop: Event) -> None:
        """Hand values over until ``stop``; raises `SourceLost` when it ends before that."""


class SourceLost(KeyturnError):
    """A source ended or broke while it was watched."""


class SendRefused(KeyturnError):
    """A frame that is no reading request; nothing was sent."""


class Frame(Protocol):
    """What is used of a frame of python-can."""

    arbitration_id: int
    is_extended_id: bool
    is_remote_frame: bool
    is_error_frame: bool
    is_fd: bool
    data: bytearray


def only_reads(frame: Frame) -> bool:
    """Whether a frame is a request of service 01 or a flow control, and nothing besides."""
    if frame.is_remote_frame or frame.is_error_frame or frame.is_fd:
        return False
    data = bytes(frame.data)
    if len(data) != 8:
        return False
    group = frame.arbitration_id == (FUNCTIONAL_29 if frame.is_extended_id else FUNCTIONAL)
    if frame.is_extended_id:
        one = frame.arbitration_id & ~0xFF00 == PHYSICAL_29
    else:
        one = frame.arbitration_id in PHYSICAL
    if data[:3] == b"\x30\x00\x00":
        return one and _padded(data[3:])
    length = data[0]
    if not (group or one) or not 2 <= length <= 1 + MOST_PIDS:
        return False
    return data[1] == SERVICE and _padded(data[1 + length :])


def _padded(rest: bytes) -> bool:
    return not rest or (rest[0] in PADDING and rest == rest[:1] * len(rest))


class ListeningBus:
    """A bus that is read and never written."""

    def __init__(self, bus: Any) -> None:
        self.__bus = bus
        self.tap: Tap | None = None  # is shown every frame, whatever it carries

    def recv(self, timeout: float) -> Any:
        """The next frame, or None after ``timeout`` [s]; a broken bus is a `SourceLost`."""
        try:
            frame = self.__bus.recv(timeout)
        except Exception as error:  # each interface raises its own kinds
            raise SourceLost(f"the bus is lost: {type(error).__name__}: {error}") from error
        if frame is not None and self.tap is not None:
            self.tap(frame, False)
        return frame

    def send(self, frame: Frame) -> None:
        """Refuse it."""
        raise SendRefused("this bus is only listened to")

    def close(self) -> None:
        """Leave the bus."""
        self.__bus.shutdown()


class AskingBus(ListeningBus):
    """A bus on which reading requests leave, and nothing else."""

    def __init__(self, bus: Any) -> None:
        super().__init__(bus)
        self.__bus = bus
        self.sent = 0

    def send(self, frame: Frame) -> None:
        """Send a reading request; anything else is refused before it reaches the bus."""
        if not only_reads(frame):
            raise SendRefused(
                f"refused to send {frame.arbitration_id:X} {bytes(frame.data).hex(' ')}: only "
                "requests of service 01 and their flow control leave"
            )
        try:
            self.__bus.send(frame, timeout=WAIT)
        except Exception as error:  # each interface raises its own kinds
            raise SourceLost(f"the bus is lost: {type(error).__name__}: {error}") from error
        self.sent += 1
        if self.tap is not None:
            self.tap(frame, True)


def open_bus(text: str) -> Any:
    """The bus that "INTERFACE:CHANNEL" or "INTERFACE:CHANNEL:BITRATE" names."""
    interface, _, rest = text.partition(":")
    channel, _, rate = rest.partition(":")
    if not (interface and channel and (not rate or rate.isdigit())):
        raise ValueRefused(
            "a bus cannot be read", Place(key="source"), text,
            "INTERFACE:CHANNEL[:BITRATE], such as can:socketcan:can0 or obd:slcan:ttyUSB0:500000",
        )  # fmt: skip
    can = package("can")
    if interface == "slcan" and channel.startswith("tty"):
        channel = f"/dev/{channel}"  # a serial line is named as the system lists it
    try:
        return can.Bus(interface=interface, channel=channel, bitrate=int(rate or BITRATE))
    except Exception as error:  # each interface raises its own kinds
        raise ValueRefused(
            f"the bus cannot be opened: {type(error).__name__}: {error}"[:300],
            Place(key="source"), text, "an interface that python-can knows, with its driver",
            "is it plugged in, is the link up, is it in use by another program?",
        ) from error  # fmt: skip


def package(name: str) -> Any:
    """An optional package, or what to install."""
    import importlib

    try:
        return importlib.import_module(name)
    except ImportError:
        raise FileRefused(
            f"this needs the package {'python-can' if name == 'can' else name}, which is not here",
            Place(key="source"), accepted="simulated and file:PATH work without it",
            advice=INSTALL,
        ) from None  # fmt: skip


@dataclass(frozen=True)
class Signal:
    """A signal of the bus as a channel: number * ``scale`` + ``offset`` is SI."""

    frame: tuple[int, bool]  # its identifier, and whether that has twenty-nine bits
    signal: str
    channel: str
    scale: float
    offset: float


class Named:
    """Frames to values, by a DBC file and what its signals were said to be."""

    def __init__(self, dbc: Path, said: Mapping[str, str], context: Context) -> None:
        cantools = package("cantools")
        try:
            messages = list(cantools.database.load_file(str(dbc), strict=False).messages)
        except Exception as error:  # the parser raises many kinds on a broken file
            raise FileRefused(
                f"cannot be read as DBC: {error}"[:300], Place(file=str(dbc)), "a DBC file"
            ) from error
        # eleven bits and twenty-nine are two namespaces: a number may stand in both
        self._messages = {(m.frame_id, bool(m.is_extended_frame)): m for m in messages}
        self.signals: dict[tuple[int, bool], list[Signal]] = {}
        found = {(m, s.name): str(s.unit or "") for m in messages for s in m.signals}
        for channel in kinds():
            for row in _chosen(channel, found, said, context):
                self.signals.setdefault(row.frame, []).append(row)
        if not self.signals:
            names = ", ".join(sorted(name for _, name in found)[:40])
            raise ValueRefused(
                "no signal of the DBC file is known to be a channel", Place(file=dbc.name),
                accepted=f"signals: {names}",
                advice="say it: --map 'rail_gauge=FuelPressure as kPa gauge'",
            )  # fmt: skip

    def decode(self, frame: Frame) -> list[Sample]:
        """The channels in a frame; none where it is not named or too short."""
        key = frame.arbitration_id, frame.is_extended_id
        rows = self.signals.get(key)
        if rows is None or frame.is_remote_frame or frame.is_error_frame:
            return []
        try:
            values = self._messages[key].decode(bytes(frame.data), decode_choices=False)
        except Exception:  # a frame that is too short: no value, and its age tells
            return []
        return [
            Sample(row.channel, float(values[row.signal]) * row.scale + row.offset)
            for row in rows
            if row.signal in values
        ]


def _chosen(
    channel: str, found: Mapping[tuple[Any, str], str], said: Mapping[str, str], context: Context
) -> list[Signal]:
    """What was said to be the channel, else a signal that is called exactly so with a unit."""
    wanted = said.get(channel, "")
    if wanted.strip().lower() == "none" or channel == "time":
        return []
    name, _, unit = wanted.rpartition(" as ")
    name, unit = (name.strip(), unit.strip()) if name else (wanted.strip(), "")
    matches = [
        (message, signal, unit or text)
        for (message, signal), text in found.items()
        if (signal == name if wanted else plain(signal) == plain(channel))
    ]
    if wanted and len(matches) != 1:
        problem = "stands in several messages" if matches else "is no signal of the DBC file"
        raise ValueRefused(f"{name!r} {problem}", Place(key="--map"), f"{channel}={wanted}",
                           ", ".join(sorted(s for _, s in found)[:40]))  # fmt: skip
    if len(matches) != 1:
        return []
    message, signal, text = matches[0]
    taken = _scaled(channel, signal, text, context)
    if taken is None and wanted:
        raise ValueRefused(f"the unit {text!r} is not clear for {channel}", Place(key="--map"),
                           f"{channel}={wanted}", ", ".join(kinds()[channel].units))  # fmt: skip
    if taken is None:
        return []
    frame = message.frame_id, bool(message.is_extended_frame)
    return [Signal(frame, signal, channel, *taken)]


def _scaled(channel: str, signal: str, unit: str, context: Context) -> tuple[float, float] | None:
    """Scale and offset to SI where the unit leaves nothing open."""
    column = Column(signal, plain(signal), read_unit(unit), unit, 1.0, np.empty(0))
    kind = kinds()[channel]
    if not unit:
        return (1.0, 0.0) if channel in ("lambda", "lambda_target") else None
    choice = decide(column, kind, context, unit).choice
    return (choice.scale, choice.offset) if choice is not None else None


class CanSource:
    """Listens to a bus and names what it hears."""

    def __init__(self, bus: Any, named: Named) -> None:
        self.bus, self.named = ListeningBus(bus), named

    def run(self, put: Put, stop: Event) -> None:
        """Every frame, as it comes."""
        while not stop.is_set():
            frame = self.bus.recv(WAIT)
            if frame is None:
                continue
            samples = self.named.decode(frame)
            if samples:
                put(samples, steady())
