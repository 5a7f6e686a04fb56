"""How long the command takes to start, beside the bare interpreter in the same run."""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

from report import Report, measure

SOURCE = Path(__file__).resolve().parents[2] / "src"
ENVIRONMENT = {"PYTHONPATH": str(SOURCE)}


def command(*typed: str) -> None:
    """Run one Python process to its end."""
    subprocess.run([sys.executable, *typed], env=ENVIRONMENT, stdout=subprocess.DEVNULL, check=True)


def run(report: Report) -> None:
    bare = measure(lambda: command("-c", "pass"), times=20, children=True)
    report.row("bare interpreter", bare)
    help_page = measure(lambda: command("-m", "keyturn", "--help"), times=20, children=True)
    report.row("keyturn --help", help_page)
    report.want("keyturn --help / bare interpreter", help_page.wall / bare.wall, "<=", 3.0)
    with tempfile.TemporaryDirectory() as folder:
        car = str(Path(folder) / "car")
        command("-m", "keyturn", "new", car, "--example", "van-roots")
        check = measure(lambda: command("-m", "keyturn", "check", car), times=3, children=True)
    report.row("keyturn check, cold process", check)
    report.want("keyturn check, cold process [s]", check.wall, "<=", 2.0)
