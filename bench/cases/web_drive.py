"""The log page in a real browser: a log of a million rows, four traces, drawn and zoomed.

The first picture is held against polars reading the same columns of the file that was sent, a zoom
against a page without an application that fetches as many bytes. The server runs in a process of
its own; before each first picture it has forgotten what it read.
"""

from __future__ import annotations

import os
import random
import shutil
import statistics
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from cases.web import CAR, _memory, _p95, _say, _server
from keyturn.tasks.log import import_log
from keyturn.web.log_work import judge
from report import Report, measure
from serving import PACKAGE, bare

ROWS, RATE = 1_000_000, 100.0
OPENED, ZOOMS = 12, 120
SHOWN = ("engine_speed", "manifold_pressure", "rail_gauge", "lambda")
NAMES = ("Time (s)", "RPM", "MAP (kPa abs)", "Fuel Pressure (kPa gauge)", "Lambda")
# when the exact traces stand on the canvas for the first time, and when their script began to ask
FIRST = """
localStorage.setItem('traces:CAR', JSON.stringify(NAMES));
new MutationObserver((_, eye) => {
  const plot = document.getElementById('plot');
  if (!plot || !plot.dataset.drawn || plot.dataset.drawn === 'coarse') return;
  eye.disconnect();
  window.drawnAt = performance.now();
}).observe(document, {childList: true, subtree: true, attributes: true});
"""
ZOOM = """async (moves) => {
  const plot = document.getElementById('plot'), frame = plot.getBoundingClientRect(), took = [];
  for (const [share, by] of moves) {
    const start = performance.now();
    const drawn = new Promise((done) => plot.addEventListener('drawn', done, {once: true}));
    plot.dispatchEvent(new WheelEvent('wheel', {deltaY: by, cancelable: true, bubbles: true,
      clientX: frame.left + 70 + share * (frame.width - 90), clientY: frame.top + 60}));
    await drawn;
    await new Promise((done) => requestAnimationFrame(() => setTimeout(done, 0)));
    took.push(performance.now() - start);
  }
  return took;
}"""
BARE = """async (times) => {
  const took = [];
  for (let n = 0; n < times; n++) {
    const start = performance.now();
    const numbers = new Float32Array(await (await fetch('/bytes?' + n)).arrayBuffer());
    if (!numbers.length) throw new Error('nothing came');
    await new Promise((done) => requestAnimationFrame(() => setTimeout(done, 0)));
    took.push(performance.now() - start);
  }
  return took;
}"""


def run(report: Report) -> None:
    from playwright.sync_api import sync_playwright

    chromium = next(p for n in ("chromium", "chromium-browser") if (p := shutil.which(n)))
    flags = ["--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage"]
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as machine:
        car = Path(folder) / CAR
        shutil.copytree(PACKAGE / "examples" / CAR, car)
        log = _long(Path(folder) / "long.parquet")
        import_log(car, log, confirm=True)
        judge(lambda *_: None, str(car), log.name)
        reader = measure(lambda: pl.read_parquet(log, columns=list(NAMES)), times=7)
        report.row("polars, five columns of 1e6 rows from Parquet", reader, ROWS, "rows")
        browser = machine.chromium.launch(executable_path=chromium, args=flags)
        try:
            with _server(Path(folder)) as (url, server):
                page = _opened(report, browser, url, car, reader.wall)
                _zoomed(report, browser, page, server)
        finally:
            browser.close()


def _long(path: Path) -> Path:
    """An invented drive, as `cases.log` makes them."""
    rng = np.random.default_rng(3)
    time = np.arange(ROWS) / RATE
    load = np.clip(np.sin(time / 7.0), 0.0, 1.0)
    columns = (
        time, 850.0 + 4000.0 * load + rng.normal(0, 9, ROWS),
        38.0 + 110.0 * load + rng.normal(0, 1, ROWS), 300.0 + rng.normal(0, 3, ROWS),
        1.0 - 0.15 * load + rng.normal(0, 0.004, ROWS),
    )  # fmt: skip
    pl.DataFrame(dict(zip(NAMES, columns, strict=True))).write_parquet(path)
    return path


def _opened(report: Report, browser: Any, url: str, car: Path, reader: float) -> Any:
    """From the click on the log to its traces; the server reads the table each time."""
    clock = next((car / "made" / "logs").glob("long.parquet*.time.npy"))
    script = FIRST.replace("CAR", CAR).replace("NAMES", str(list(SHOWN)))
    address, whole, asked = f"{url}/car/{CAR}/drive/logs/long.parquet", [], []
    first = browser.new_page()
    first.goto(f"{url}/car/{CAR}/drive/logs", wait_until="load")  # from there it is opened
    first.close()
    for number in range(OPENED):
        os.utime(clock)  # another one, as far as the server can tell
        context = browser.new_context(viewport={"width": 1440, "height": 900})
        context.add_init_script(script)
        page = context.new_page()
        page.goto(address, wait_until="commit")
        page.wait_for_function("() => window.drawnAt")
        began = page.evaluate(
            """() => performance.getEntriesByType('resource').find(
                 (one) => one.name.includes('/traces?')).startTime"""
        )
        drawn = page.evaluate("window.drawnAt")
        whole.append(drawn / 1e3)
        asked.append((drawn - began) / 1e3)
        if number < OPENED - 1:
            context.close()
    _say("log page opened to traces drawn, server cold", whole)
    _say("of that, asked to drawn", asked)
    report.want("web_drive: traces of 1e6 x 4, asked to drawn [s]", _p95(asked), "<=", 0.3)
    report.want("web_drive: page opened to drawn, median [s]", statistics.median(whole), "<=", 1.0)
    ratio = statistics.median(asked) / reader
    report.want("web_drive: asked to drawn over polars reading, ratio", ratio, "<=", 15.0)
    return page


def _zoomed(report: Report, browser: Any, page: Any, server: int) -> None:
    """In and out at random places; a wheel's turn to the exact traces on the canvas."""
    rng = random.Random(5)
    # six turns in, six out: from the whole log to a fortieth of it, and back
    moves = [(rng.random(), -240 if n % 12 < 6 else 240) for n in range(ZOOMS)]
    before = _memory(server)
    took = [value / 1e3 for value in page.evaluate(ZOOM, moves)]
    _say("zoom, wheel to exact traces drawn", took)
    size = page.evaluate(
        """async () => { const last = performance.getEntriesByType('resource').filter(
             (one) => one.name.includes('/traces?')).at(-1).name;
             return (await (await fetch(last)).arrayBuffer()).byteLength; }"""
    )
    page_of_it = b"<!doctype html><title>bare</title>"
    with bare(page_of_it, bytes(size), "application/octet-stream") as address:
        other = browser.new_page()
        other.goto(address)
        plain = [value / 1e3 for value in other.evaluate(BARE, ZOOMS)]
    _say(f"bare fetch of {size / 1e3:.0f} kB", plain)
    ratio = _p95(took) / _p95(plain)
    report.want("web_drive: zoom p95 [s]", _p95(took), "<=", 0.06)
    report.want("web_drive: zoom over bare fetch, ratio of p95", ratio, "<=", 4.0)
    grown = _memory(server) / before
    report.want("web_drive: server memory over the zooms", grown, "<=", 1.1)
    page.context.close()
