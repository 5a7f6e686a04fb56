"""The command as a user meets it: messages, exit codes, no traceback."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from keyturn import __version__
from keyturn.cli import doors, outcome
from keyturn.errors import CannotAnswer, CannotSolve, ValueRefused

SOURCE = Path(__file__).resolve().parents[2] / "src"


def keyturn(*typed: str, **extra: str) -> subprocess.CompletedProcess[str]:
    """One whole process, with nothing on standard input."""
    return subprocess.run(
        [sys.executable, "-m", "keyturn", *typed],
        env={**os.environ, "PYTHONPATH": str(SOURCE), **extra},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.mark.parametrize("typed", [(), ("--help",), ("-h",)])
def test_help(typed: tuple[str, ...]) -> None:
    answer = keyturn(*typed)
    assert (answer.returncode, answer.stderr) == (0, "")
    assert "check" in answer.stdout
    assert "Exit codes" in answer.stdout


def test_version() -> None:
    assert keyturn("--version").stdout == f"keyturn {__version__}\n"


@pytest.mark.parametrize(
    "typed",
    [
        ("nonsense",),
        ("check",),
        ("check", "nowhere"),
        ("check", "nowhere", "--set", "pump.count"),
        ("check", "nowhere", "--samples", "many"),
        ("report", "nowhere"),
        ("new",),
        ("new", "car", "--example", "no-such-example"),
    ],
)
def test_bad_input_is_2_with_a_message_and_no_traceback(
    typed: tuple[str, ...], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    answer = keyturn(*typed)
    assert answer.returncode == 2, answer.stderr
    assert answer.stderr.strip()
    assert "Traceback" not in answer.stderr
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("error", "code"),
    [
        (ValueRefused("too small", typed="0 mm"), 2),
        (CannotAnswer("too little is known", ["pump flow"]), 3),
        (CannotSolve("not balanced", {"flow": 0.1}), 3),
        (ZeroDivisionError("division by zero"), outcome.FAULT),
        (KeyboardInterrupt(), outcome.INTERRUPTED),
    ],
)
def test_what_happened_becomes_an_exit_code(
    error: BaseException,
    code: int,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    def fail(*_: object, **__: object) -> None:
        raise error

    monkeypatch.delenv("KEYTURN_TRACEBACK", raising=False)
    monkeypatch.setattr("keyturn.cli.app.app", fail)
    assert outcome.run(["check", "x"]) == code
    shown = capsys.readouterr()
    assert shown.out == ""
    assert shown.err.startswith("keyturn: ")
    assert "Traceback" not in shown.err


def test_a_fault_can_be_looked_into(monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: object, **__: object) -> None:
        raise ZeroDivisionError

    monkeypatch.setenv("KEYTURN_TRACEBACK", "1")
    monkeypatch.setattr("keyturn.cli.app.app", fail)
    with pytest.raises(ZeroDivisionError):
        outcome.run(["check", "x"])


def test_changes() -> None:
    assert doors.changes(["pump.count=2", "pump.flow = 300 L/h", "a=b=c"]) == {
        "pump.count": "2",
        "pump.flow": "300 L/h",
        "a": "b=c",
    }


@pytest.mark.parametrize("typed", [["pump.count"], ["=2"], ["pump.count="], ["a=1", "a=2"], [""]])
def test_changes_that_cannot_be_read(typed: list[str]) -> None:
    with pytest.raises(ValueRefused):
        doors.changes(typed)


def test_a_reader_that_goes_away_is_no_fault() -> None:
    script = f"{sys.executable} -m keyturn new --list | true; echo ${{PIPESTATUS[0]}}"
    answer = subprocess.run(
        ["bash", "-c", script],
        env={**os.environ, "PYTHONPATH": str(SOURCE)},
        capture_output=True,
        text=True,
        check=True,
    )
    assert answer.stderr == ""
    assert answer.stdout.strip() in ("0", str(doors.READER_GONE))
