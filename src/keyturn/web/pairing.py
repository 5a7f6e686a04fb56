"""The code that lets another device in: short enough to type, useless to guess.

Eight digits, good for fifteen minutes and for one device. Ten wrong guesses from wherever void the
code, five from one address shut that address out. A new code is made at the computer itself only,
so that whoever guesses gets ten tries in a hundred million and then has to wait for the owner.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass

DIGITS = 8
GOOD_FOR = 15 * 60.0  # [s]
WRONG_IN_ALL = 10
WRONG_FROM_ONE = 5
SHUT_FOR = 15 * 60.0  # [s] without a judged guess, after too many wrong ones


class WrongCode(Exception):
    """Not the code, or there is none at the moment."""


class ShutOut(Exception):
    """Too many wrong guesses; ``wait`` seconds until the next one is judged."""

    def __init__(self, wait: float) -> None:
        super().__init__(wait)
        self.wait = wait


@dataclass(frozen=True)
class Code:
    digits: str
    ends: float  # on the clock of the pairing

    def __str__(self) -> str:
        return f"{self.digits[:4]} {self.digits[4:]}"


class Pairing:
    """One code at a time. ``clock`` counts seconds and is another one in tests."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._code: Code | None = None
        self._wrong: dict[str, list[float]] = {}  # times of wrong guesses, by address
        self._shut_until = 0.0

    def renew(self) -> Code:
        """A new code; the owner is there, so that a lock-out ends as well."""
        with self._lock:
            self._shut_until = 0.0
            self._wrong.clear()
            return self._make()

    def show(self) -> Code | None:
        """The code for the owner's eyes; a new one when the last was used or is too old.

        None during a lock-out: the owner then decides whether to `renew`.
        """
        with self._lock:
            if self._clock() < self._shut_until:
                return None
            return self._good() or self._make()

    def left(self, code: Code) -> int:
        """Whole minutes for which ``code`` is still good."""
        return max(0, int((code.ends - self._clock()) // 60))

    def spend(self, typed: str, address: str) -> None:
        """Take the code of a device at ``address``; raises unless it is the right one."""
        with self._lock:
            self._judge_pace(address)
            code = self._good()
            digits = "".join(typed.split()).replace("-", "")
            # compared as sums, so that neither place nor length of a difference takes time
            is_right = hmac.compare_digest(_sum(digits), _sum(code.digits if code else ""))
            if code is not None and is_right:
                self._code = None
                self._wrong.pop(address, None)
                return
            self._count(address)
        raise WrongCode

    def _good(self) -> Code | None:
        code = self._code
        return code if code is not None and self._clock() < code.ends else None

    def _make(self) -> Code:
        digits = f"{secrets.randbelow(10**DIGITS):0{DIGITS}d}"
        self._code = Code(digits, self._clock() + GOOD_FOR)
        return self._code

    def _judge_pace(self, address: str) -> None:
        now = self._clock()
        # nobody is remembered for longer than they are shut out
        self._wrong = {
            who: recent
            for who, times in self._wrong.items()
            if (recent := [at for at in times if now - at < SHUT_FOR])
        }
        mine = self._wrong.get(address, [])
        wait = self._shut_until - now
        if len(mine) >= WRONG_FROM_ONE:
            wait = max(wait, mine[-1] + SHUT_FOR - now)
        if wait > 0:
            raise ShutOut(wait)

    def _count(self, address: str) -> None:
        self._wrong.setdefault(address, []).append(self._clock())
        if sum(len(times) for times in self._wrong.values()) >= WRONG_IN_ALL:
            self._code = None
            self._shut_until = self._clock() + SHUT_FOR


def _sum(digits: str) -> bytes:
    return hashlib.sha256(digits.encode("utf-8", "replace")).digest()
