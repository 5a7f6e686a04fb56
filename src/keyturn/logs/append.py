"""A file that grows line by line and survives what may come.

What is promised, and tested: a line is acknowledged once the operating system has taken it whole,
in one write to the end of the file. From then on it survives the end of this program, also a
sudden one. It is put on the disk itself every half second and at every alarm, so that a loss of
power costs half a second. When the disk is full, or is gone, what was acknowledged stays as it
was, a half written line is taken back, newer lines wait in memory, and it is tried again.
"""

from __future__ import annotations

import os
import threading
import time
from collections import deque
from collections.abc import Callable
from pathlib import Path

from keyturn.errors import FileRefused, Place

SYNC = 0.5  # [s] between two writes to the disk itself
TOGETHER = 0.02  # [s] over which lines are gathered for one write
AGAIN = 1.0  # [s] between two tries on a full disk
WAITING = 200_000  # lines that may wait in memory
ROOM = 1 << 20  # bytes taken from the waiting lines at a time

Write = Callable[[int, bytes], int]


class Appender:
    """Appends lines from its own thread, so that a slow disk delays no alarm."""

    def __init__(
        self,
        path: Path,
        head: bytes = b"",
        write: Write = os.write,
        again: float = AGAIN,
        waiting: int = WAITING,
    ) -> None:
        self.path = path
        self._write, self._again, self._room = write, again, waiting
        self._lines: deque[bytes] = deque()
        self._wake = threading.Condition()
        self._closing = self._urgent = self._doubt = False
        self._told = 0  # of the dropped lines, in the record itself
        self.size = 0  # bytes that were acknowledged
        self.acknowledged = 0  # lines
        self.synced = 0  # lines known to be on the disk itself
        self.dropped = 0  # lines that memory had no room for
        self.trouble = ""  # why nothing can be written now; empty while it can
        try:
            flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND
            self._file = os.open(path, flags, 0o644)
        except OSError as error:
            raise FileRefused(
                f"a recording cannot be begun: {error.strerror or error}", Place(file=path.name),
                "a build folder that may be written, with free space",
            ) from error  # fmt: skip
        if head:
            self._lines.append(head)
        self._thread = threading.Thread(target=self._run, name="recorder", daemon=True)
        self._thread.start()

    def append(self, make: Callable[[int], bytes], urgent: bool = False) -> None:
        """Hand a line over; it is acknowledged when it is counted in ``acknowledged``.

        ``make`` is told how many lines before this one were lost and not yet spoken of.
        """
        with self._wake:
            if len(self._lines) >= self._room:
                self.dropped += 1
                return
            lost, self._told = self.dropped - self._told, self.dropped
            self._lines.append(make(lost))
            if urgent or lost:
                self._urgent = True
                self._wake.notify()

    def close(self, patience: float = 5.0) -> int:
        """Write what waits and end; returns how many lines could not be written."""
        with self._wake:
            self._closing = True
            self._wake.notify()
        self._thread.join(patience)
        with self._wake:
            return len(self._lines) + self.dropped

    def _run(self) -> None:
        last = time.monotonic()
        while True:
            with self._wake:
                if not (self._closing or self._urgent):
                    # many lines in one write: a thread that wakes for each would slow the bus
                    self._wake.wait(TOGETHER)
                batch = self._taken()
                closing, urgent, self._urgent = self._closing, self._urgent, False
            good = self._put(batch) if batch else True
            now = time.monotonic()
            if urgent or closing or now - last >= SYNC:
                good = self._sync() and good
                last = now
            with self._wake:
                if closing and (not self._lines or not good):
                    break
                if not good:
                    self._wake.wait_for(lambda: self._closing, self._again)
        os.close(self._file)

    def _taken(self) -> list[bytes]:
        """Lines for one write, left in the queue until they are acknowledged."""
        batch, size = [], 0
        for line in self._lines:
            if size + len(line) > ROOM:
                break
            batch.append(line)
            size += len(line)
        return batch

    def _put(self, batch: list[bytes]) -> bool:
        """Write whole lines; what the system did not take whole is taken back."""
        text = b"".join(batch)
        try:
            done = self._write(self._file, text)
            trouble = "" if done == len(text) else "the disk took only a part: it is full"
        except OSError as error:
            done, trouble = 0, f"cannot write: {error.strerror or error}"
        kept, count = 0, 0
        for line in batch:
            if kept + len(line) > done:
                break
            kept, count = kept + len(line), count + 1
        if kept < done and not self._cut(self.size + kept):
            trouble = "a half written line could not be taken back"
        self.size += kept
        with self._wake:
            for _ in range(count):
                self._lines.popleft()
            self.acknowledged += count
            self.trouble = trouble
        return not trouble

    def _cut(self, size: int) -> bool:
        try:
            os.ftruncate(self._file, size)
        except OSError:
            return False
        return True

    def _sync(self) -> bool:
        count = self.acknowledged
        try:
            os.fsync(self._file)
        except OSError as error:
            # the system may forget what it could not put on the disk: later success proves nothing
            self._doubt = True
            self.trouble = f"cannot put it on the disk: {error.strerror or error}"
            return False
        self.synced = self.synced if self._doubt else count
        return True
