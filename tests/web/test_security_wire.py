"""Attacks that need a socket: bodies that lie about their length, never end, or never come."""

from __future__ import annotations

import socket
import threading
import time
import tracemalloc
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from browser import Bench, free_port, shelf
from fastapi import FastAPI, Request

from keyturn.web.config import Config, Limits
from keyturn.web.run import bound, server

LIMITS = Limits(body=50_000, upload=200_000, silence=0.5, body_time=1.5, upload_time=3.0)


@pytest.fixture(scope="module")
def wire(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[int, FastAPI]]:
    """A server with low limits."""
    root = shelf(tmp_path_factory.mktemp("wire") / "builds", "van-roots")
    with bound("127.0.0.1", 0) as listening:
        port = listening.getsockname()[1]
        made = server(Config(root, port=port, limits=LIMITS))
        app: Any = made.config.app

        @app.post("/api/echo")
        def echo(row: dict[str, Any]) -> dict[str, Any]:
            return row

        @app.post("/api/ignores/upload")
        async def ignores(request: Request) -> dict[str, int]:
            return {"read": len(await request.body())}

        running = threading.Thread(target=made.run, args=([listening],), daemon=True)
        running.start()
        while not made.started:
            time.sleep(0.01)
        yield port, app
        made.should_exit = True
        running.join(10)


def head(port: int, path: str = "/api/echo", *more: str, method: str = "POST") -> bytes:
    rows = [f"{method} {path} HTTP/1.1", f"Host: 127.0.0.1:{port}",
            f"Origin: http://127.0.0.1:{port}", "Content-Type: application/json",
            "Connection: close", *more]  # fmt: skip
    return ("\r\n".join(rows) + "\r\n\r\n").encode("latin-1")


def said(port: int, *pieces: bytes, pause: float = 0.0) -> bytes:
    """What the server answers to these bytes; whatever is sent after it has answered is lost."""
    with socket.create_connection(("127.0.0.1", port), timeout=10) as line:
        try:
            for piece in pieces:
                line.sendall(piece)
                time.sleep(pause)
        except OSError:
            pass
        got = b""
        try:
            while piece := line.recv(65536):
                got += piece
        except OSError:
            pass
    return got


def status(answer: bytes) -> int:
    return int(answer.split(b" ", 2)[1]) if answer else 0


def chunk(data: bytes) -> bytes:
    return f"{len(data):x}\r\n".encode() + data + b"\r\n"


def test_a_fitting_body_is_taken_declared_and_chunked(wire: tuple[int, FastAPI]) -> None:
    port, _ = wire
    body = b'{"a": "' + b"x" * 40_000 + b'"}'
    assert status(said(port, head(port, "/api/echo", f"Content-Length: {len(body)}"), body)) == 200
    halves = chunk(body[:100]), chunk(body[100:]), b"0\r\n\r\n"
    assert status(said(port, head(port, "/api/echo", "Transfer-Encoding: chunked"), *halves)) == 200


def test_a_declared_body_that_is_too_large_is_refused_before_it_comes(
    wire: tuple[int, FastAPI],
) -> None:
    port, _ = wire
    answer = said(port, head(port, "/api/echo", f"Content-Length: {LIMITS.body + 1}"))
    assert status(answer) == 413
    assert b'"kind":"refused"' in answer
    assert b"content-security-policy" in answer


