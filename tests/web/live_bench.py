"""For the tests of live watching: a car in the hand of the test, and a line that can be cut."""

from __future__ import annotations

import json
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import httpx
import pytest
from browser import Bench

from keyturn.logs.live import Sample
from keyturn.logs.simulated_car import CYCLE, SimulatedCar

WATCH = "/api/car/pickup-screw/watch"


def until(ready: Callable[[], Any], seconds: float = 20.0) -> Any:
    end = time.monotonic() + seconds
    while not (found := ready()):
        assert time.monotonic() < end, "it did not come"
        time.sleep(0.01)
    return found


class Hand:
    """The simulated car at half of its load: well, weak or silent, as the test says."""

    def __init__(self, patch: pytest.MonkeyPatch) -> None:
        self.weak, self.silent = threading.Event(), threading.Event()
        self.last = 0.0  # when it gave values, on the clock of the wall
        patch.setattr(SimulatedCar, "run", lambda car, put, stop: self.run(car, put, stop))

    def run(self, car: SimulatedCar, put: Callable[..., None], stop: threading.Event) -> None:
        values = {one.name: one.value for one in car.at(CYCLE / 4.0)}
        while not stop.wait(0.05):
            if self.silent.is_set():
                continue
            rail = values["rail_gauge"] - (60e3 if self.weak.is_set() else 0.0)
            self.last = time.time()
            put([Sample(k, v) for k, v in {**values, "rail_gauge": rail}.items()], time.monotonic())


class Line:
    """Everything between a browser and the server passes here: may be cut, or held back."""

    def __init__(self, to: int) -> None:
        self._to = to
        self._door = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._door.getsockname()[1])
        self.flows = threading.Event()
        self.flows.set()
        self._cut = False
        self._open: list[socket.socket] = []
        threading.Thread(target=self._listen, daemon=True).start()

    def cut(self) -> None:
        self._cut = True
        for end in self._open:
            with suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)
        self._open.clear()

    def mend(self) -> None:
        self._cut = False

    def close(self) -> None:
        self.flows.set()
        self.cut()
        self._door.close()

    def _listen(self) -> None:
        with suppress(OSError):
            while True:
                near, _ = self._door.accept()
                if self._cut:
                    near.close()
                    continue
                far = socket.create_connection(("127.0.0.1", self._to))
                self._open += [near, far]
                for one, other, held in ((near, far, False), (far, near, True)):
                    threading.Thread(
                        target=self._pass, args=(one, other, held), daemon=True
                    ).start()

    def _pass(self, one: socket.socket, other: socket.socket, held: bool) -> None:
        with suppress(OSError):
            while data := one.recv(1 << 16):
                if held:
                    self.flows.wait()  # what came meanwhile is passed on later, in one go
                other.sendall(data)
        for end in (one, other):
            with suppress(OSError):
                end.close()


class LineBench(Bench):
    """A server that browsers reach through a line only."""

    line: Line

    def start(self) -> None:
        from keyturn.web.config import Config
        from keyturn.web.run import bound, server

        self._listening = bound("127.0.0.1", 0)
        self.line = Line(self._listening.getsockname()[1])
        self.port = self.line.port
        self._server = server(Config(self.root, port=self.port))
        self._thread = threading.Thread(
            target=self._server.run, args=([self._listening],), daemon=True
        )
        self._thread.start()
        until(lambda: self._server.started)

    def stop(self) -> None:
        self.line.close()
        super().stop()
        self._listening.close()


def post(bench: Bench, word: str, **body: Any) -> httpx.Response:
    return httpx.post(f"{bench.url}{WATCH}/{word}", json=body, timeout=60,
                      headers={"origin": bench.url})  # fmt: skip


def state(bench: Bench) -> Any:
    return httpx.get(f"{bench.url}{WATCH}", timeout=60).json()


def begin(bench: Bench, token: str = "a-token-of-ours", **source: Any) -> str:
    """Start a watch of L9 by hand; its name."""
    said = {"kind": "simulated", **source}
    answer = post(bench, "start", token=token, source=said, step="L9")
    assert answer.status_code == 200, answer.text
    return str(answer.json()["id"])


def frames(bench: Bench) -> Iterator[tuple[float, dict[str, Any]]]:
    """When each state came, and what it said."""
    with httpx.stream("GET", f"{bench.url}{WATCH}/values", timeout=30) as answer:
        assert answer.status_code == 200
        for row in answer.iter_lines():
            if row.startswith("data: ") and '"t":' in row:
                yield time.monotonic(), json.loads(row[6:])


def record(bench: Bench, name: str) -> list[str]:
    """Whole lines of a record."""
    text = (bench.root / "pickup-screw/logs" / name).read_bytes()
    return text.rpartition(b"\n")[0].decode().splitlines()


def logs(bench: Bench) -> Path:
    found = bench.root / "pickup-screw/logs"
    found.mkdir(exist_ok=True)
    return found
