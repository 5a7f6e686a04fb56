"""A server of keyturn in a process of its own, for the cases that ask it from outside."""

from __future__ import annotations

import socket
import subprocess
import sys
import threading
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import keyturn

PACKAGE = Path(keyturn.__file__).parent


@contextmanager
def serving(folder: Path, script: str, ready: str) -> Iterator[tuple[str, int]]:
    """Its address and its process; ``script`` gets the folder and a port, ``ready`` answers."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = int(probe.getsockname()[1])
    written = folder / ".serve.py"
    written.write_text(script, encoding="utf-8")
    running = subprocess.Popen(
        [sys.executable, str(written), str(folder), str(port)],
        env={"PYTHONPATH": str(PACKAGE.parent), "PATH": "/usr/bin:/bin", "OMP_NUM_THREADS": "1"},
    )
    url = f"http://127.0.0.1:{port}"
    try:
        for _ in range(600):
            try:
                urllib.request.urlopen(f"{url}{ready}", timeout=20).read()
                break
            except OSError:
                time.sleep(0.05)
        yield url, running.pid
    finally:
        running.terminate()
        running.wait(10)


@contextmanager
def bare(page: bytes, body: bytes, kind: str) -> Iterator[str]:
    """A server without an application: ``body`` at /bytes, ``page`` everywhere else."""

    class Bytes(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"
        # in one piece: a small body after its head would wait 40 ms to be acknowledged
        wbufsize = 1 << 20

        def do_GET(self) -> None:
            data, what = (body, kind) if self.path.startswith("/bytes") else (page, "text/html")
            self.send_response(200)
            self.send_header("content-type", what)
            self.send_header("content-length", str(len(data)))
            self.end_headers()
            self.wfile.write(data)

        def log_message(self, *words: object) -> None:
            pass

    served = ThreadingHTTPServer(("127.0.0.1", 0), Bytes)
    threading.Thread(target=served.serve_forever, daemon=True).start()
    yield f"http://127.0.0.1:{served.server_port}"
    served.shutdown()
