"""Work for the tests of jobs; another process imports it by name."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from keyturn.errors import ValueRefused

Progress = Callable[..., None]


def counts(progress: Progress, to: int, pause: float) -> dict[str, int]:
    for number in range(1, to + 1):
        progress(number, to, f"step {number}")
        time.sleep(pause)
    return {"counted": to}


def waits(progress: Progress) -> None:
    progress(0, 1, "waiting")
    time.sleep(60)


def starts_another(progress: Progress, note: str) -> None:
    child = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(60)"])
    Path(note + ".new").write_text(str(child.pid), encoding="utf-8")
    os.replace(note + ".new", note)
    progress(1, 1, "started")
    child.wait()


def traces_slowly(progress: Progress, **asked: Any) -> Any:
    """The work of the page itself, with time to stop it in the middle."""
    from keyturn.web.gaskets import trace

    def slowly(*said: Any) -> None:
        progress(*said)
        time.sleep(20)

    return trace(slowly, **asked)


def is_killed(progress: Progress) -> None:
    os.kill(os.getpid(), signal.SIGKILL)


def leaves(progress: Progress) -> None:
    os._exit(7)


def refuses(progress: Progress) -> None:
    raise ValueRefused("the power cannot be read", typed="lots")


def breaks(progress: Progress) -> None:
    raise RuntimeError("inside words")


def gives_no_json(progress: Progress) -> Any:
    return {"path": Path(".")}


def gives_nan(progress: Progress) -> float:
    return float("nan")


def gives_nothing(progress: Progress) -> None:
    return None
