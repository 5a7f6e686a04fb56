"""To wait for what is read, and to kill a program in the middle of its work."""

from __future__ import annotations

import signal
import subprocess
import sys
import textwrap
import time
from collections.abc import Callable
from pathlib import Path

SOURCES = str(Path(__file__).resolve().parents[2] / "src")


def until(ready: Callable[[], object], seconds: float = 20.0) -> None:
    """Wait until it is so."""
    end = time.monotonic() + seconds
    while not ready():
        assert time.monotonic() < end, "it did not come"
        time.sleep(0.005)


def killed(code: str, enough: Callable[[str], bool], helpers: Path) -> tuple[str, list[str]]:
    """Run a program until one of its lines is enough, and kill it; that line, and those after it.

    Modules beside ``helpers`` are found by name.
    """
    head = f"import sys, time\nsys.path[:0] = [{SOURCES!r}, {str(helpers.parent)!r}]\n"
    child = subprocess.Popen(
        [sys.executable, "-c", head + textwrap.dedent(code)], stdout=subprocess.PIPE, text=True
    )
    assert child.stdout is not None
    line = ""
    while not enough(line):
        line = child.stdout.readline()
        assert line, "the program ended by itself"
    child.send_signal(signal.SIGKILL)
    rest, _ = child.communicate()
    return line.rstrip("\n"), rest.splitlines()