@pytest.mark.parametrize("path", ["/api/echo", "/api/ignores/upload"])
def test_a_chunked_body_is_counted_while_it_comes(wire: tuple[int, FastAPI], path: str) -> None:
    port, _ = wire
    most = LIMITS.upload if path.endswith("upload") else LIMITS.body
    piece = chunk(b"x" * 10_000)
    pieces = [piece] * (most // 10_000 + 1)  # one too many, and no end
    answer = said(port, head(port, path, "Transfer-Encoding: chunked"), *pieces)
    assert status(answer) == 413


def test_an_endless_body_costs_no_memory(wire: tuple[int, FastAPI]) -> None:
    """A hundred times the limit is sent; what is held stays near the limit."""
    port, _ = wire
    piece = chunk(b"x" * 50_000)
    tracemalloc.start()
    try:
        said(port, head(port, "/api/ignores/upload", "Transfer-Encoding: chunked"), *[piece] * 400)
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak < 4_000_000  # 20 MB were offered


def test_a_body_that_never_comes_is_given_up(wire: tuple[int, FastAPI]) -> None:
    port, _ = wire
    began = time.monotonic()
    answer = said(port, head(port, "/api/echo", "Content-Length: 1000"), b'{"a":')
    assert status(answer) == 408
    assert time.monotonic() - began < 3


def test_a_body_that_trickles_is_given_up(wire: tuple[int, FastAPI]) -> None:
    """A byte in time, again and again: each is quick enough, the whole is not."""
    port, _ = wire
    began = time.monotonic()
    trickle = [b"x"] * 12
    answer = said(port, head(port, "/api/echo", "Content-Length: 1000"), *trickle, pause=0.2)
    assert status(answer) == 408
    assert time.monotonic() - began < 5


def test_while_one_trickles_others_are_served(wire: tuple[int, FastAPI]) -> None:
    port, _ = wire
    slow = [socket.create_connection(("127.0.0.1", port)) for _ in range(20)]
    try:
        for line in slow:
            line.sendall(head(port, "/api/echo", "Content-Length: 1000") + b"x")
        began = time.monotonic()
        assert status(said(port, head(port, "/api/nothing", method="GET"))) == 404
        assert time.monotonic() - began < 1
    finally:
        for line in slow:
            line.close()


@pytest.mark.parametrize(
    ("more", "wanted"),
    [(["Content-Length: -5"], 400), (["Content-Length: five"], 400),
     (["Content-Length: 5", "Content-Length: 6"], 400),
     (["Content-Length: 99999999999999999999999"], 400),
     (["X-Long: " + "x" * 400_000], 400)],
)  # fmt: skip
def test_a_head_that_makes_no_sense_is_refused(
    wire: tuple[int, FastAPI], more: list[str], wanted: int
) -> None:
    port, _ = wire
    got = status(said(port, head(port, "/api/echo", *more), b"{}"))
    assert got in (wanted, 413)


@pytest.mark.parametrize(
    "kind", ["text/plain", "application/x-www-form-urlencoded", "multipart/form-data; boundary=x"]
)
def test_what_a_foreign_form_could_send_is_not_taken(wire: tuple[int, FastAPI], kind: str) -> None:
    port, _ = wire
    sent = head(port, "/api/echo", "Content-Length: 2").replace(b"application/json", kind.encode())
    assert status(said(port, sent, b"{}")) == 415


@pytest.mark.parametrize(
    "body", [b"[" * 40_000, b'{"a":' * 8_000, b'{"a": 1e999}', b"\xff\xfe", b'{"a": "\\ud800"}',
             b'{"a": NaN}', b"nonsense", b""],
    ids=["deep list", "deep table", "infinite", "no text", "half a character", "no number",
         "no JSON", "nothing"],
)  # fmt: skip
def test_bodies_made_to_break_the_reader(wire: tuple[int, FastAPI], body: bytes) -> None:
    """Refused, or taken as what it says; never a fault of the server."""
    port, _ = wire
    sent = head(port, "/api/archive?name=x", f"Content-Length: {len(body)}")
    assert status(said(port, sent, body)) in (415, 422)
    sent = head(port, "/api/door", f"Content-Length: {len(body)}")
    assert status(said(port, sent, body)) in (400, 403, 422)


def test_climbing_paths_on_the_wire(wire: tuple[int, FastAPI]) -> None:
    port, _ = wire
    for path in ("/../../etc/passwd", "/static/../../../etc/passwd", "/static/x/../../../app.py",
                 "//etc/passwd", "/static/%2e%2e/%2e%2e/app.py", "/car/..%00/home",
                 "http://evil.example/", "/%ff%fe"):  # fmt: skip
        answer = said(port, head(port, path, method="GET"))
        assert status(answer) in (400, 403, 404), path
        assert b"root:" not in answer


def test_limits_of_the_house_are_what_the_documents_say() -> None:
    assert replace(Limits()) == Limits(body=256 * 1024, upload=64 * 1024 * 1024)


def test_the_server_ends_at_once_with_a_page_open(tmp_path: Path) -> None:
    bench = Bench(shelf(tmp_path / "builds", "van-roots"), free_port())
    bench.start()
    with socket.create_connection(("127.0.0.1", bench.port)) as line:
        line.sendall(head(bench.port, "/api/car/van-roots/live", method="GET"))
        assert b"text/event-stream" in line.recv(65536)
        began = time.monotonic()
        bench.stop()
        assert time.monotonic() - began < 3
        line.settimeout(2)
        rest = b""
        while piece := line.recv(65536):
            rest += piece
        assert rest.endswith(b"0\r\n\r\n")  # the stream was ended, not cut
