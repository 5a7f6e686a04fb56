"""The frames of a bus as they came, in lines of text that general tools read.

One line for each, as the log of can-utils has it: `(seconds.micro) interface ID#DATA R`, with R
for received and T for sent. An identifier of 29 bits has eight digits; an error frame has the bit
0x20000000 in it, a remote frame R and its length in place of data, a frame of CAN FD ## and its
flags. The time is that of this program when it had the frame, on a clock that is set at the start
and never set back.
"""

from __future__ import annotations

import errno
import os
import re
from pathlib import Path
from typing import Protocol

from keyturn.logs.append import AGAIN, WAITING, Appender, Write
from keyturn.logs.can_bus import Frame

ERROR = 0x20000000  # in the identifier of an error frame, as SocketCAN marks it
BUS_ERROR = 0x80  # the kind of error, where the interface does not say which
SWITCHED, STATE = 1, 2  # flags of CAN FD
LEFT_FREE = 64 << 20  # bytes of the disk that are left to the record of the values
OTHER_SIGNS = re.compile(r"[^A-Za-z0-9_.-]+")


class Raw(Frame, Protocol):
    """What is written of a frame of python-can."""

    dlc: int
    bitrate_switch: bool
    error_state_indicator: bool


def line_of(at: float, interface: str, frame: Raw, sent: bool) -> bytes:
    """A frame as one line; ``at`` [s] since 1970."""
    number = frame.arbitration_id
    if frame.is_error_frame:
        number = (number or BUS_ERROR) | ERROR
    wide = frame.is_extended_id or frame.is_error_frame
    name = f"{number:08X}" if wide else f"{number:03X}"
    if frame.is_remote_frame:
        data = f"#R{frame.dlc or ''}"
    elif frame.is_fd:
        flags = SWITCHED * frame.bitrate_switch | STATE * frame.error_state_indicator
        data = f"##{flags:X}{frame.data.hex().upper()}"
    else:
        data = f"#{frame.data.hex().upper()}"
    return f"({at:.6f}) {interface} {name}{data} {'T' if sent else 'R'}\n".encode()


def leaving_room(file: int, text: bytes) -> int:
    """Write, unless the disk would have too little left for the record of the values."""
    disk = os.fstatvfs(file)
    if disk.f_bavail * disk.f_frsize < LEFT_FREE + len(text):
        raise OSError(errno.ENOSPC, f"less than {LEFT_FREE >> 20} MiB are free on the disk")
    return os.write(file, text)


class Frames(Appender):
    """Appends every frame of a bus, those that carry no channel among them."""

    def __init__(
        self,
        path: Path,
        interface: str,
        start: float,
        write: Write = leaving_room,
        again: float = AGAIN,
        waiting: int = WAITING,
    ) -> None:
        """``start`` [s] since 1970 is the time 0 of what is put."""
        self._interface = OTHER_SIGNS.sub("_", interface) or "bus"
        self._start = start
        super().__init__(path, b"", write, again, waiting)

    def put(self, at: float, frame: Raw, sent: bool) -> None:
        """Hand a frame over that was there ``at`` [s] after the start."""
        line = line_of(self._start + at, self._interface, frame, sent)
        self.append(lambda _: line)
