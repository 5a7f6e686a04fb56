"""Which devices have been let in. Only sums of their keys are kept, in a file that only its owner
may read: `.keyturn/sessions.json` in the folder that is served, so that a restart lets nobody down
and an export of a build, which takes known names only, never carries it.
"""

from __future__ import annotations

import hashlib
import json
import os
import secrets
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from keyturn.errors import FileRefused
from keyturn.tasks.files import write_all

FOLDER = ".keyturn"
FILE = "sessions.json"
IDLE = 14 * 24 * 3600.0  # [s] after which a device that was not used has to pair again
OLDEST = 90 * 24 * 3600.0  # [s] after which every device has to
MOST = 32  # devices; the one that was used least recently goes
WRITTEN_EVERY = 3600.0  # [s] between two notes of "was used"


@dataclass(frozen=True)
class Device:
    """A device that was let in: when, when used last, from where, and what it called itself."""

    made: float
    used: float
    address: str
    name: str


class Sessions:
    """All devices of one server. ``clock`` is wall time in seconds."""

    def __init__(self, root: Path, clock: Callable[[], float] = time.time) -> None:
        self._folder = root / FOLDER
        self._clock = clock
        self._lock = threading.Lock()
        self._devices = self._read()
        self._written = self._clock()

    def open(self, address: str, name: str = "") -> str:
        """Let a device in; the key goes to it and is kept nowhere else."""
        key = secrets.token_urlsafe(32)
        now = self._clock()
        with self._lock:
            self._drop_old()
            while len(self._devices) >= MOST:
                least = min(self._devices, key=lambda known: self._devices[known].used)
                del self._devices[least]
            self._devices[_sum(key)] = Device(now, now, address, name)
            self._write()
        return key

    def known(self, key: str) -> bool:
        """Whether a device with this key was let in; notes that it was used."""
        if not 20 <= len(key) <= 100:
            return False
        with self._lock:
            self._drop_old()
            device = self._devices.get(_sum(key))
            if device is None:
                return False
            now = self._clock()
            self._devices[_sum(key)] = replace(device, used=now)
            if now - self._written > WRITTEN_EVERY:
                self._write()
            return True

    def devices(self) -> list[Device]:
        """Everyone who is let in, the most recently used first."""
        with self._lock:
            self._drop_old()
            return sorted(self._devices.values(), key=lambda device: -device.used)

    def close(self, key: str) -> None:
        """Forget one device."""
        with self._lock:
            if self._devices.pop(_sum(key), None) is not None:
                self._write()

    def close_all(self) -> int:
        """Forget every device; how many there were."""
        with self._lock:
            count = len(self._devices)
            self._devices.clear()
            self._write()
        return count

    def _drop_old(self) -> None:
        now = self._clock()
        self._devices = {
            known: device
            for known, device in self._devices.items()
            if now - device.used < IDLE and now - device.made < OLDEST
        }

    def _read(self) -> dict[str, Device]:
        """What was written; a file that cannot be understood lets nobody in."""
        try:
            rows = json.loads((self._folder / FILE).read_text(encoding="utf-8"))
            return {
                str(known): Device(float(row["made"]), float(row["used"]),
                                   str(row["address"]), str(row["name"]))
                for known, row in rows.items()
            }  # fmt: skip
        except (OSError, ValueError, TypeError, KeyError, AttributeError):
            return {}

    def _write(self) -> None:
        """A folder that cannot be written to costs the devices their memory, nothing else."""
        self._written = self._clock()
        rows = {known: asdict(device) for known, device in self._devices.items()}
        with suppress(FileRefused, OSError):
            self._folder.mkdir(mode=0o700, exist_ok=True)
            write_all(self._folder, {FILE: json.dumps(rows).encode()}, mode=0o600)
            os.chmod(self._folder, 0o700)


def _sum(key: str) -> str:
    return hashlib.sha256(key.encode("utf-8", "replace")).hexdigest()
