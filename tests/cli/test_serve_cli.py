"""`keyturn serve` as a process: where it says it is, what it refuses, and how it ends."""

from __future__ import annotations

import os
import re
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from pathlib import Path

import pytest

import keyturn

ENV = os.environ | {"PYTHONPATH": str(Path(keyturn.__file__).parents[1])}


def started(folder: Path, *typed: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "keyturn", "serve", str(folder), *typed],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=ENV,
    )  # fmt: skip


def address(server: subprocess.Popen[str]) -> str:
    """What it prints once it can be asked."""
    assert server.stdout is not None
    for _ in range(3):
        found = re.search(r"http://127\.0\.0\.1:\d+/", server.stdout.readline())
        if found:
            return found[0]
    raise AssertionError("no address was printed")


def ended(server: subprocess.Popen[str], sign: int = signal.SIGINT) -> tuple[str, str]:
    server.send_signal(sign)
    assert server.stdout is not None and server.stderr is not None
    with server.stdout as out, server.stderr as faults:
        said, complained = out.read(), faults.read()
    server.wait(10)
    return said, complained


def test_an_empty_folder_is_served_and_ctrl_c_ends_it(tmp_path: Path) -> None:
    server = started(tmp_path, "--port", "0")
    try:
        where = address(server)
        with urllib.request.urlopen(where, timeout=10) as answer:
            assert answer.status == 200
        began = time.monotonic()
    finally:
        said, complained = ended(server)
    assert time.monotonic() - began < 15  # asked to hang it would never end
    assert server.returncode == 0
    assert "stopped" in said
    assert complained == ""  # no request and no body is written down
    assert list(tmp_path.iterdir()) == []  # and nothing in the folder


def test_on_the_network_it_prints_a_code_and_draws_it(tmp_path: Path) -> None:
    server = started(tmp_path, "--port", "0", "--lan", "--name", "bench.example")
    try:
        where = address(server)
        asked = urllib.request.Request(where + "door", headers={"Host": "bench.example:1"})
        with pytest.raises(urllib.error.HTTPError, match="403"):
            urllib.request.urlopen(asked, timeout=10)
        port = where.rsplit(":", 1)[1].strip("/")
        asked = urllib.request.Request(where + "door", headers={"Host": f"bench.example:{port}"})
        with urllib.request.urlopen(asked, timeout=10) as answer:
            assert answer.status == 200
    finally:
        said, _ = ended(server)
    assert re.search(r"code +\d{4} \d{4} \(one device, 15 min", said)
    assert "not encrypted" in said
    assert "▄" in said or "█" in said


def run(*typed: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "keyturn", "serve", *typed],
        capture_output=True, text=True, env=ENV, timeout=30, check=False,
    )  # fmt: skip


def test_a_port_that_is_taken_is_said_with_what_to_do(tmp_path: Path) -> None:
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        port = str(other.getsockname()[1])
        answer = run(str(tmp_path), "--port", port)
    assert answer.returncode == 2
    assert "in use" in answer.stderr
    assert port in answer.stderr
    assert "--port" in answer.stderr
    assert "Traceback" not in answer.stderr


def test_a_folder_that_is_not_there(tmp_path: Path) -> None:
    answer = run(str(tmp_path / "nothing"))
    assert answer.returncode == 2
    assert "there is no such folder" in answer.stderr


def test_neither_face_imports_the_other() -> None:
    """Asking for help loads no server."""
    code = "import sys, keyturn.cli.app; print(*sys.modules)"
    loaded = subprocess.run(
        [sys.executable, "-c", code], env=ENV, capture_output=True, text=True, check=True
    ).stdout.split()
    assert not {"uvicorn", "fastapi", "starlette", "segno", "keyturn.web"} & set(loaded)
