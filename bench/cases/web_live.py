"""A watch on its way to the pages: rate, gaps and load of the server, beside an empty stream.

    python bench/run.py web_live                     a quarter of a minute
    python bench/cases/web_live.py --minutes 10      as long as is promised

One device reads the stream bare, another is a page in chromium; both look at the simulated car in
a server of its own process. The reference is an event stream of the same rate from the same server
at the same time that says nothing at all: its gaps are those of the machine.
"""

from __future__ import annotations

import argparse
import json
import shutil
import socket
import statistics
import sys
import tempfile
import threading
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import pairwise
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parent), str(HERE.parent.parent / "src")]

# after the path (so E402): this case is also run by itself, and measures the tree it stands in
from report import Report  # noqa: E402
from serving import PACKAGE, serving  # noqa: E402

CAR = "pickup-screw"
RATE = 20.0
SHORT = 0.25  # minutes
SERVE = """
import asyncio, sys
from pathlib import Path
from starlette.responses import StreamingResponse
from keyturn.web.config import Config
from keyturn.web.run import server

async def nothing():
    loop = asyncio.get_running_loop()
    due = loop.time()
    while True:
        yield "data: {}\\n\\n"
        due += 0.05
        await asyncio.sleep(max(0.0, due - loop.time()))

if __name__ == "__main__":
    made = server(Config(Path(sys.argv[1]), port=int(sys.argv[2])))
    made.config.app.router.add_route(
        "/bench/empty", lambda _: StreamingResponse(nothing(), media_type="text/event-stream"))
    made.run()
"""
# when each state came in the page, before the page does anything with it
ARRIVALS = """
window.arrivals = [];
window.EventSource = class extends EventSource {
  constructor(address) {
    super(address);
    if (address.endsWith('/values')) {
      this.addEventListener('message', () => window.arrivals.push(performance.now()));
    }
  }
};
"""


def run(report: Report, minutes: float = SHORT) -> None:
    watch, empty = f"/api/car/{CAR}/watch/values", "/bench/empty"
    with tempfile.TemporaryDirectory() as folder:
        shutil.copytree(PACKAGE / "examples" / CAR, Path(folder) / CAR)
        with serving(Path(folder), SERVE, f"/api/car/{CAR}/watch") as (url, server):
            _, bare = _looked_at(server, url, (empty,), min(minutes, SHORT))
            _start(url)
            with _page(url) as page:
                (gaps, none), share = _looked_at(server, url, (watch, empty), minutes)
                shown = page() if page is not None else []
    share -= bare  # the reference looked too
    print(f"share of one core: empty stream {bare:.2%}, watch with two devices {share:.2%}")
    _say("empty stream", none)
    _say("watch, bare reader", gaps)
    report.want("web_live: states a second", len(gaps) / sum(gaps), ">=", 0.98 * RATE)
    for name, found in (("reader", gaps), ("page", shown)):
        if found:
            report.want(f"web_live: largest gap, {name} [ms]", max(found) * 1e3, "<=", 150.0)
    if shown:
        _say("watch, page in chromium", shown)
    ratio, largest = _p99(gaps) / _p99(none), max(gaps) / max(none)
    report.want("web_live: p99 gap over that of the empty stream, ratio", ratio, "<=", 1.2)
    report.want("web_live: largest gap over that of the empty stream, ratio", largest, "<=", 1.5)
    report.want("web_live: share of one core, server, two devices", share, "<=", 0.15)


def _start(url: str) -> None:
    body = {"token": "bench-of-ours", "source": {"kind": "simulated"}, "step": "L9"}
    asked = urllib.request.Request(
        f"{url}/api/car/{CAR}/watch/start", json.dumps(body).encode(),
        {"origin": url, "content-type": "application/json"},
    )  # fmt: skip
    urllib.request.urlopen(asked, timeout=60).read()


@contextmanager
def _page(url: str) -> Iterator[Any]:
    """A page that looks too; a call gives the gaps [s] that it saw. None without a browser."""
    chromium = next((p for n in ("chromium", "chromium-browser") if (p := shutil.which(n))), None)
    if chromium is None:
        yield None
        return
    from playwright.sync_api import sync_playwright

    with sync_playwright() as machine:
        browser = machine.chromium.launch(
            executable_path=chromium,
            args=["--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage"],
        )
        page = browser.new_page(viewport={"width": 390, "height": 844})
        page.add_init_script(ARRIVALS)
        page.goto(f"{url}/car/{CAR}/drive/live")
        page.locator(".fig[data-name=across_injector][data-state=ok]").wait_for(timeout=60000)
        page.evaluate("() => { window.arrivals.length = 0; }")

        def gaps() -> list[float]:
            came = page.evaluate("() => window.arrivals")
            return [(b - a) / 1e3 for a, b in pairwise(came)]

        yield gaps
        browser.close()


def _looked_at(
    server: int, url: str, paths: tuple[str, ...], minutes: float
) -> tuple[list[list[float]], float]:
    """Gaps [s] between the states of each stream, and the share of a core that the server took."""
    came: list[list[float]] = [[] for _ in paths]
    stop = threading.Event()
    readers = [
        threading.Thread(target=_read, args=(url, path, seen, stop))
        for path, seen in zip(paths, came, strict=True)
    ]
    for reader in readers:
        reader.start()
    time.sleep(2.0)  # what only happens at the beginning is not what is promised
    for seen in came:
        seen.clear()
    busy, began = _busy(server), time.perf_counter()
    time.sleep(minutes * 60.0)
    share = (_busy(server) - busy) / (time.perf_counter() - began)
    stop.set()
    for reader in readers:
        reader.join()
    return [[b - a for a, b in pairwise(seen)] for seen in came], share


def _read(url: str, path: str, came: list[float], stop: threading.Event) -> None:
    host, _, port = url.removeprefix("http://").partition(":")
    with socket.create_connection((host, int(port))) as line:
        line.sendall(f"GET {path} HTTP/1.1\r\nHost: {host}:{port}\r\n\r\n".encode())
        while not stop.is_set():
            piece = line.recv(1 << 16)
            now = time.perf_counter()
            came.extend([now] * piece.count(b"data: {"))


def _busy(process: int) -> float:
    """Processor time [s] that a process has taken so far."""
    row = Path(f"/proc/{process}/stat").read_text(encoding="utf-8").rpartition(")")[2].split()
    return (int(row[11]) + int(row[12])) / 100.0


def _p99(values: list[float]) -> float:
    return sorted(values)[max(0, round(0.99 * len(values)) - 1)]


def _say(name: str, gaps: list[float]) -> None:
    middle, high, most = (value * 1e3 for value in (statistics.median(gaps), _p99(gaps), max(gaps)))
    print(f"{name:<28} {len(gaps) / sum(gaps):6.2f}/s  gap p50 {middle:6.1f} ms", end="")
    print(f"  p99 {high:6.1f} ms  largest {most:6.1f} ms", flush=True)


def main() -> int:
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("--minutes", type=float, default=SHORT)
    report = Report()
    run(report, asked.parse_args().minutes)
    print(report.summary())
    return 0 if report.all_met() else 1


if __name__ == "__main__":
    sys.exit(main())
